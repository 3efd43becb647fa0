//! The plain data of a scene: what lies where, how it looks, and through what it is seen.

use crate::spoil::Spoil;
use landfit_part::{Part, Piece, Pose, Shape, Side};
use serde::{Serialize, Serializer};

/// Everything that a set of pictures is made from.
#[derive(Debug, Clone, Serialize)]
pub struct Scene {
    /// The part whose terminals are seen.
    #[serde(serialize_with = "part_as_data")]
    pub part: Part,
    /// The part whose lands the board carries; as a rule the same.
    #[serde(serialize_with = "part_as_data")]
    pub board: Part,
    /// Pose of the part in the bench frame.
    #[serde(serialize_with = "pose_as_data")]
    pub bench_from_part: Pose,
    /// Pose of the land pattern in the bench frame.
    #[serde(serialize_with = "pose_as_data")]
    pub bench_from_board: Pose,
    /// Frame, lens and views as they truly are.
    pub optics: Optics,
    /// One light for every view, in the views' order.
    pub lights: Vec<Light>,
    /// How the part's underside looks.
    pub part_look: PartLook,
    /// How the board looks.
    pub board_look: BoardLook,
    /// What is wrong with single sites.
    pub defects: Vec<Defect>,
    /// What else is seen.
    pub clutter: Vec<Clutter>,
    /// How light becomes numbers.
    pub sensor: Sensor,
    /// Seed of every random thing in the picture: scatter, texture, noise.
    pub seed: u64,
}

/// Frame, lens and views.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Optics {
    /// Size and levels of every picture.
    pub frame: Frame,
    /// Distortion, shared by all views.
    pub lens: Option<Lens>,
    /// Every view.
    pub views: Vec<View>,
}

/// The pictures' size and how light becomes raw values.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Frame {
    /// Width and height, px.
    pub size_px: [u32; 2],
    /// 1 (grey) or 3 (red, green, blue).
    pub channels: usize,
    /// 8 or 16 bits a channel.
    pub bits: u32,
    /// Raw value of no light.
    pub black: f64,
    /// Raw value of full scale.
    pub white: f64,
    /// light = ((raw - black) / (white - black)) ^ gamma.
    pub gamma: f64,
}

/// Radial distortion: p_seen = c + d (1 + k1 r² + k2 r⁴) norm, with d = (p - c) / norm and r = |d|.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lens {
    /// Third-order coefficient.
    pub k1: f64,
    /// Fifth-order coefficient.
    pub k2: f64,
    /// Centre of distortion, px.
    pub centre_px: [f64; 2],
    /// The radius, in px, at which r = 1.
    pub norm_px: f64,
}

/// A rectangle of raw pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct RegionPx {
    /// Leftmost column.
    pub x: u32,
    /// Topmost row.
    pub y: u32,
    /// Columns.
    pub width: u32,
    /// Rows.
    pub height: u32,
}

/// One part of one exposure that shows one side in one light.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// The side that is seen.
    #[serde(serialize_with = "side_as_word")]
    pub shows: Side,
    /// Which picture of the set, from 0.
    pub exposure: usize,
    /// Where in the picture; `None` is all of it.
    pub region_px: Option<RegionPx>,
    /// The camera's red, green and blue answer to this view's light, linear. One channel takes their mean.
    pub tint: [f64; 3],
    /// Homography from bench-frame mm to lens-corrected px, row by row.
    pub px_from_mm: [[f64; 3]; 3],
}

impl View {
    /// px of a millimetre along picture x, where the view's homography has no perspective.
    pub(crate) fn px_per_mm(&self) -> f64 {
        self.px_from_mm[0][0].hypot(self.px_from_mm[0][1])
    }
}

/// How one view's light falls and how sharp it is seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Light {
    /// Factor on every brightness of this view: exposure.
    pub gain: f64,
    /// Relative change of the light from the picture's centre to its right and lower edge.
    pub gradient: [f64; 2],
    /// The point-spread function.
    pub blur: Blur,
}

