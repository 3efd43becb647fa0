//! The model of a part that every stage speaks.

use crate::geometry::PointMm;

/// Which of the two things that meet: the part (seen from below through the optics) or the board (from above).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Side {
    /// The component being placed.
    Part,
    /// The printed board.
    Board,
}

impl Side {
    /// The word in files and answers: "part" or "board".
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Part => "part",
            Self::Board => "board",
        }
    }
}

/// An outline in its own local axes, centred on its own origin unless it is an outline.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A disc.
    Round {
        /// Diameter, mm.
        diameter_mm: f64,
    },
    /// A rectangle with sharp corners.
    Rect {
        /// Along local x, mm.
        width_mm: f64,
        /// Along local y, mm.
        length_mm: f64,
    },
    /// A rectangle with rounded corners.
    Rounded {
        /// Along local x, mm.
        width_mm: f64,
        /// Along local y, mm.
        length_mm: f64,
        /// Corner radius, mm, at most half the shorter side.
        radius_mm: f64,
    },
    /// A rectangle whose shorter ends are half circles.
    Oval {
        /// Along local x, mm.
        width_mm: f64,
        /// Along local y, mm.
        length_mm: f64,
    },
    /// A simple polygon, in order round the outline.
    Outline {
        /// Corners, mm, local axes.
        corners_mm: Vec<PointMm>,
    },
}

/// One piece of a terminal or a land: a shape, moved from the site's place.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// The outline.
    pub shape: Shape,
    /// The shape's centre from the site's place, local axes, mm.
    pub shift_mm: PointMm,
}

impl Piece {
    /// A disc at the site's place.
    #[must_use]
    pub const fn round(diameter_mm: f64) -> Self {
        Self { shape: Shape::Round { diameter_mm }, shift_mm: PointMm::ZERO }
    }

    /// A rectangle at the site's place, `width_mm` along local x.
    #[must_use]
    pub const fn rect(width_mm: f64, length_mm: f64) -> Self {
        Self { shape: Shape::Rect { width_mm, length_mm }, shift_mm: PointMm::ZERO }
    }
}

/// One place of the pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// "A1", "17".
    pub id: String,
    /// Where it lies, part frame.
    pub at_mm: PointMm,
    /// Turns the shapes counter-clockwise about `at_mm`, radians.
    pub angle_rad: f64,
    /// What the part stands on. One piece as a rule; empty only when the part has no terminal here.
    pub terminal: Vec<Piece>,
    /// The copper that it must meet; several pieces are possible.
    pub land: Vec<Piece>,
}

impl Site {
    /// The pieces seen on one side.
    #[must_use]
    pub fn pieces(&self, side: Side) -> &[Piece] {
        match side {
            Side::Part => &self.terminal,
            Side::Board => &self.land,
        }
    }

    /// The designed centre of what one side shows here, part frame: the area-weighted mean of the pieces' centres,
    /// or `at_mm` where there is none. The miss of a site is counted between the two sides' designed centres.
    #[must_use]
    pub fn centre_mm(&self, side: Side) -> PointMm {
        let pieces = self.pieces(side);
        let area: f64 = pieces.iter().map(|p| p.shape.area_mm2()).sum();
        if area <= 0.0 {
            return self.at_mm;
        }
        let local = pieces.iter().fold(PointMm::ZERO, |sum, p| sum + (p.shift_mm + p.shape.centroid_mm()) * (p.shape.area_mm2() / area));
        self.at_mm + local.rotated(self.angle_rad)
    }
}

/// Something besides the sites that tells the orientation or serves as a fiducial.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The side that carries it.
    pub side: Side,
    /// Where it lies, part frame.
    pub at_mm: PointMm,
    /// Turns the shape counter-clockwise, radians.
    pub angle_rad: f64,
    /// Its outline.
    pub piece: Piece,
}

/// A component and its land pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The part's name.
    pub name: String,
    /// Body size along x and y, mm.
    pub body_mm: [f64; 2],
    /// Centre of the body, part frame.
    pub body_centre_mm: PointMm,
    /// Every site: those of the grid row by row, then the explicit ones.
    pub sites: Vec<Site>,
    /// Marks of either side.
    pub marks: Vec<Mark>,
    /// The largest allowed miss as the file gives it, mm.
    pub accept_miss_mm: Option<f64>,
}

/// The largest allowed miss of any site, and where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance {
    /// mm.
    pub miss_mm: f64,
    /// Why this much.
    pub source: AllowanceSource,
}

/// Where an allowance comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AllowanceSource {
    /// `[accept] miss_mm` of the part file.
    PartFile,
    /// A quarter of the smallest round land's diameter (a project choice after NASA workmanship 7.13, 2002).
    QuarterOfLand,
    /// A quarter of the smallest terminal width (a project choice, as above).
    QuarterOfTerminal,
}

impl Shape {
    /// Diameter of a disc, mm; `None` of every other shape.
    #[must_use]
    pub const fn diameter_mm(&self) -> Option<f64> {
        match self {
            Self::Round { diameter_mm } => Some(*diameter_mm),
            _ => None,
        }
    }

    /// Area, mm².
    #[must_use]
    pub fn area_mm2(&self) -> f64 {
        use std::f64::consts::PI;
        match self {
            Self::Round { diameter_mm } => PI * diameter_mm * diameter_mm / 4.0,
            Self::Rect { width_mm, length_mm } => width_mm * length_mm,
            Self::Rounded { width_mm, length_mm, radius_mm } => width_mm * length_mm - (4.0 - PI) * radius_mm * radius_mm,
            Self::Oval { width_mm, length_mm } => {
                let d = width_mm.min(*length_mm);
                width_mm * length_mm - (1.0 - PI / 4.0) * d * d
            }
            Self::Outline { corners_mm } => signed_area_mm2(corners_mm).abs(),
        }
    }

