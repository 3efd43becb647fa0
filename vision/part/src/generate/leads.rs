//! Parts with leads or bottom pads in lines: quad and dual packages, rows, chip parts.
//!
//! Terminals lie with their length across the line, outwards being their local +y. Numbers run anticlockwise as seen from
//! above, from the upper left: down the left side, along the near side, up the right side, back along the far side. That is
//! the trade's habit for quad and dual packages.

use super::DrawingError;
use crate::{Mark, Part, Piece, PointMm, Shape, Site};
use std::f64::consts::{FRAC_PI_2, PI};

/// What the drawing of a part with terminals along its sides says.
#[derive(Debug, Clone, PartialEq)]
pub struct SidesDrawing {
    /// The part's name.
    pub name: String,
    /// Terminals at the left, near, right and far side.
    pub per_side: [u32; 4],
    /// Distance of neighbouring terminals, mm.
    pub pitch_mm: f64,
    /// From outer end to outer end of opposite terminals, along x and along y, mm.
    pub span_mm: [f64; 2],
    /// Width (along the side) and length (across it) of what the part stands on, mm.
    pub terminal_mm: [f64; 2],
    /// What lies under it.
    pub land: LandDrawing,
    /// Body along x and y, mm.
    pub body_mm: [f64; 2],
    /// The pad in the middle.
    pub exposed: Option<ExposedPad>,
    /// In which order the numbers run.
    pub numbering: Numbering,
    /// Marks of either side.
    pub marks: Vec<Mark>,
    /// The largest allowed miss, mm; `None` leaves it to the project's rule.
    pub accept_miss_mm: Option<f64>,
}

/// How lands follow from the drawing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LandDrawing {
    /// As the board's drawing has them.
    Given {
        /// Width (along the side) and length (across it), mm.
        size_mm: [f64; 2],
        /// From outer end to outer end of opposite lands, along x and along y, mm.
        span_mm: [f64; 2],
    },
    /// By what each land reaches past its terminal.
    Goals(FilletGoals),
}

/// What a land reaches past its terminal, mm; negative where it stays inside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FilletGoals {
    /// At the outer end.
    pub toe_mm: f64,
    /// At the inner end.
    pub heel_mm: f64,
    /// At either long side.
    pub side_mm: f64,
    /// Where the values come from.
    pub source: &'static str,
}

impl FilletGoals {
    /// Gull-wing leads, by pitch. The nominal density level of IPC-7351B's tables 3-2 and 3-3, as an open footprint generator
    /// quotes them (horizon-eda, 3rd_party/footag/ipc7351b/table.c); tolerances are not added.
    #[must_use]
    pub fn gull_wing(pitch_mm: f64) -> Self {
        let (side_mm, source) = if pitch_mm > 0.625 {
            (0.03, "fillet goals of IPC-7351B table 3-2, nominal, without tolerances")
        } else {
            (-0.02, "fillet goals of IPC-7351B table 3-3, nominal, without tolerances")
        };
        Self { toe_mm: 0.35, heel_mm: 0.35, side_mm, source }
    }

    /// Pads under the body's edge, likewise (table 3-15).
    pub const NO_LEAD: Self =
        Self { toe_mm: 0.30, heel_mm: 0.0, side_mm: -0.04, source: "fillet goals of IPC-7351B table 3-15, nominal, without tolerances" };

    /// Chip parts.
    pub const CHIP: Self = Self { toe_mm: 0.35, heel_mm: -0.05, side_mm: 0.0, source: "common practice, no source" };
}

/// The pad under the middle of a body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposedPad {
    /// Along x and y, mm.
    pub terminal_mm: [f64; 2],
    /// Its land along x and y, mm.
    pub land_mm: [f64; 2],
    /// The terminal's corner towards terminal 1 is cut off by so much along each edge, mm; 0 for none. It tells the turn.
    pub cut_corner_mm: f64,
}

/// In which order the numbers run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbering {
    /// Anticlockwise from the upper left, as seen from above.
    Around,
    /// From left to right, then the next below: 1 and 2 opposite each other. For two lines at the left and right.
    Across,
}

/// The sides in the order of numbers: the angle of their outward direction against +y, which is that of the terminal's
/// local axes, and the direction in which numbers run.
const SIDES: [(f64, [f64; 2]); 4] = [(FRAC_PI_2, [0.0, -1.0]), (PI, [1.0, 0.0]), (-FRAC_PI_2, [0.0, 1.0]), (0.0, [-1.0, 0.0])];