/// A Gaussian point-spread function, followed by a straight smear (motion during the exposure).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Blur {
    /// Standard deviation along picture x and y, px.
    pub sigma_px: [f64; 2],
    /// Length of the smear, px.
    pub smear_px: f64,
    /// Direction of the smear, radians from picture x towards picture y.
    pub smear_rad: f64,
}

/// How light becomes numbers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sensor {
    /// `None` renders without noise.
    pub noise: Option<Noise>,
    /// Loss of light from the centre to the picture's corners, as a fraction; grows with the squared radius.
    pub vignetting: f64,
    /// Light that reaches every pixel and channel of every exposure, as a fraction of full scale.
    pub stray: f64,
    /// What else goes wrong between the light and the file, in this order.
    pub spoils: Vec<Spoil>,
}

/// Noise of the sensor, after the linear model of EMVA 1288.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Noise {
    /// Electrons at full scale.
    pub full_well_e: f64,
    /// Standard deviation of the read-out, electrons.
    pub read_noise_e: f64,
}

/// A flat surface with its texture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Surface {
    /// Mean brightness.
    pub brightness: f64,
    /// Relative standard deviation of the fine grain.
    pub grain: f64,
    /// Size of the fine grain, mm.
    pub grain_mm: f64,
    /// Relative standard deviation of the coarse mottle.
    pub mottle: f64,
    /// Size of the coarse mottle, mm.
    pub mottle_mm: f64,
    /// The glass cloth that shows through.
    pub weave: Option<Weave>,
}

/// The cloth under the solder mask.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Weave {
    /// Relative amplitude.
    pub contrast: f64,
    /// Distance of the yarns, mm.
    pub pitch_mm: f64,
    /// Direction of the warp in the side's frame, radians.
    pub angle_rad: f64,
}

/// How the part's underside looks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartLook {
    /// What is seen beyond the body, and everywhere when there is no body.
    pub surround: Surface,
    /// The underside; `None` when no part is held.
    pub body: Option<Surface>,
    /// The terminals; `None` when there are none.
    pub terminals: Option<TerminalLook>,
    /// Brightness of the part's marks.
    pub mark: f64,
}

/// How terminals look under their light. Lengths are fractions of the terminal's radius.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TerminalLook {
    /// Brightness of the face in its middle.
    pub face: f64,
    /// How much of it is lost at the edge, as a fraction.
    pub face_fall: f64,
    /// The ring light's reflection.
    pub ring: Option<Ring>,
    /// The reflection in the middle.
    pub spot: Option<Spot>,
    /// How the light varies round the terminal.
    pub uneven: Uneven,
    /// How terminals differ from each other.
    pub scatter: Scatter,
    /// Factor on the body's brightness where a terminal is missing.
    pub residue: f64,
}

/// The reflection of a ring light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ring {
    /// Brightness.
    pub brightness: f64,
    /// Radius of its middle line.
    pub radius: f64,
    /// Width.
    pub width: f64,
    /// Width of the ramp at its edges.
    pub soft: f64,
}

/// A reflection in the middle of a ball.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spot {
    /// Brightness.
    pub brightness: f64,
    /// Radius.
    pub radius: f64,
    /// Width of the ramp at its edge.
    pub soft: f64,
    /// Its place from the terminal's middle, bench axes.
    pub at: [f64; 2],
}

/// Brightness round a terminal: 1 + amount cos(phi - direction) + second cos 2 (phi - second direction), at the ring's
/// middle line (at the edge where there is no ring). Directions are in the bench frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Uneven {
    /// First harmonic.
    pub amount: f64,
    /// Where it is brightest, radians.
    pub direction_rad: f64,
    /// Second harmonic.
    pub second: f64,
    /// Where it is brightest, radians.
    pub second_direction_rad: f64,
    /// How the direction turns over the field, radians per mm of part x and y.
    pub drift_rad_per_mm: [f64; 2],
}

/// How sites of one side differ from each other: standard deviations.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Scatter {
    /// Relative, of the brightness.
    pub brightness: f64,
    /// Relative, of the size.
    pub size: f64,
    /// Of the place along each axis, mm. The whole pattern's least-squares shift and turn are taken out: the lattice
    /// fitted to all terminals is the part's own datum (EIAJ ED-7304).
    pub place_mm: f64,
}

