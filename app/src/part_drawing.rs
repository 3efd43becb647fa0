//! Draws a part to scale: lands from above, terminals from below.

use landfit_part::grid::{Grid, Place};
use landfit_part::{Part, Piece, PointMm, Shape, Side};
use std::fmt::Write as _;

/// Copper of the lands, metal of the terminals, and the one strong colour for the first site (Okabe and Ito's orange).
const LAND: &str = "#c9a36a";
const TERMINAL: &str = "#aab2b8";
const FIRST: &str = "#e69f00";
const INK: &str = "#222222";
const BODY: &str = "#8a8a8a";

/// One of the two views: where its middle lies on the sheet and which way x runs.
struct View {
    side: Side,
    middle: PointMm,
    /// 1 from above, -1 from below.
    x_sign: f64,
    caption: &'static str,
}

impl View {
    /// Where a point of the part frame lies on the sheet, mm, y down.
    fn on_sheet(&self, p: PointMm) -> PointMm {
        PointMm::new(self.middle.x + self.x_sign * p.x, self.middle.y - p.y)
    }
}

/// The drawing as SVG, a millimetre to a millimetre.
pub fn svg(part: &Part) -> String {
    let (low, high) = bounds(part);
    let size = high - low;
    let letter_mm = (size.x.max(size.y) / 32.0).clamp(0.5, 8.0);
    let margin_mm = 4.0 * letter_mm;
    // Short captions still need their width where the part is small.
    let column_mm = size.x.max(18.0 * letter_mm) + 2.0 * margin_mm;
    let (width_mm, height_mm) = (2.0 * column_mm, size.y + 2.0 * margin_mm + 4.5 * letter_mm);
    let middle = (low + high) * 0.5;
    let y_mm = 2.0 * letter_mm + margin_mm + size.y / 2.0 + middle.y;
    let views = [
        View {
            side: Side::Board,
            middle: PointMm::new(column_mm / 2.0 - middle.x, y_mm),
            x_sign: 1.0,
            caption: "from above: lands on the board",
        },
        View {
            side: Side::Part,
            middle: PointMm::new(1.5 * column_mm + middle.x, y_mm),
            x_sign: -1.0,
            caption: "from below: terminals of the part",
        },
    ];
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width_mm:.3}mm\" height=\"{height_mm:.3}mm\" viewBox=\"0 0 {width_mm:.3} {height_mm:.3}\" \
         font-family=\"sans-serif\" font-size=\"{letter_mm:.3}\">\n<title>{0}</title>\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n",
        escaped(&part.name)
    );
    let title = format!("{}, {} sites", part.name, part.sites.len());
    text += &label(PointMm::new(margin_mm / 2.0, 1.5 * letter_mm), "start", &title, "font-weight=\"bold\"");
    for view in &views {
        draw_view(&mut text, part, view, letter_mm);
        let caption_at = PointMm::new(view.middle.x + view.x_sign * middle.x, y_mm - middle.y + size.y / 2.0 + margin_mm);
        text += &label(caption_at, "middle", view.caption, "");
    }
    scale_bar(&mut text, size.x.max(size.y), PointMm::new(width_mm / 2.0, height_mm - 1.6 * letter_mm), letter_mm);
    text + "</svg>\n"
}

