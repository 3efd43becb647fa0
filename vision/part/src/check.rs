//! What a part file says that can hardly be meant, and what its pattern cannot tell.

use crate::symmetry::turns_that_look_the_same;
use crate::{Part, Piece, PointMm, Shape, Side, Site};
use std::f64::consts::{FRAC_PI_2, TAU};

/// Something to look into.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What kind of thing.
    pub kind: Kind,
    /// The sites that it is about.
    pub sites: Vec<String>,
    /// In words, with what to do.
    pub text: String,
}

/// Kinds of findings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Two lands share copper.
    LandsOverlap,
    /// Two terminals share metal.
    TerminalsOverlap,
    /// A terminal does not touch its land where it should stand.
    OffItsLand,
    /// A land lies far outside the body.
    FarOutside,
    /// The pattern looks the same turned, and no mark tells it.
    LooksTheSame,
    /// Too small to be found on a bench.
    TooFine,
}

impl Kind {
    /// The word in answers.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::LandsOverlap => "lands-overlap",
            Self::TerminalsOverlap => "terminals-overlap",
            Self::OffItsLand => "off-its-land",
            Self::FarOutside => "far-outside",
            Self::LooksTheSame => "looks-the-same",
            Self::TooFine => "too-fine",
        }
    }
}

/// Lands of gull wings end some 1 to 2 mm outside the body; a centre farther out than this, or than half the body's
/// smaller side, is a slip of the pen. Common practice, no source.
const FAR_MM: f64 = 3.0;

/// Pieces that only touch, within rounding, do not overlap, mm.
const TOUCH_MM: f64 = 1e-6;

/// So many corners stand for a circle, all on it; 0.1 % of the radius lies outside of them.
const CIRCLE_CORNERS: usize = 64;

/// Everything that is to be looked into, in the order of [`Kind`].
#[must_use]
pub fn findings(part: &Part) -> Vec<Finding> {
    let mut found = overlaps(part, Side::Board);
    found.extend(overlaps(part, Side::Part));
    found.extend(part.sites.iter().filter(|s| is_off_its_land(s)).map(|site| Finding {
        kind: Kind::OffItsLand,
        sites: vec![site.id.clone()],
        text: format!("terminal {} does not touch its land where the part sits as designed", site.id),
    }));
    found.extend(far_outside(part));
    found.extend(looks_the_same(part));
    found
}

/// What is too small for a picture of so many px per mm, on one side: features of less than `least_radius_px`, or so close
/// together that less than `least_radius_px` lies between them.
#[must_use]
pub fn too_fine(part: &Part, side: Side, px_per_mm: f64, least_radius_px: f64) -> Option<Finding> {
    let thing = match side {
        Side::Part => "terminal",
        Side::Board => "land",
    };
    let narrow = |s: &Site| s.pieces(side).iter().map(|p| p.shape.narrow_mm()).fold(f64::INFINITY, f64::min);
    let small: Vec<String> = part.sites.iter().filter(|s| narrow(s) * px_per_mm / 2.0 < least_radius_px).map(|s| s.id.clone()).collect();
    if small.is_empty() {
        return None;
    }
    let least_mm = part.sites.iter().map(narrow).fold(f64::INFINITY, f64::min);
    let needed = 2.0 * least_radius_px / least_mm;
    Some(Finding {
        kind: Kind::TooFine,
        text: format!(
            "the narrowest {thing} is {least_mm:.3} mm, which is {:.1} px across at {px_per_mm:.1} px per mm; at least {:.0} px are needed: more magnification, at least {needed:.0} px per mm",
            least_mm * px_per_mm,
            2.0 * least_radius_px
        ),
        sites: small,
    })
}