/// How the board looks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BoardLook {
    /// The solder mask.
    pub mask: Surface,
    /// The lands; `None` when there are none.
    pub lands: Option<LandLook>,
    /// Brightness of the board's marks (fiducials).
    pub mark: f64,
}

/// How lands look under their light.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LandLook {
    /// Brightness in the middle.
    pub face: f64,
    /// How much of it is lost at the edge, as a fraction: 0 flat copper, 0.6 a tin dome.
    pub face_fall: f64,
    /// The dome's own reflection.
    pub highlight: Option<Highlight>,
    /// From the land's edge to that of the mask opening, mm; 0 where the mask defines the land.
    pub gap_mm: f64,
    /// Brightness of the laminate in the gap.
    pub gap: f64,
    /// How far the mask's openings lie off the copper, all alike, board frame, mm.
    pub opening_shift_mm: [f64; 2],
    /// How lands differ from each other.
    pub scatter: Scatter,
    /// Solder paste on the lands.
    pub paste: Option<Paste>,
}

/// A soft reflection on a dome: fractions of the land's radius.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Highlight {
    /// What it adds in its middle, as a fraction of the face's brightness.
    pub gain: f64,
    /// Its place from the land's middle, bench axes.
    pub at: [f64; 2],
    /// Its standard deviation.
    pub sigma: f64,
}

/// A deposit of solder paste.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Paste {
    /// Brightness.
    pub brightness: f64,
    /// Its diameter over the land's.
    pub size: f64,
    /// How far all deposits lie off their lands, as a stencil lays them, board frame, mm.
    pub shift_mm: [f64; 2],
    /// Standard deviation of each one's own place along each axis, mm.
    pub place_mm: f64,
}

/// Something wrong with one site.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Defect {
    /// The side that has it.
    #[serde(serialize_with = "side_as_word")]
    pub side: Side,
    /// The site's id.
    pub site: String,
    /// What is wrong.
    pub kind: DefectKind,
}

/// What can be wrong with a site.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "lowercase", tag = "kind")]
pub enum DefectKind {
    /// Nothing there.
    Missing,
    /// Metal joins it with another site.
    Bridged {
        /// The other site's id.
        to: String,
        /// Width of the bridge over the terminal's diameter.
        width: f64,
    },
    /// Smaller or larger than designed.
    Size {
        /// Diameter over the designed one.
        ratio: f64,
    },
    /// Off its place.
    Displaced {
        /// By how much, side's frame, mm.
        by_mm: [f64; 2],
    },
    /// Under a glare that saturates the picture.
    Hidden {
        /// What the glare adds in its middle.
        brightness: f64,
        /// Its standard deviation, mm.
        sigma_mm: f64,
    },
}