fn draw_view(text: &mut String, part: &Part, view: &View, letter_mm: f64) {
    let line_mm = letter_mm / 16.0;
    let colour = if view.side == Side::Board { LAND } else { TERMINAL };
    // Inside the group y runs up and angles are the part frame's own.
    let _ = writeln!(
        text,
        "<g transform=\"translate({:.4} {:.4}) scale({} -1)\" fill=\"{colour}\" stroke=\"{INK}\" stroke-width=\"{line_mm:.4}\">",
        view.middle.x, view.middle.y, view.x_sign
    );
    let (corner, body) = (part.body_centre_mm, part.body_mm);
    let dash = if view.side == Side::Board { format!(" stroke-dasharray=\"{0:.3} {0:.3}\"", letter_mm / 2.0) } else { String::new() };
    let _ = writeln!(
        text,
        "<rect x=\"{:.4}\" y=\"{:.4}\" width=\"{:.4}\" height=\"{:.4}\" fill=\"none\" stroke=\"{BODY}\" stroke-width=\"{:.4}\"{dash}/>",
        corner.x - body[0] / 2.0,
        corner.y - body[1] / 2.0,
        body[0],
        body[1],
        2.0 * line_mm
    );
    let first = First::of(part, view.side);
    for (index, site) in part.sites.iter().enumerate() {
        let fill = if Some(index) == first.index { format!(" fill=\"{FIRST}\"") } else { String::new() };
        let _ = writeln!(
            text,
            "<g transform=\"translate({:.5} {:.5}) rotate({:.5})\"{fill}>",
            site.at_mm.x,
            site.at_mm.y,
            site.angle_rad.to_degrees()
        );
        site.pieces(view.side).iter().for_each(|piece| text.push_str(&outline(piece)));
        text.push_str("</g>\n");
    }
    for mark in part.marks.iter().filter(|m| m.side == view.side) {
        let _ = writeln!(
            text,
            "<g transform=\"translate({:.5} {:.5}) rotate({:.5})\" fill=\"none\" stroke-width=\"{:.4}\">{}</g>",
            mark.at_mm.x,
            mark.at_mm.y,
            mark.angle_rad.to_degrees(),
            2.0 * line_mm,
            outline(&mark.piece)
        );
    }
    text.push_str("</g>\n");
    grid_letters(text, part, view, letter_mm);
    first_label(text, part, &first, view, letter_mm);
}

/// What tells the orientation to people: A1, be there a site or not, or else the first site.
struct First {
    index: Option<usize>,
    at_mm: PointMm,
    name: String,
}

impl First {
    fn of(part: &Part, side: Side) -> Self {
        let a1 = Grid::of_sites(&part.sites).map(|(grid, _)| grid.at_mm(Place { row: 0, column: 0 }));
        match (part.site_index("A1"), a1) {
            (None, Some(at_mm)) => Self { index: None, at_mm, name: "A1".to_owned() },
            (index, _) => {
                let index = index.or_else(|| part.site_index("1")).unwrap_or(0);
                let site = part.sites.get(index);
                let at_mm = site.map_or(PointMm::ZERO, |s| s.centre_mm(side));
                Self { index: Some(index), at_mm, name: site.map_or_else(String::new, |s| s.id.clone()) }
            }
        }
    }
}

/// Names the first site from outside the body, on its own side, with a line to it.
fn first_label(text: &mut String, part: &Part, first: &First, view: &View, letter_mm: f64) {
    let at = view.on_sheet(first.at_mm);
    let centre = view.on_sheet(part.body_centre_mm);
    let (low, high) = bounds(part);
    let (middle, half) = (view.on_sheet((low + high) * 0.5), (high - low) * 0.5);
    let outwards = if at.x <= centre.x { -1.0 } else { 1.0 };
    let far = if at.y <= centre.y { -1.0 } else { 1.0 };
    let to = PointMm::new(middle.x + outwards * (half.x + 0.6 * letter_mm), middle.y + far * (half.y + 1.4 * letter_mm));
    let _ = writeln!(
        text,
        "<line x1=\"{:.4}\" y1=\"{:.4}\" x2=\"{:.4}\" y2=\"{:.4}\" stroke=\"{FIRST}\" stroke-width=\"{:.4}\"/>",
        at.x,
        at.y,
        to.x,
        to.y,
        letter_mm / 8.0
    );
    if first.index.is_none() {
        // No site stands there: a dashed ring shows where it would be.
        let _ = writeln!(
            text,
            "<circle cx=\"{:.4}\" cy=\"{:.4}\" r=\"{:.4}\" fill=\"white\" stroke=\"{FIRST}\" stroke-width=\"{:.4}\" stroke-dasharray=\"{2:.4} {2:.4}\"/>",
            at.x,
            at.y,
            letter_mm / 4.0,
            letter_mm / 12.0
        );
    }
    // A long name runs inwards, where the sheet has room for it.
    let inwards = first.name.chars().count() > 3;
    let anchor = if (outwards < 0.0) == inwards { "start" } else { "end" };
    let away = if inwards { PointMm::new(0.0, far * 0.5 * letter_mm) } else { PointMm::new(outwards * 0.2 * letter_mm, 0.0) };
    let baseline = PointMm::new(0.0, 0.2 * letter_mm);
    *text += &label(to + away + baseline, anchor, &first.name, "font-weight=\"bold\"");
}