/// Every distance between neighbours that the pattern has, mm, each with how many sites have it as their smallest; the most
/// frequent first.
#[must_use]
pub fn pitches_mm(part: &Part, side: Side) -> Vec<(f64, usize)> {
    let mut at: Vec<PointMm> = part.sites.iter().filter(|s| !s.pieces(side).is_empty()).map(|s| s.centre_mm(side)).collect();
    at.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    let mut found: Vec<(f64, usize)> = Vec::new();
    for (i, p) in at.iter().enumerate() {
        let mut least_mm = f64::INFINITY;
        for other in at[i + 1..].iter().take_while(|q| q.x - p.x < 1e3) {
            if other.x - p.x >= least_mm {
                break;
            }
            least_mm = least_mm.min(p.distance(*other));
        }
        for other in at[..i].iter().rev() {
            if p.x - other.x >= least_mm {
                break;
            }
            least_mm = least_mm.min(p.distance(*other));
        }
        if !least_mm.is_finite() {
            continue;
        }
        match found.iter_mut().find(|(mm, _)| (*mm - least_mm).abs() < 1e-3) {
            Some((_, count)) => *count += 1,
            None => found.push(((least_mm * 1e6).round() / 1e6, 1)),
        }
    }
    found.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.total_cmp(&b.0)));
    found
}

/// A piece as it lies, part frame.
struct Lies {
    site: usize,
    corners: Vec<PointMm>,
    centre_mm: PointMm,
    radius_mm: f64,
}

fn lie(part: &Part, side: Side) -> Vec<Lies> {
    let pieces = |(site, s): (usize, &Site)| s.pieces(side).iter().map(|p| as_it_lies(site, s, p)).collect::<Vec<_>>();
    let mut all: Vec<Lies> = part.sites.iter().enumerate().flat_map(pieces).collect();
    all.sort_by(|a, b| (a.centre_mm.x - a.radius_mm).total_cmp(&(b.centre_mm.x - b.radius_mm)));
    all
}

fn as_it_lies(index: usize, site: &Site, piece: &Piece) -> Lies {
    let place = |p: PointMm| site.at_mm + (piece.shift_mm + p).rotated(site.angle_rad);
    let corners: Vec<PointMm> = corners(&piece.shape).into_iter().map(place).collect();
    let centre_mm = place(piece.shape.centroid_mm());
    let radius_mm = corners.iter().map(|c| c.distance(centre_mm)).fold(0.0, f64::max);
    Lies { site: index, corners, centre_mm, radius_mm }
}

/// The corners of a shape, anticlockwise or as given; arcs as many short edges.
fn corners(shape: &Shape) -> Vec<PointMm> {
    let rounded = |width_mm: f64, length_mm: f64, radius_mm: f64| {
        let (x, y) = (width_mm / 2.0 - radius_mm, length_mm / 2.0 - radius_mm);
        let middles = [(x, y), (-x, y), (-x, -y), (x, -y)];
        let arc = CIRCLE_CORNERS / 4;
        let one = move |(quarter, (x, y)): (usize, (f64, f64))| {
            (0..=arc).map(move |n| {
                let angle = FRAC_PI_2 * (quarter as f64 + n as f64 / arc as f64);
                PointMm::new(x + radius_mm * angle.cos(), y + radius_mm * angle.sin())
            })
        };
        middles.into_iter().enumerate().flat_map(one).collect()
    };
    match shape {
        Shape::Round { diameter_mm } => {
            (0..CIRCLE_CORNERS).map(|n| PointMm::new(diameter_mm / 2.0, 0.0).rotated(TAU * n as f64 / CIRCLE_CORNERS as f64)).collect()
        }
        Shape::Rect { width_mm, length_mm } => {
            let (x, y) = (width_mm / 2.0, length_mm / 2.0);
            vec![PointMm::new(x, y), PointMm::new(-x, y), PointMm::new(-x, -y), PointMm::new(x, -y)]
        }
        Shape::Rounded { width_mm, length_mm, radius_mm } => rounded(*width_mm, *length_mm, *radius_mm),
        Shape::Oval { width_mm, length_mm } => rounded(*width_mm, *length_mm, width_mm.min(*length_mm) / 2.0),
        Shape::Outline { corners_mm } => corners_mm.clone(),
    }
}