    /// Centroid in local axes, mm; zero for all but outlines.
    #[must_use]
    pub fn centroid_mm(&self) -> PointMm {
        let Self::Outline { corners_mm } = self else { return PointMm::ZERO };
        let area = signed_area_mm2(corners_mm);
        if area.abs() < 1e-12 {
            return PointMm::ZERO;
        }
        let sum = edges(corners_mm).fold(PointMm::ZERO, |sum, (a, b)| sum + (a + b) * (a.x * b.y - b.x * a.y));
        sum * (1.0 / (6.0 * area))
    }

    /// The smaller extent, mm: a disc's diameter, a rectangle's narrow side.
    #[must_use]
    pub fn narrow_mm(&self) -> f64 {
        let [w, l] = self.extent_mm();
        w.min(l)
    }

    /// Extent along local x and y, mm.
    #[must_use]
    pub fn extent_mm(&self) -> [f64; 2] {
        match self {
            Self::Round { diameter_mm } => [*diameter_mm; 2],
            Self::Rect { width_mm, length_mm } | Self::Rounded { width_mm, length_mm, .. } | Self::Oval { width_mm, length_mm } => {
                [*width_mm, *length_mm]
            }
            Self::Outline { corners_mm } => {
                let span = |get: fn(&PointMm) -> f64| {
                    let (lo, hi) =
                        corners_mm.iter().map(get).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
                    (hi - lo).max(0.0)
                };
                [span(|p| p.x), span(|p| p.y)]
            }
        }
    }
}

fn edges(corners: &[PointMm]) -> impl Iterator<Item = (PointMm, PointMm)> + '_ {
    corners.iter().copied().zip(corners.iter().copied().cycle().skip(1))
}

fn signed_area_mm2(corners: &[PointMm]) -> f64 {
    edges(corners).map(|(a, b)| a.x * b.y - b.x * a.y).sum::<f64>() / 2.0
}

impl Part {
    /// The largest allowed miss: the part file's, else 25 % of the smallest land diameter where all lands are round,
    /// else 25 % of the smallest terminal width (pads wider than three times the median width left out).
    #[must_use]
    pub fn allowance(&self) -> Allowance {
        if let Some(miss_mm) = self.accept_miss_mm {
            return Allowance { miss_mm, source: AllowanceSource::PartFile };
        }
        let all_round = |side: Side| self.sites.iter().flat_map(|s| s.pieces(side)).all(|p| matches!(p.shape, Shape::Round { .. }));
        let narrow = |side: Side| self.sites.iter().flat_map(|s| s.pieces(side)).map(|p| p.shape.narrow_mm()).collect::<Vec<_>>();
        let smallest = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
        if all_round(Side::Board) && all_round(Side::Part) {
            return Allowance { miss_mm: 0.25 * smallest(&narrow(Side::Board)), source: AllowanceSource::QuarterOfLand };
        }
        let mut widths = narrow(Side::Part);
        widths.sort_by(f64::total_cmp);
        let median = widths.get(widths.len() / 2).copied().unwrap_or(f64::INFINITY);
        widths.retain(|w| *w <= 3.0 * median);
        Allowance { miss_mm: 0.25 * smallest(&widths), source: AllowanceSource::QuarterOfTerminal }
    }

    /// Index of the site called `id`.
    #[must_use]
    pub fn site_index(&self, id: &str) -> Option<usize> {
        self.sites.iter().position(|s| s.id == id)
    }

    /// The smallest distance between two sites' centres on one side, mm; `None` below two sites.
    #[must_use]
    pub fn pitch_mm(&self, side: Side) -> Option<f64> {
        let mut centres: Vec<PointMm> = self.sites.iter().map(|s| s.centre_mm(side)).collect();
        centres.sort_by(|a, b| a.x.total_cmp(&b.x));
        let mut best = f64::INFINITY;
        for (i, a) in centres.iter().enumerate() {
            for b in &centres[i + 1..] {
                if b.x - a.x >= best {
                    break;
                }
                let distance_mm = a.distance(*b);
                if distance_mm > 1e-9 {
                    best = best.min(distance_mm);
                }
            }
        }
        best.is_finite().then_some(best)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outline_has_the_area_and_centroid_of_its_polygon() {
        let corners_mm = vec![PointMm::new(0.0, 0.0), PointMm::new(2.0, 0.0), PointMm::new(2.0, 1.0), PointMm::new(0.0, 1.0)];
        let shape = Shape::Outline { corners_mm };
        assert!((shape.area_mm2() - 2.0).abs() < 1e-12);
        assert!(shape.centroid_mm().distance(PointMm::new(1.0, 0.5)) < 1e-12);
        assert_eq!(shape.extent_mm(), [2.0, 1.0]);
    }

    #[test]
    fn a_shifted_terminal_moves_with_the_sites_angle() {
        let site = Site {
            id: "1".into(),
            at_mm: PointMm::new(-7.7, 6.25),
            angle_rad: std::f64::consts::FRAC_PI_2,
            terminal: vec![Piece { shape: Shape::Rect { width_mm: 0.22, length_mm: 0.75 }, shift_mm: PointMm::new(0.0, 0.1) }],
            land: vec![Piece::rect(0.28, 1.4)],
        };
        assert!(site.centre_mm(Side::Part).distance(PointMm::new(-7.8, 6.25)) < 1e-12);
        assert!(site.centre_mm(Side::Board).distance(site.at_mm) < 1e-12);
    }
}