/// Row letters and column numbers along a grid's edges; every one while there is room, else every second, fifth or tenth.
fn grid_letters(text: &mut String, part: &Part, view: &View, letter_mm: f64) {
    let Some((grid, _)) = Grid::of_sites(&part.sites) else { return };
    let (low, high) = bounds(part);
    let every = |pitch_mm: f64| {
        let steps = [(1, 1.0), (2, 2.0), (5, 5.0), (10, 10.0), (20, 20.0)];
        steps.into_iter().find(|(_, n)| n * pitch_mm >= 1.3 * letter_mm).map_or(50, |(step, _)| step)
    };
    let small = format!("fill=\"{BODY}\" font-size=\"{:.3}\"", 0.8 * letter_mm);
    let place = |row: u32, column: u32| grid.at_mm(Place { row, column });
    for row in (0..grid.rows).step_by(every(grid.pitch_mm[1])) {
        let name = Place { row, column: 0 }.name();
        let at = view.on_sheet(PointMm::new(if view.x_sign > 0.0 { low.x } else { high.x }, place(row, 0).y));
        *text += &label(PointMm::new(at.x - 0.5 * letter_mm, at.y + 0.3 * letter_mm), "end", name.trim_end_matches('1'), &small);
    }
    for column in (0..grid.columns).step_by(every(grid.pitch_mm[0])) {
        let at = view.on_sheet(PointMm::new(place(0, column).x, low.y));
        *text += &label(PointMm::new(at.x, at.y + 1.2 * letter_mm), "middle", &(column + 1).to_string(), &small);
    }
}

fn outline(piece: &Piece) -> String {
    let PointMm { x, y } = piece.shift_mm;
    let rect = |width_mm: f64, length_mm: f64, radius_mm: f64| {
        format!(
            "<rect x=\"{:.5}\" y=\"{:.5}\" width=\"{width_mm:.5}\" height=\"{length_mm:.5}\" rx=\"{radius_mm:.5}\"/>",
            x - width_mm / 2.0,
            y - length_mm / 2.0
        )
    };
    match &piece.shape {
        Shape::Round { diameter_mm } => format!("<circle cx=\"{x:.5}\" cy=\"{y:.5}\" r=\"{:.5}\"/>", diameter_mm / 2.0),
        Shape::Rect { width_mm, length_mm } => rect(*width_mm, *length_mm, 0.0),
        Shape::Rounded { width_mm, length_mm, radius_mm } => rect(*width_mm, *length_mm, *radius_mm),
        Shape::Oval { width_mm, length_mm } => rect(*width_mm, *length_mm, width_mm.min(*length_mm) / 2.0),
        Shape::Outline { corners_mm } => {
            let points: Vec<String> = corners_mm.iter().map(|c| format!("{:.5},{:.5}", c.x + x, c.y + y)).collect();
            format!("<polygon points=\"{}\"/>", points.join(" "))
        }
    }
}

/// A bar of a round length, about a quarter of the part's size.
fn scale_bar(text: &mut String, size_mm: f64, middle: PointMm, letter_mm: f64) {
    let round = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
    let length_mm = round.into_iter().rev().find(|l| *l <= size_mm / 3.0).unwrap_or(round[0]);
    let (x, y) = (middle.x - length_mm / 2.0, middle.y);
    let end_mm = letter_mm / 3.0;
    let _ = writeln!(
        text,
        "<path d=\"M{x:.4} {0:.4}v{1:.4}m0 -{end_mm:.4}h{length_mm:.4}m0 -{end_mm:.4}v{1:.4}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"{2:.4}\"/>",
        y - end_mm,
        2.0 * end_mm,
        letter_mm / 8.0
    );
    *text += &label(PointMm::new(middle.x, y + 1.3 * letter_mm), "middle", &format!("{length_mm} mm"), "");
}