fn overlap(a: &Lies, b: &Lies) -> bool {
    if a.centre_mm.distance(b.centre_mm) > a.radius_mm + b.radius_mm - TOUCH_MM {
        return false;
    }
    let edges = |of: &Lies| (0..of.corners.len()).map(|i| (of.corners[i], of.corners[(i + 1) % of.corners.len()])).collect::<Vec<_>>();
    let (of_a, of_b) = (edges(a), edges(b));
    let cross = |(p, q): (PointMm, PointMm), r: PointMm| (q.x - p.x) * (r.y - p.y) - (q.y - p.y) * (r.x - p.x);
    // Distances from an edge's line: only corners clearly on both sides cross.
    let clear = |edge: (PointMm, PointMm), r: PointMm| {
        let off = cross(edge, r) / edge.0.distance(edge.1).max(1e-12);
        if off.abs() <= TOUCH_MM { 0.0 } else { off.signum() }
    };
    let crosses = of_a.iter().any(|e| of_b.iter().any(|f| clear(*e, f.0) * clear(*e, f.1) < 0.0 && clear(*f, e.0) * clear(*f, e.1) < 0.0));
    // A piece inside another crosses nothing; nor do two that are the same.
    crosses || inside(b.centre_mm, &of_a) && inside(b.centre_mm, &of_b) || inside(a.centre_mm, &of_b) && inside(a.centre_mm, &of_a)
}

/// Even-odd rule.
fn inside(p: PointMm, edges: &[(PointMm, PointMm)]) -> bool {
    let crossed = edges.iter().filter(|(a, b)| (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x));
    crossed.count() % 2 == 1
}