/// Something that is seen besides the sites; places are in the frame of the side that carries it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "lowercase", tag = "what")]
pub enum Clutter {
    /// A copper trace under the board's mask.
    Trace {
        /// Its middle line, mm.
        points_mm: Vec<[f64; 2]>,
        /// Width, mm.
        width_mm: f64,
        /// Factor on the mask's brightness.
        gain: f64,
    },
    /// A via of the board.
    Via {
        /// Where, mm.
        at_mm: [f64; 2],
        /// Pad's diameter, mm.
        pad_mm: f64,
        /// Hole's diameter, mm.
        hole_mm: f64,
        /// Brightness of the pad.
        pad: f64,
        /// Brightness of the hole.
        hole: f64,
    },
    /// A stroke of printing, a scratch.
    Stroke {
        /// The side that carries it.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Its middle line, mm.
        points_mm: Vec<[f64; 2]>,
        /// Width, mm.
        width_mm: f64,
        /// Brightness.
        brightness: f64,
    },
    /// A hair or fibre that lies on everything.
    Fibre {
        /// The side that it lies on.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Its middle line, mm.
        points_mm: Vec<[f64; 2]>,
        /// Width, mm.
        width_mm: f64,
        /// Brightness.
        brightness: f64,
    },
    /// A tool between the optics and one side: it covers everything.
    Tool {
        /// The side that it hides.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Its outline, mm.
        corners_mm: Vec<[f64; 2]>,
        /// Brightness.
        brightness: f64,
        /// Width of the ramp at its edge, mm: it lies out of focus.
        soft_mm: f64,
    },
    /// The same lands again, elsewhere on the board; their places scatter as those of the wanted ones do.
    Footprint {
        /// Its origin, board frame, mm.
        at_mm: [f64; 2],
    },
    /// What a lead shows between the part's body and its foot.
    Shank {
        /// Its middle line from the foot to the body, mm.
        points_mm: Vec<[f64; 2]>,
        /// Width, mm.
        width_mm: f64,
        /// Brightness.
        brightness: f64,
    },
    /// A disc: an A1 dot, a speck of dust.
    Dot {
        /// The side that carries it.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Where, mm.
        at_mm: [f64; 2],
        /// Diameter, mm.
        diameter_mm: f64,
        /// Brightness.
        brightness: f64,
        /// Width of the ramp at its edge, mm.
        soft_mm: f64,
    },
    /// A circle line: the mouth of the empty nozzle, a printed ring.
    Circle {
        /// The side that carries it.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Where, mm.
        at_mm: [f64; 2],
        /// Diameter of its middle line, mm.
        diameter_mm: f64,
        /// Width, mm.
        width_mm: f64,
        /// Brightness.
        brightness: f64,
    },
    /// Flux, wet or dry: a smooth irregular blob that lets the ground through.
    Stain {
        /// The side that carries it.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Its lobes: x, y, radius, mm.
        lobes_mm: Vec<[f64; 3]>,
        /// Factor on what lies below.
        gain: f64,
        /// Width of the ramp at its edge, mm; at most 0.9 of the largest lobe's radius counts.
        soft_mm: f64,
    },
    /// A specular reflection that adds its light.
    Glare {
        /// The side that carries it.
        #[serde(serialize_with = "side_as_word")]
        side: Side,
        /// Where, mm.
        at_mm: [f64; 2],
        /// Standard deviation, mm.
        sigma_mm: f64,
        /// What it adds in its middle.
        brightness: f64,
    },
}

/// Why a scene cannot be rendered.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SceneError {
    /// Lights pair up with views.
    #[error("{views} views need as many lights, there are {lights}")]
    LightsForViews {
        /// Views of the optics.
        views: usize,
        /// Lights of the scene.
        lights: usize,
    },
    /// Nothing to render into.
    #[error("a frame of {width} x {height} px with {channels} channels of {bits} bits cannot be rendered")]
    Frame {
        /// px.
        width: u32,
        /// px.
        height: u32,
        /// Channels.
        channels: usize,
        /// Bits.
        bits: u32,
    },
    /// The homography has no inverse.
    #[error("px_from_mm of view {view} cannot be inverted")]
    Singular {
        /// Index of the view.
        view: usize,
    },
    /// A region outside the picture.
    #[error("the region of view {view} is empty or leaves the picture")]
    Region {
        /// Index of the view.
        view: usize,
    },
    /// A defect of a site that the part does not have.
    #[error("defect at site {site}, which the part does not have")]
    UnknownSite {
        /// The id.
        site: String,
    },
    /// A number that is not finite or out of its range.
    #[error("{what} is {value}, which cannot be rendered")]
    Value {
        /// Its name.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// The embedded ranges do not parse.
    #[error("data/ranges.toml: {0}")]
    Ranges(String),
}

impl Clutter {
    /// The side that carries it.
    #[must_use]
    pub const fn side(&self) -> Side {
        match self {
            Self::Trace { .. } | Self::Via { .. } | Self::Footprint { .. } => Side::Board,
            Self::Shank { .. } => Side::Part,
            Self::Stroke { side, .. }
            | Self::Fibre { side, .. }
            | Self::Tool { side, .. }
            | Self::Dot { side, .. }
            | Self::Circle { side, .. }
            | Self::Stain { side, .. }
            | Self::Glare { side, .. } => *side,
        }
    }
}

impl Scene {
    /// The part that one side shows: that of the terminals or that of the lands.
    #[must_use]
    pub const fn pattern(&self, side: Side) -> &Part {
        match side {
            Side::Part => &self.part,
            Side::Board => &self.board,
        }
    }