/// A part with terminals along its sides, from its drawing.
///
/// # Errors
/// What the drawing cannot mean, with its numbers.
pub fn sides(drawing: &SidesDrawing) -> Result<Part, DrawingError> {
    check(drawing)?;
    let [width_mm, length_mm] = drawing.terminal_mm;
    let mut sites = Vec::new();
    for (side, (angle_rad, [along_x, along_y])) in SIDES.into_iter().enumerate() {
        let count = drawing.per_side[side];
        let axis = usize::from(side % 2 == 1);
        let out_mm = drawing.span_mm[axis] / 2.0 - length_mm / 2.0;
        let (land, land_shift_mm) = land_of(drawing, axis, out_mm);
        let outward = PointMm::new(0.0, 1.0).rotated(angle_rad);
        for n in 0..count {
            let along_mm = (f64::from(n) - f64::from(count - 1) / 2.0) * drawing.pitch_mm;
            sites.push(Site {
                id: String::new(),
                at_mm: tidy(outward * out_mm + PointMm::new(along_x, along_y) * along_mm),
                angle_rad,
                terminal: vec![Piece::rect(width_mm, length_mm)],
                land: vec![Piece { shape: land.clone(), shift_mm: PointMm::new(0.0, land_shift_mm) }],
            });
        }
    }
    if drawing.numbering == Numbering::Across {
        // Rows from the far end on, the left one first.
        sites.sort_by(|a, b| b.at_mm.y.total_cmp(&a.at_mm.y).then(a.at_mm.x.total_cmp(&b.at_mm.x)));
    }
    if let Some(pad) = drawing.exposed {
        sites.push(exposed(&pad));
    }
    sites.iter_mut().enumerate().for_each(|(i, site)| site.id = (i + 1).to_string());
    Ok(Part {
        name: drawing.name.clone(),
        body_mm: drawing.body_mm,
        body_centre_mm: PointMm::ZERO,
        sites,
        marks: drawing.marks.clone(),
        accept_miss_mm: drawing.accept_miss_mm,
    })
}

/// One row along x, numbered from left to right, terminals with their length along y; one piece of land for each.
///
/// # Errors
/// What the drawing cannot mean, with its numbers. `per_side` is not used but for its near side; lands given by size lie
/// centred under their terminals.
pub fn row(drawing: &SidesDrawing) -> Result<Part, DrawingError> {
    check(drawing)?;
    let ([width_mm, length_mm], count) = (drawing.terminal_mm, drawing.per_side[1]);
    let (land, shift_mm) = match drawing.land {
        LandDrawing::Given { size_mm: [width_mm, length_mm], .. } => (Shape::Rect { width_mm, length_mm }, 0.0),
        LandDrawing::Goals(_) => land_of(drawing, 1, 0.0),
    };
    let site = |n: u32| Site {
        id: (n + 1).to_string(),
        at_mm: tidy(PointMm::new((f64::from(n) - f64::from(count - 1) / 2.0) * drawing.pitch_mm, 0.0)),
        angle_rad: PI,
        terminal: vec![Piece::rect(width_mm, length_mm)],
        land: vec![Piece { shape: land.clone(), shift_mm: PointMm::new(0.0, shift_mm) }],
    };
    Ok(Part {
        name: drawing.name.clone(),
        body_mm: drawing.body_mm,
        body_centre_mm: PointMm::ZERO,
        sites: (0..count).map(site).collect(),
        marks: drawing.marks.clone(),
        accept_miss_mm: drawing.accept_miss_mm,
    })
}

/// Without the last bits that sums of fractions leave.
fn tidy(p: PointMm) -> PointMm {
    let short = |v: f64| (v * 1e9).round() / 1e9 + 0.0;
    PointMm::new(short(p.x), short(p.y))
}