fn overlaps(part: &Part, side: Side) -> Vec<Finding> {
    let (kind, thing) = match side {
        Side::Board => (Kind::LandsOverlap, "lands"),
        Side::Part => (Kind::TerminalsOverlap, "terminals"),
    };
    let all = lie(part, side);
    let widest_mm = all.iter().map(|l| l.radius_mm).fold(0.0, f64::max);
    let mut pairs: Vec<(usize, usize)> = Vec::new();
    for (i, a) in all.iter().enumerate() {
        let near = all[i + 1..].iter().take_while(|b| b.centre_mm.x - b.radius_mm <= a.centre_mm.x + a.radius_mm + widest_mm * 1e-9);
        for b in near.filter(|b| b.site != a.site && overlap(a, b)) {
            pairs.push((a.site.min(b.site), a.site.max(b.site)));
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    let finding = |(a, b): (usize, usize)| {
        let [a, b] = [a, b].map(|i| part.sites[i].id.clone());
        Finding { kind, text: format!("{thing} {a} and {b} overlap"), sites: vec![a, b] }
    };
    pairs.into_iter().map(finding).collect()
}

fn is_off_its_land(site: &Site) -> bool {
    let lies = |side: Side| site.pieces(side).iter().map(|p| as_it_lies(0, site, p)).collect::<Vec<_>>();
    let (terminal, land) = (lies(Side::Part), lies(Side::Board));
    !terminal.is_empty() && !land.is_empty() && !terminal.iter().any(|t| land.iter().any(|l| overlap(t, l)))
}

fn far_outside(part: &Part) -> Option<Finding> {
    let [width_mm, length_mm] = part.body_mm;
    let far_mm = FAR_MM.max(width_mm.min(length_mm) / 2.0);
    let outside_mm = |p: PointMm| {
        let from = p - part.body_centre_mm;
        (from.x.abs() - width_mm / 2.0).max(0.0).hypot((from.y.abs() - length_mm / 2.0).max(0.0))
    };
    let out: Vec<(&Site, f64)> =
        part.sites.iter().map(|s| (s, outside_mm(s.centre_mm(Side::Board)))).filter(|(_, mm)| *mm > far_mm).collect();
    let farthest_mm = out.iter().map(|o| o.1).fold(0.0, f64::max);
    (!out.is_empty()).then(|| Finding {
        kind: Kind::FarOutside,
        text: format!(
            "{} of {} lands lie more than {far_mm:.1} mm outside the body of {width_mm} x {length_mm} mm, the farthest {farthest_mm:.1} mm: check the body's size and the units",
            out.len(),
            part.sites.len()
        ),
        sites: out.iter().map(|(s, _)| s.id.clone()).collect(),
    })
}

/// With two terminals or fewer a part is the same whichever way round, unless it is polarised (a diode, a lamp, a tantalum capacitor).
const MOST_WITHOUT_ENDS: usize = 2;

fn looks_the_same(part: &Part) -> Option<Finding> {
    // Whether it is polarised only its file can say: it has a mark then.
    if part.sites.iter().filter(|s| !s.terminal.is_empty()).count() <= MOST_WITHOUT_ENDS && part.marks.is_empty() {
        return None;
    }
    let turns: Vec<u8> = turns_that_look_the_same(part, Side::Part).into_iter().filter(|t| !a_mark_tells(part, *t)).collect();
    let how = match turns[..] {
        [] => return None,
        [2] => "half way round",
        _ => "by every quarter turn",
    };
    let text = format!(
        "the terminals look the same turned {how}: a [[mark]] on the part away from its middle, a missing corner or a pad of another shape would settle it; without one the person has to look where the first terminal is"
    );
    let first = part.sites.first().map(|s| s.id.clone());
    Some(Finding { kind: Kind::LooksTheSame, sites: first.into_iter().collect(), text })
}

/// Whether some mark of the part lies where none does after so many quarter turns.
fn a_mark_tells(part: &Part, quarter_turns: u8) -> bool {
    const SAME_MM: f64 = 0.05;
    let marks = || part.marks.iter().filter(|m| m.side == Side::Part);
    let turned = |p: PointMm| p.rotated(FRAC_PI_2 * f64::from(quarter_turns));
    marks().any(|m| !marks().any(|other| turned(m.at_mm).distance(other.at_mm) < SAME_MM && m.piece.shape == other.piece.shape))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::file;

    fn part(tables: &str) -> Part {
        file::parse(&format!("schema = 1\nname = \"p\"\nbody_mm = [4.0, 4.0]\n{tables}"), "p.toml").unwrap()
    }

    fn kinds(part: &Part) -> Vec<Kind> {
        findings(part).iter().map(|f| f.kind).collect()
    }

    fn site(id: &str, x: f64, y: f64, land: &str) -> String {
        format!("[[site]]\nid = \"{id}\"\nat_mm = [{x}, {y}]\nterminal = {{ round_mm = 0.3 }}\nland = {land}\n")
    }

    #[test]
    fn a_plain_part_that_tells_its_turn_has_nothing_to_look_into() {
        let told = part(
            "[grid]\nrows = 4\ncolumns = 4\npitch_mm = [0.8, 0.8]\nterminal = { round_mm = 0.4 }\nland = { round_mm = 0.35 }\nabsent = [\"A1\"]\n",
        );
        assert_eq!(findings(&told), []);
        assert_eq!(pitches_mm(&told, Side::Part), [(0.8, 15)]);
    }

    #[test]
    fn a_full_grid_looks_the_same_until_a_mark_off_the_middle_tells_it() {
        let full = "[grid]\nrows = 3\ncolumns = 3\npitch_mm = [0.8, 0.8]\nterminal = { round_mm = 0.4 }\nland = { round_mm = 0.35 }\n";
        assert_eq!(kinds(&part(full)), [Kind::LooksTheSame]);
        let mark = |x: f64, y: f64| format!("{full}[[mark]]\nside = \"part\"\nat_mm = [{x}, {y}]\nshape = {{ round_mm = 0.3 }}\n");
        assert_eq!(kinds(&part(&mark(-1.6, 1.6))), []);
        assert_eq!(kinds(&part(&mark(0.0, 0.0))), [Kind::LooksTheSame]);
    }

    #[test]
    fn a_chip_of_two_terminals_needs_no_mark_unless_it_is_polarised() {
        let rect = "{ rect_mm = [0.5, 1.0] }";
        let chip = [site("1", -0.8, 0.0, rect), site("2", 0.8, 0.0, rect)].concat();
        assert_eq!(kinds(&part(&chip)), []);
        let marked = |side: &str| format!("{chip}[[mark]]\nside = \"{side}\"\nat_mm = [-1.2, 0.6]\nshape = {{ round_mm = 0.2 }}\n");
        assert_eq!(kinds(&part(&marked("part"))), []);
        // The board's mark says that it matters, but not which way round the part lies.
        assert_eq!(kinds(&part(&marked("board"))), [Kind::LooksTheSame]);
        let three = [site("1", -0.8, 0.0, rect), site("2", 0.8, 0.0, rect), site("3", 0.0, 0.0, rect)];
        assert_eq!(kinds(&part(&three.concat())), [Kind::LooksTheSame]);
    }

    #[test]
    fn overlaps_are_found_and_touching_is_none() {
        let rect = "{ rect_mm = [0.5, 1.0] }";
        let apart = [site("1", 0.0, 0.0, rect), site("2", 0.5, 0.0, rect), site("3", 1.3, 0.9, "{ round_mm = 0.5 }")].concat();
        assert_eq!(kinds(&part(&apart)), []);
        let over = [site("1", 0.0, 0.0, rect), site("2", 0.49, 0.3, rect), site("3", 1.3, 0.9, "{ round_mm = 0.5 }")].concat();
        let found = findings(&part(&over));
        assert_eq!((found.len(), found[0].kind, found[0].sites.join(" ")), (1, Kind::LandsOverlap, "1 2".to_owned()));
        let within = [site("1", 0.0, 0.0, "{ rect_mm = [2.0, 2.0] }"), site("2", 0.5, 0.4, rect), site("3", 2.0, 0.9, rect)].concat();
        assert_eq!(kinds(&part(&within)), [Kind::LandsOverlap]);
        let balls =
            [site("1", 0.0, 0.0, rect), site("2", 0.0, 0.2, "{ rect_mm = [0.1, 0.05], shift_mm = [0.8, 0.0] }"), site("3", 1.9, 1.0, rect)];
        assert_eq!(kinds(&part(&balls.concat())), [Kind::TerminalsOverlap, Kind::OffItsLand]);
    }

    #[test]
    fn lands_far_outside_the_body_are_told_once() {
        let far = [
            site("1", -45.0, 0.0, "{ round_mm = 0.4 }"),
            site("2", 25.0, 0.3, "{ round_mm = 0.4 }"),
            site("3", 1.8, 1.0, "{ round_mm = 0.4 }"),
        ];
        let found = findings(&part(&far.concat()));
        assert_eq!((found.len(), found[0].kind, found[0].sites.len()), (1, Kind::FarOutside, 2));
        assert!(found[0].text.contains("the farthest 43.0 mm"), "{}", found[0].text);
    }

    #[test]
    fn what_is_too_fine_for_a_bench_is_told_with_what_it_needs() {
        let fine = part("[grid]\nrows = 3\ncolumns = 3\npitch_mm = [0.4, 0.4]\nterminal = { round_mm = 0.2 }\nland = { round_mm = 0.2 }\n");
        assert_eq!(too_fine(&fine, Side::Part, 40.0, 1.5), None);
        let found = too_fine(&fine, Side::Board, 12.0, 1.5).unwrap();
        assert!(found.text.contains("2.4 px across") && found.text.contains("at least 15 px per mm"), "{}", found.text);
        assert_eq!(found.sites.len(), 9);
    }
}
