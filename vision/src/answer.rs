//! What [`crate::align()`] answers: plain values that the program prints, draws and judges.

use crate::view::PointPx;
use landfit_part::{PointMm, Pose, Side};
use nalgebra::{Matrix2, Matrix3};

/// The whole answer to one set of pictures.
#[derive(Debug, Clone)]
pub struct Alignment {
    /// The fit, or why there is none.
    pub outcome: Outcome,
    /// What the person should know besides, one sentence each.
    pub warnings: Vec<String>,
    /// Whether quarter and half turns were told apart.
    pub orientation: Orientation,
    /// What was seen of the terminals.
    pub terminals: SideFindings,
    /// What was seen of the lands.
    pub lands: SideFindings,
}

/// A fit or a refusal.
#[derive(Debug, Clone)]
pub enum Outcome {
    /// The pictures settle the offset.
    Fit(Fit),
    /// They do not.
    Refused(Refusal),
}

/// The fitted offset and where it comes from.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Pose of the part in the bench frame.
    pub bench_from_part: Pose,
    /// Pose of the land pattern in the bench frame.
    pub bench_from_board: Pose,
    /// Pose of the part in the board frame: `bench_from_board⁻¹ ∘ bench_from_part`.
    pub offset: Pose,
    /// Covariance of the offset (x mm, y mm, theta rad).
    pub covariance: Matrix3<f64>,
    /// Factor for a 95.45 % interval: 2, or Student's where the noise comes from few residuals.
    pub k: f64,
}

/// Whether the pattern or a mark told quarter and half turns apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Orientation {
    /// They were told apart.
    Settled,
    /// The pattern looks the same turned and no mark was seen: the turn nearest to nominal was taken.
    Open,
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Refusal {
    /// What holds first, in the contract's order.
    pub code: ReasonCode,
    /// Index into the bench's views of the one that shows it, where one does.
    pub view: Option<usize>,
    /// For `Turned`: how far the part is turned, degrees counter-clockwise (90, 180 or -90).
    pub turn_deg: Option<f64>,
    /// What was seen and what to do.
    pub text: String,
    /// Which way to move what is wanting, and about how far, where that can be told; the text says it, too.
    pub way: Option<Way>,
}

impl Refusal {
    /// A refusal that names no turn and no way.
    #[must_use]
    pub const fn new(code: ReasonCode, view: Option<usize>, text: String) -> Self {
        Self { code, view, turn_deg: None, text, way: None }
    }
}

/// Which way to move one side so that it comes into view, and about how far: rough, nothing to place by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// The side.
    pub side: Side,
    /// Bench frame, mm.
    pub by_mm: PointMm,
    /// Along x, along y: what `by_mm` is.
    pub how_far: [HowFar; 2],
}

/// What is known of a way along one axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HowFar {
    /// An end was seen: about so far.
    About,
    /// Both ends are out of view: the farthest that it takes, in either sense.
    EitherWay,
    /// No end was seen, but views on one side of those that show something show nothing: so far at least.
    AtLeast,
    /// Nothing tells; `by_mm` is 0.
    Unknown,
}

/// The contract's reasons, in the order in which the first that holds is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ReasonCode {
    /// Too little light.
    TooDark,
    /// Too much light.
    Saturated,
    /// Out of focus or smeared by motion.
    TooBlurred,
    /// No terminals seen.
    NoPart,
    /// No lands seen.
    NoLands,
    /// Both ends of an axis are cut off.
    OutOfView,
    /// A quarter or half turn round.
    Turned,
    /// Pitch, size, scale or count do not fit.
    WrongPattern,
    /// Two seatings a whole pitch apart explain the picture about as well.
    AmbiguousShift,
}

impl ReasonCode {
    /// The word of the JSON answer.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::TooDark => "too-dark",
            Self::Saturated => "saturated",
            Self::TooBlurred => "too-blurred",
            Self::NoPart => "no-part",
            Self::NoLands => "no-lands",
            Self::OutOfView => "out-of-view",
            Self::Turned => "turned",
            Self::WrongPattern => "wrong-pattern",
            Self::AmbiguousShift => "ambiguous-shift",
        }
    }
}

/// What was seen of one side, site by site.
#[derive(Debug, Clone, Default)]
pub struct SideFindings {
    /// One for every site whose whole predicted outline lies in view, in the part's order; empty without a fit.
    pub sites: Vec<SiteFinding>,
    /// Magnification of this side's views over the bench file's; `None` where the bench file's own was used.
    pub scale: Option<f64>,
}

/// What was seen at one site.
#[derive(Debug, Clone)]
pub struct SiteFinding {
    /// Index into the part's sites.
    pub site: usize,
    /// What stands there.
    pub state: SiteState,
    /// Index into the bench's views.
    pub view: usize,
    /// Where it was measured, raw px; `None` when absent or hidden.
    pub centre_px: Option<PointPx>,
    /// Where it was measured, bench frame, mm.
    pub centre_mm: Option<PointMm>,
    /// Covariance of `centre_mm`, mm².
    pub covariance_mm2: Matrix2<f64>,
    /// The part of it that is this site's own, from the light's noise: the rest is a doubt that others of its look share.
    pub noise_mm2: Matrix2<f64>,
    /// Measured mean diameter over the designed one; 1 where not measured.
    pub size_ratio: f64,
}

/// What stands at a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SiteState {
    /// As it should be.
    Good,
    /// Nothing there.
    Absent,
    /// Saturated, dark or covered: presence cannot be judged.
    Hidden,
    /// There, but odd.
    Suspect(SuspectKind),
}

/// In what way a feature is odd.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SuspectKind {
    /// Joined with a neighbour.
    Bridge,
    /// Smaller than designed.
    Small,
    /// Larger than designed.
    Large,
    /// Off its place in the lattice.
    Displaced,
    /// Does not look like its neighbours.
    Odd,
}

impl SuspectKind {
    /// The word of the JSON answer.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Bridge => "bridge",
            Self::Small => "small",
            Self::Large => "large",
            Self::Displaced => "displaced",
            Self::Odd => "odd",
        }
    }
}

impl Alignment {
    /// The findings of one side.
    #[must_use]
    pub const fn side(&self, side: Side) -> &SideFindings {
        match side {
            Side::Part => &self.terminals,
            Side::Board => &self.lands,
        }
    }

    /// Whether nothing in view stands in the way: no terminal or land absent, bridged or hidden.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        let blocks = |f: &SiteFinding| matches!(f.state, SiteState::Absent | SiteState::Hidden | SiteState::Suspect(SuspectKind::Bridge));
        !self.terminals.sites.iter().chain(&self.lands.sites).any(blocks)
    }
}