/// A land's shape, and its centre outwards of its terminal's.
fn land_of(drawing: &SidesDrawing, axis: usize, terminal_out_mm: f64) -> (Shape, f64) {
    let [width_mm, length_mm] = drawing.terminal_mm;
    let short = |v: f64| (v * 1e9).round() / 1e9;
    match drawing.land {
        LandDrawing::Given { size_mm, span_mm } => {
            let out_mm = span_mm[axis] / 2.0 - size_mm[1] / 2.0;
            (Shape::Rect { width_mm: size_mm[0], length_mm: size_mm[1] }, short(out_mm - terminal_out_mm))
        }
        LandDrawing::Goals(g) => {
            let (width_mm, length_mm) = (short(width_mm + 2.0 * g.side_mm), short(length_mm + g.toe_mm + g.heel_mm));
            (Shape::Rect { width_mm, length_mm }, short((g.toe_mm - g.heel_mm) / 2.0))
        }
    }
}

fn exposed(pad: &ExposedPad) -> Site {
    let [x, y] = pad.terminal_mm.map(|v| v / 2.0);
    let cut = pad.cut_corner_mm;
    let shape = if cut > 0.0 {
        // The upper left corner is the one towards terminal 1.
        let corners = [(-x, y - cut), (-x, -y), (x, -y), (x, y), (-x + cut, y)];
        Shape::Outline { corners_mm: corners.map(|(x, y)| PointMm::new(x, y)).to_vec() }
    } else {
        Shape::Rect { width_mm: pad.terminal_mm[0], length_mm: pad.terminal_mm[1] }
    };
    let terminal = vec![Piece { shape, shift_mm: PointMm::ZERO }];
    Site { id: String::new(), at_mm: PointMm::ZERO, angle_rad: 0.0, terminal, land: vec![Piece::rect(pad.land_mm[0], pad.land_mm[1])] }
}