/// Lowest and highest corner of the body and of all that is drawn, part frame.
fn bounds(part: &Part) -> (PointMm, PointMm) {
    let half = PointMm::new(part.body_mm[0] / 2.0, part.body_mm[1] / 2.0);
    let mut low = part.body_centre_mm - half;
    let mut high = part.body_centre_mm + half;
    let mut take = |centre: PointMm, reach_mm: f64| {
        low = PointMm::new(low.x.min(centre.x - reach_mm), low.y.min(centre.y - reach_mm));
        high = PointMm::new(high.x.max(centre.x + reach_mm), high.y.max(centre.y + reach_mm));
    };
    for site in &part.sites {
        for piece in [Side::Part, Side::Board].into_iter().flat_map(|side| site.pieces(side)) {
            take(site.at_mm + piece.shift_mm.rotated(site.angle_rad), reach_mm(&piece.shape));
        }
    }
    for mark in &part.marks {
        take(mark.at_mm + mark.piece.shift_mm.rotated(mark.angle_rad), reach_mm(&mark.piece.shape));
    }
    (low, high)
}

/// The farthest that a shape reaches from its own origin, mm.
fn reach_mm(shape: &Shape) -> f64 {
    match shape {
        Shape::Outline { corners_mm } => corners_mm.iter().map(|c| c.norm()).fold(0.0, f64::max),
        Shape::Round { diameter_mm } => diameter_mm / 2.0,
        other => {
            let [width_mm, length_mm] = other.extent_mm();
            width_mm.hypot(length_mm) / 2.0
        }
    }
}

fn label(at: PointMm, anchor: &str, words: &str, style: &str) -> String {
    let fill = if style.contains("fill") { String::new() } else { format!(" fill=\"{INK}\"") };
    format!("<text x=\"{:.4}\" y=\"{:.4}\" text-anchor=\"{anchor}\"{fill} {style}>{}</text>\n", at.x, at.y, escaped(words))
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::file;

    fn part() -> Part {
        let text = "name = \"a <b> & c\"\nbody_mm = [4, 4]\n[grid]\nrows = 2\ncolumns = 3\npitch_mm = [1, 1]\nterminal = { round_mm = 0.5 }\nland = { round_mm = 0.4 }\n";
        file::parse(text, "a.toml").expect("part")
    }

    #[test]
    fn the_drawing_is_in_millimetres_with_all_sites_on_both_sides() {
        let svg = svg(&part());
        let head = svg.lines().next().expect("head");
        let value = |key: &str| head.split(key).nth(1).and_then(|rest| rest.split('"').nth(1)).expect("attribute").to_owned();
        assert_eq!(format!("0 0 {} {}", value(" width").trim_end_matches("mm"), value(" height").trim_end_matches("mm")), value("viewBox"));
        assert_eq!(svg.matches("r=\"0.25000\"").count(), 6, "terminals");
        assert_eq!(svg.matches("r=\"0.20000\"").count(), 6, "lands");
        assert!(svg.contains("a &lt;b&gt; &amp; c") && !svg.contains("<b>"));
    }

    #[test]
    fn a1_lies_left_from_above_and_right_from_below() {
        let part = part();
        let svg = svg(&part);
        let x_signs: Vec<&str> = svg.split("scale(").skip(1).filter_map(|s| s.split(' ').next()).collect();
        assert_eq!(x_signs, ["1", "-1"]);
        let anchors: Vec<bool> = svg.lines().filter(|l| l.ends_with(">A1</text>")).map(|l| l.contains("text-anchor=\"end\"")).collect();
        assert_eq!(anchors, [true, false]);
    }

    #[test]
    fn a_part_of_one_site_and_odd_shapes_is_drawn_without_nonsense() {
        let text = "name = \"odd\"\nbody_mm = [1, 1]\nbody_centre_mm = [5, 5]\n[[site]]\nid = \"1\"\nat_mm = [0, 0]\nangle_deg = 30\nterminal = [{ oval_mm = [0.2, 0.5] }, { rounded_mm = [0.3, 0.4, 0.1], shift_mm = [1, 0] }]\nland = { outline_mm = [[0, 0], [1, 0], [0, 1]] }\n";
        let svg = svg(&file::parse(text, "a.toml").expect("part"));
        assert!(svg.contains("<polygon") && svg.contains("rotate(30.00000)"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}