    /// Pose of one side in the bench frame.
    #[must_use]
    pub const fn pose(&self, side: Side) -> &Pose {
        match side {
            Side::Part => &self.bench_from_part,
            Side::Board => &self.bench_from_board,
        }
    }

    /// Pose of the part in the board frame: the offset.
    #[must_use]
    pub fn offset(&self) -> Pose {
        self.bench_from_board.inverse().after(&self.bench_from_part)
    }
}

impl Blur {
    /// A round Gaussian.
    #[must_use]
    pub const fn round(sigma_px: f64) -> Self {
        Self { sigma_px: [sigma_px; 2], smear_px: 0.0, smear_rad: 0.0 }
    }
}

impl Surface {
    /// A surface without texture.
    #[must_use]
    pub const fn plain(brightness: f64) -> Self {
        Self { brightness, grain: 0.0, grain_mm: 0.05, mottle: 0.0, mottle_mm: 1.0, weave: None }
    }
}

impl Uneven {
    /// Even light.
    pub const NONE: Self = Self { amount: 0.0, direction_rad: 0.0, second: 0.0, second_direction_rad: 0.0, drift_rad_per_mm: [0.0; 2] };
}

impl Scatter {
    /// All sites alike.
    pub const NONE: Self = Self { brightness: 0.0, size: 0.0, place_mm: 0.0 };
}

pub(crate) fn side_as_word<S: Serializer>(side: &Side, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(side.word())
}

fn pose_as_data<S: Serializer>(pose: &Pose, serializer: S) -> Result<S::Ok, S::Error> {
    crate::truth::PoseTruth::from(pose).serialize(serializer)
}

#[derive(Serialize)]
struct PartData {
    name: String,
    body_mm: [f64; 2],
    body_centre_mm: [f64; 2],
    sites: Vec<SiteData>,
    marks: Vec<MarkData>,
}

#[derive(Serialize)]
struct SiteData {
    id: String,
    at_mm: [f64; 2],
    angle_rad: f64,
    terminal: Vec<PieceData>,
    land: Vec<PieceData>,
}

#[derive(Serialize)]
struct MarkData {
    side: &'static str,
    at_mm: [f64; 2],
    angle_rad: f64,
    piece: PieceData,
}

#[derive(Serialize)]
struct PieceData {
    shape: &'static str,
    size_mm: Vec<f64>,
    shift_mm: [f64; 2],
}

fn piece_data(piece: &Piece) -> PieceData {
    let (shape, size_mm) = match &piece.shape {
        Shape::Round { diameter_mm } => ("round", vec![*diameter_mm]),
        Shape::Rect { width_mm, length_mm } => ("rect", vec![*width_mm, *length_mm]),
        Shape::Rounded { width_mm, length_mm, radius_mm } => ("rounded", vec![*width_mm, *length_mm, *radius_mm]),
        Shape::Oval { width_mm, length_mm } => ("oval", vec![*width_mm, *length_mm]),
        Shape::Outline { corners_mm } => ("outline", corners_mm.iter().flat_map(|c| [c.x, c.y]).collect()),
    };
    PieceData { shape, size_mm, shift_mm: [piece.shift_mm.x, piece.shift_mm.y] }
}

fn part_as_data<S: Serializer>(part: &Part, serializer: S) -> Result<S::Ok, S::Error> {
    PartData {
        name: part.name.clone(),
        body_mm: part.body_mm,
        body_centre_mm: [part.body_centre_mm.x, part.body_centre_mm.y],
        sites: part
            .sites
            .iter()
            .map(|s| SiteData {
                id: s.id.clone(),
                at_mm: [s.at_mm.x, s.at_mm.y],
                angle_rad: s.angle_rad,
                terminal: s.terminal.iter().map(piece_data).collect(),
                land: s.land.iter().map(piece_data).collect(),
            })
            .collect(),
        marks: part
            .marks
            .iter()
            .map(|m| MarkData { side: m.side.word(), at_mm: [m.at_mm.x, m.at_mm.y], angle_rad: m.angle_rad, piece: piece_data(&m.piece) })
            .collect(),
    }
    .serialize(serializer)
}