fn check(drawing: &SidesDrawing) -> Result<(), DrawingError> {
    let SidesDrawing { per_side, pitch_mm, span_mm, terminal_mm, body_mm, .. } = *drawing;
    let count: u64 = per_side.iter().map(|n| u64::from(*n)).sum();
    if count == 0 || count > crate::file::MOST_SITES as u64 {
        return Err(DrawingError::Terminals { count });
    }
    let [land_mm, land_span_mm] = match drawing.land {
        LandDrawing::Given { size_mm, span_mm } => [size_mm, span_mm],
        LandDrawing::Goals(g) => {
            [[terminal_mm[0] + 2.0 * g.side_mm, terminal_mm[1] + g.toe_mm + g.heel_mm], span_mm.map(|s| s + 2.0 * g.toe_mm)]
        }
    };
    let pad = drawing.exposed.unwrap_or(ExposedPad { terminal_mm: [1.0; 2], land_mm: [1.0; 2], cut_corner_mm: 0.0 });
    let sizes = [
        ("pitch", pitch_mm),
        ("terminal's width", terminal_mm[0]),
        ("terminal's length", terminal_mm[1]),
        ("land's width", land_mm[0]),
        ("land's length", land_mm[1]),
        ("body", body_mm[0]),
        ("body", body_mm[1]),
        ("span", span_mm[0]),
        ("span", span_mm[1]),
        ("span of the lands", land_span_mm[0]),
        ("span of the lands", land_span_mm[1]),
        ("exposed pad", pad.terminal_mm[0]),
        ("exposed pad", pad.terminal_mm[1]),
        ("exposed pad's land", pad.land_mm[0]),
        ("exposed pad's land", pad.land_mm[1]),
        ("allowed miss", drawing.accept_miss_mm.unwrap_or(1.0)),
    ];
    if let Some((what, value_mm)) = sizes.into_iter().find(|(_, v)| !(*v > 0.0 && *v <= 1000.0)) {
        return Err(DrawingError::Size { what, value_mm });
    }
    let least_mm = pad.terminal_mm[0].min(pad.terminal_mm[1]);
    if !(0.0..least_mm).contains(&pad.cut_corner_mm) {
        return Err(DrawingError::Size { what: "cut corner of the exposed pad", value_mm: pad.cut_corner_mm });
    }
    for (what, size_mm) in [("terminal", terminal_mm[0]), ("land", land_mm[0])] {
        if size_mm >= pitch_mm && per_side.iter().any(|n| *n > 1) {
            return Err(DrawingError::Touching { what, size_mm, pitch_mm });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Side;

    fn quad() -> SidesDrawing {
        SidesDrawing {
            name: "Q".into(),
            per_side: [4; 4],
            pitch_mm: 0.5,
            span_mm: [4.0, 4.0],
            terminal_mm: [0.22, 0.6],
            land: LandDrawing::Goals(FilletGoals::gull_wing(0.5)),
            body_mm: [2.4, 2.4],
            exposed: None,
            numbering: Numbering::Around,
            marks: vec![],
            accept_miss_mm: None,
        }
    }

    fn at(part: &Part, id: &str) -> [f64; 2] {
        let site = &part.sites[part.site_index(id).unwrap()];
        [site.at_mm.x, site.at_mm.y]
    }

    #[test]
    fn numbers_run_anticlockwise_from_the_upper_left() {
        let part = sides(&quad()).unwrap();
        assert_eq!(part.sites.len(), 16);
        assert_eq!([at(&part, "1"), at(&part, "4")], [[-1.7, 0.75], [-1.7, -0.75]]);
        assert_eq!([at(&part, "5"), at(&part, "8")], [[-0.75, -1.7], [0.75, -1.7]]);
        assert_eq!([at(&part, "9"), at(&part, "12")], [[1.7, -0.75], [1.7, 0.75]]);
        assert_eq!([at(&part, "13"), at(&part, "16")], [[0.75, 1.7], [-0.75, 1.7]]);
    }

    #[test]
    fn lands_reach_past_their_terminals_by_the_goals() {
        let part = sides(&quad()).unwrap();
        for id in ["1", "6", "11", "16"] {
            let site = &part.sites[part.site_index(id).unwrap()];
            let [terminal, land] = [Side::Part, Side::Board].map(|side| site.centre_mm(side));
            assert!(terminal.distance(land) < 1e-12, "toe and heel are alike: {id}");
            assert_eq!(site.land[0].shape, Shape::Rect { width_mm: 0.18, length_mm: 1.3 });
        }
        let mut no_lead = quad();
        no_lead.land = LandDrawing::Goals(FilletGoals::NO_LEAD);
        let part = sides(&no_lead).unwrap();
        let first = &part.sites[0];
        assert!((first.centre_mm(Side::Board).x - first.centre_mm(Side::Part).x + 0.15).abs() < 1e-12, "half the toe outwards");
    }

    #[test]
    fn an_exposed_pad_comes_last_and_its_cut_corner_points_to_terminal_1() {
        let mut drawing = quad();
        drawing.exposed = Some(ExposedPad { terminal_mm: [1.5, 1.5], land_mm: [1.5, 1.5], cut_corner_mm: 0.3 });
        let part = sides(&drawing).unwrap();
        let pad = part.sites.last().unwrap();
        assert_eq!(pad.id, "17");
        let centre = pad.centre_mm(Side::Part);
        assert!(centre.x > 0.0 && centre.y < 0.0, "copper is missing at the upper left: {centre:?}");
        assert!(crate::symmetry::turns_that_look_the_same(&part, Side::Part).is_empty());
    }

    #[test]
    fn rows_are_numbered_across_or_around() {
        let mut two = quad();
        two.per_side = [3, 0, 3, 0];
        two.numbering = Numbering::Across;
        let part = sides(&two).unwrap();
        assert_eq!([at(&part, "1"), at(&part, "2"), at(&part, "3")], [[-1.7, 0.5], [1.7, 0.5], [-1.7, 0.0]]);
        two.per_side = [0, 5, 0, 0];
        let part = row(&two).unwrap();
        assert_eq!([at(&part, "1"), at(&part, "5")], [[-1.0, 0.0], [1.0, 0.0]]);
    }

    #[test]
    fn drawings_that_cannot_be_meant_are_refused_with_their_numbers() {
        let refused = |change: fn(&mut SidesDrawing)| {
            let mut drawing = quad();
            change(&mut drawing);
            sides(&drawing).expect_err("refused").to_string()
        };
        assert_eq!(refused(|d| d.per_side = [0; 4]), "0 terminals make no part; there are from 1 to 20000");
        assert_eq!(refused(|d| d.terminal_mm[0] = 0.5), "terminals of 0.5 mm touch each other at a pitch of 0.5 mm");
        assert!(refused(|d| d.span_mm[1] = f64::NAN).starts_with("the span is NaN mm"));
        assert!(
            refused(|d| d.land = LandDrawing::Given { size_mm: [0.3, -1.0], span_mm: [5.0; 2] }).starts_with("the land's length is -1")
        );
    }
}
