//! The kinds of scenes that studies are made of: what is rendered, what the finder is told, what it should answer.

pub mod arrangements;
pub mod ugly;

use crate::bench_draw::{draw_lights, draw_optics, overhang_px, state_optics};
use crate::look_draw::{Busyness, Families, draw_board_look, draw_clutter, draw_part_look, draw_signed, set_exposure};
use crate::part_draw::{Depopulation, GridPlan};
use crate::ranges::{Ranges, Sizes, Span, reference_ranges};
use crate::scene::{Clutter, Defect, DefectKind, Noise, Optics, Scene, SceneError, Sensor, Surface};
use arrangements::Arrangement;
use landfit_part::{Part, PointMm, Pose, Side};
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use settled::fits_turned;
use ugly::Ugly;

mod settled;
mod terminals;
pub use terminals::TerminalKind;

/// A kind of scene.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SceneKind {
    /// Everything as the reference names it and nothing worse: mask openings and highlights sit centred, rings have sharp edges.
    GoodLight,
    /// Good light on boards and balls as they come: mask openings off their lands, highlights off centre, rings of soft edge.
    OffCentre,
    /// Vias at half pitch, traces, flux stains, dust.
    ViasAndStains,
    /// Balls missing, bridged, small, large, displaced, hidden; a land missing.
    Defects,
    /// 5 % of full scale.
    LowLight,
    /// Ring unevenness 60 %.
    UnevenRing,
    /// 0.4 mm pitch.
    Pitch04,
    /// 1.27 mm pitch.
    Pitch127,
    /// Offsets to 1.5 pitches, turns to 8 degrees, some partly out of view.
    FarOffset,
    /// No part, or one without terminals.
    NoPart,
    /// A board without lands.
    NoLands,
    /// Nothing at all.
    Blank,
    /// Blurred or moved by a good part of the pitch.
    Smeared,
    /// A part of another pitch than the part file's.
    WrongPitch,
    /// A part with one row or column less.
    OneRowTooFew,
    /// A part turned by a quarter or half.
    Turned,
    /// A pattern larger than the picture along both axes.
    EdgesOutOfView,
    /// Other terminals than balls on a square grid.
    Terminals(TerminalKind),
    /// A bench that looks at the two sides in another way.
    Arranged(Arrangement),
    /// Good light, spoilt by one thing.
    Ugly(Ugly),
}

/// What an honest finder answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Expectation {
    /// The offset.
    Answer,
    /// A refusal with one of these codes.
    Refuse(Vec<Code>),
    /// The offset, if it is right, or a refusal with one of these codes.
    Either(Vec<Code>),
}

/// The reasons for a refusal that are expected of rendered scenes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Code {
    /// Too little light.
    TooDark,
    /// Out of focus or smeared.
    TooBlurred,
    /// No terminals seen.
    NoPart,
    /// No lands seen.
    NoLands,
    /// Both ends of an axis cut off.
    OutOfView,
    /// A quarter or half turn round.
    Turned,
    /// Pitch, size, scale or count do not fit.
    WrongPattern,
    /// Two seatings explain the picture about as well.
    AmbiguousShift,
}

/// One random scene of a kind.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// What is rendered.
    pub scene: Scene,
    /// What the bench file states of the optics: the true ones but for a small error of the tints.
    pub stated: Optics,
    /// What the part file says; may differ from the part that is rendered.
    pub part: Part,
    /// What an honest finder answers.
    pub expectation: Expectation,
    /// Whether the bench file takes the scale from the pattern, and by how much the sides' ratio may differ.
    pub scale_from_pattern: Option<f64>,
}

impl Code {
    /// The word of the answer's JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::TooDark => "too-dark",
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

impl SceneKind {
    /// Every kind but the ugly ones ([`Ugly::ALL`]), those to be answered first.
    pub const ALL: [Self; 42] = [
        Self::GoodLight,
        Self::OffCentre,
        Self::ViasAndStains,
        Self::Defects,
        Self::LowLight,
        Self::UnevenRing,
        Self::Pitch04,
        Self::Pitch127,
        Self::FarOffset,
        Self::NoPart,
        Self::NoLands,
        Self::Blank,
        Self::Smeared,
        Self::WrongPitch,
        Self::OneRowTooFew,
        Self::Turned,
        Self::EdgesOutOfView,
        Self::Terminals(TerminalKind::Qfp05),
        Self::Terminals(TerminalKind::Qfp04),
        Self::Terminals(TerminalKind::Qfn05),
        Self::Terminals(TerminalKind::Few),
        Self::Terminals(TerminalKind::Staggered),
        Self::Terminals(TerminalKind::TwoPitches),
        Self::Terminals(TerminalKind::Pieces),
        Self::Terminals(TerminalKind::Defects),
        Self::Terminals(TerminalKind::Turned),
        Self::Terminals(TerminalKind::WrongPitch),
        Self::Terminals(TerminalKind::TooFew),
        Self::Terminals(TerminalKind::NoPart),
        Self::Terminals(TerminalKind::OutOfView),
        Self::Arranged(Arrangement::ALL[0]),
        Self::Arranged(Arrangement::ALL[1]),
        Self::Arranged(Arrangement::ALL[2]),
        Self::Arranged(Arrangement::ALL[3]),
        Self::Arranged(Arrangement::ALL[4]),
        Self::Arranged(Arrangement::ALL[5]),
        Self::Arranged(Arrangement::ALL[6]),
        Self::Arranged(Arrangement::ALL[7]),
        Self::Arranged(Arrangement::ALL[8]),
        Self::Arranged(Arrangement::ALL[9]),
        Self::Terminals(TerminalKind::Three),
        Self::Terminals(TerminalKind::UnknownScale),
    ];

    /// Its name in lists and options.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::GoodLight => "good-light",
            Self::OffCentre => "off-centre",
            Self::ViasAndStains => "vias-and-stains",
            Self::Defects => "defects",
            Self::LowLight => "low-light",
            Self::UnevenRing => "uneven-ring",
            Self::Pitch04 => "pitch-0.4",
            Self::Pitch127 => "pitch-1.27",
            Self::FarOffset => "far-offset",
            Self::NoPart => "no-part",
            Self::NoLands => "no-lands",
            Self::Blank => "blank",
            Self::Smeared => "smeared",
            Self::WrongPitch => "wrong-pitch",
            Self::OneRowTooFew => "one-row-too-few",
            Self::Turned => "turned",
            Self::EdgesOutOfView => "edges-out-of-view",
            Self::Terminals(kind) => kind.word(),
            Self::Arranged(arrangement) => arrangement.word(),
            Self::Ugly(ugly) => ugly.word(),
        }
    }

    /// What an honest finder answers to this kind.
    #[must_use]
    pub fn expectation(self) -> Expectation {
        match self {
            Self::GoodLight
            | Self::OffCentre
            | Self::ViasAndStains
            | Self::Defects
            | Self::LowLight
            | Self::UnevenRing
            | Self::Pitch04
            | Self::Pitch127
            | Self::FarOffset => Expectation::Answer,
            // Light that leaks and is not told of pulls the most there, and the picture does not always show how much.
            Self::Ugly(Ugly::OverLandsCrosstalk) => Expectation::Either(vec![Code::AmbiguousShift]),
            Self::Ugly(_) => Expectation::Answer,
            Self::NoPart => Expectation::Refuse(vec![Code::NoPart]),
            Self::NoLands => Expectation::Refuse(vec![Code::NoLands]),
            Self::Blank => Expectation::Refuse(vec![Code::TooDark, Code::NoPart]),
            Self::Smeared => Expectation::Refuse(vec![Code::TooBlurred, Code::NoPart]),
            Self::WrongPitch => Expectation::Refuse(vec![Code::WrongPattern, Code::NoPart]),
            Self::OneRowTooFew => Expectation::Refuse(vec![Code::WrongPattern, Code::AmbiguousShift]),
            Self::Turned => Expectation::Refuse(vec![Code::Turned]),
            Self::EdgesOutOfView => Expectation::Refuse(vec![Code::OutOfView, Code::AmbiguousShift]),
            Self::Terminals(kind) => kind.expectation(),
            Self::Arranged(arrangement) => arrangement.expectation(),
        }
    }
}

/// A random scene of a kind. The same kind and seed give the same scene.
///
/// # Errors
/// [`SceneError::Ranges`] when the embedded ranges do not parse; the others of [`crate::render`] cannot happen with them.
pub fn draw(kind: SceneKind, seed: u64) -> Result<Drawn, SceneError> {
    if let SceneKind::Arranged(arrangement) = kind {
        return arrangements::draw(arrangement, seed);
    }
    if let SceneKind::Ugly(ugly) = kind {
        return ugly::draw(ugly, seed);
    }
    let ranges = reference_ranges()?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(7_000 + SceneKind::ALL.iter().position(|k| *k == kind).unwrap_or(0) as u64);
    let rng = &mut rng;
    if let SceneKind::Terminals(kind) = kind {
        return terminals::draw(ranges, kind, rng);
    }
    draw_grid(ranges, kind, rng)
}

/// A random scene of balls on a grid of their own pitch.
fn draw_grid(ranges: &Ranges, kind: SceneKind, rng: &mut ChaCha8Rng) -> Result<Drawn, SceneError> {
    let um_per_px = ranges.camera.um_per_px.draw(rng);
    let optics = draw_optics(ranges, um_per_px, rng);
    let Set { plan, rendered, board, bench_from_part, bench_from_board } = lay_out(ranges, kind, &optics, um_per_px, rng)?;
    let stated = state_optics(ranges, &optics, rng);
    let families = match kind {
        SceneKind::UnevenRing => Families::Rings,
        SceneKind::Ugly(Ugly::DarkBalls) => Families::Dark,
        _ => Families::All,
    };
    let part_look = draw_part_look(ranges, families, rng);
    let board_look = draw_board_look(ranges, rng);
    let busyness = match kind {
        SceneKind::ViasAndStains => Busyness::Busy,
        SceneKind::NoLands => Busyness::WithoutLands,
        _ => Busyness::Usual,
    };
    let part = plan.part();
    let clutter = draw_clutter(ranges, &plan, &part, (&part_look, &board_look), busyness, rng);
    let lights = draw_lights(ranges, optics.views.len(), rng);
    let sensor = draw_sensor(ranges, rng);
    let (rendered, board) = off_nominal(ranges, rendered, board, rng);
    let mut scene = Scene {
        part: rendered,
        board,
        bench_from_part,
        bench_from_board,
        optics,
        lights,
        part_look,
        board_look,
        defects: Vec::new(),
        clutter,
        sensor,
        seed: rng.random(),
    };
    specialise(ranges, kind, &plan, &mut scene, rng);
    Ok(Drawn { scene, stated, part, expectation: kind.expectation(), scale_from_pattern: None })
}

/// The camera's noise, vignetting and stray light.
fn draw_sensor(ranges: &Ranges, rng: &mut ChaCha8Rng) -> Sensor {
    Sensor {
        noise: Some(Noise { full_well_e: ranges.camera.full_well_e, read_noise_e: ranges.camera.read_noise_e }),
        vignetting: ranges.camera.vignetting.draw(rng),
        stray: ranges.camera.stray.draw(rng),
        spoils: Vec::new(),
    }
}

/// Which parts lie where.
struct Set {
    plan: GridPlan,
    rendered: Part,
    board: Part,
    bench_from_part: Pose,
    bench_from_board: Pose,
}

/// Draws a part and its poses, and takes rows and columns away until everything that must be in view is.
fn lay_out(ranges: &Ranges, kind: SceneKind, optics: &Optics, um_per_px: f64, rng: &mut ChaCha8Rng) -> Result<Set, SceneError> {
    let sizes = draw_sizes(ranges, kind, rng);
    let mut plan = GridPlan::draw(&ranges.pattern, &sizes, rng);
    match kind {
        SceneKind::Turned => {
            plan.columns = plan.rows;
            // A1's corner alone is cut, by enough that no missing ball explains it
            plan.depopulation = Depopulation::Corners { size: [rng.random_range(2..=3), 0, 0, 0] };
        }
        SceneKind::EdgesOutOfView => {
            let [width, height] = ranges.camera.size_px.map(f64::from);
            let longest_mm = width.hypot(height) * um_per_px / 1000.0 + 2.0;
            plan.rows = (longest_mm / plan.pitch_mm) as usize + rng.random_range(4..=8);
            plan.columns = (longest_mm / plan.pitch_mm) as usize + rng.random_range(4..=8);
            plan.depopulation = Depopulation::None;
        }
        _ => {}
    }
    let wrong_pitch = (kind == SceneKind::WrongPitch).then(|| other_pitch(ranges, sizes.pitch_mm, rng));
    let both_wrong = rng.random_bool(0.25);
    let recentred = rng.random_bool(0.5);
    let short_rows = rng.random_bool(0.5);
    let (bench_from_part, bench_from_board) = draw_poses(ranges, kind, sizes.pitch_mm, rng);
    loop {
        let nominal = plan.part();
        let mut set = Set { rendered: nominal.clone(), board: nominal, plan: plan.clone(), bench_from_part, bench_from_board };
        if let Some(pitch_mm) = wrong_pitch {
            set.rendered = GridPlan { pitch_mm, ..plan.clone() }.part();
            if both_wrong {
                set.board = set.rendered.clone();
            }
        }
        if kind == SceneKind::OneRowTooFew {
            set.rendered = one_row_less(&plan, short_rows, recentred);
        }
        if kind == SceneKind::EdgesOutOfView {
            return Ok(set);
        }
        let part = overhang_px(optics, Side::Part, &set.rendered, &bench_from_part)?;
        let board = overhang_px(optics, Side::Board, &set.board, &bench_from_board)?;
        // The empty row and one more must fit into the picture: a row that may lie just outside it is no row too few.
        // Of a footprint beside, at most two pitches away, at least one row must be seen.
        let room_pitches = match kind {
            SceneKind::OneRowTooFew => 1.5,
            SceneKind::Ugly(Ugly::FootprintBeside) => 2.5,
            _ => 0.0,
        };
        let row_px = room_pitches * plan.pitch_mm * 1000.0 / um_per_px;
        let worst = [0, 1, 2, 3].map(|edge| part[edge].max(board[edge]) + ranges.pattern.edge_px + row_px);
        if worst.iter().all(|w| *w <= 0.0) || plan.rows.min(plan.columns) <= 4 {
            if kind == SceneKind::FarOffset && rng.random_bool(ranges.kinds.far_cut_share) {
                let whole = (set.bench_from_part, set.bench_from_board);
                for _ in 0..MOST_CUTS {
                    cut_off_one_end(ranges, optics, &mut set, rng)?;
                    let fits = [(Side::Part, &set.rendered, set.bench_from_part), (Side::Board, &set.board, set.bench_from_board)];
                    if !fits
                        .into_iter()
                        .map(|(side, part, pose)| fits_turned(optics, side, part, &pose))
                        .collect::<Result<Vec<_>, _>>()?
                        .contains(&true)
                    {
                        return Ok(set);
                    }
                    (set.bench_from_part, set.bench_from_board) = whole;
                }
            }
            return Ok(set);
        }
        // a camera that is mounted a quarter turn round swaps which of the two is too long
        if plan.rows >= plan.columns {
            plan.rows -= 1;
        } else {
            plan.columns -= 1;
        }
    }
}

fn draw_sizes(ranges: &Ranges, kind: SceneKind, rng: &mut ChaCha8Rng) -> Sizes {
    let all = &ranges.pattern.sizes;
    let pick = |wanted: f64| all.iter().find(|s| (s.pitch_mm - wanted).abs() < 1e-9).copied();
    let chosen = match kind {
        SceneKind::Pitch04 => pick(0.4),
        SceneKind::Pitch127 => pick(1.27),
        _ => None,
    };
    chosen.unwrap_or_else(|| {
        let middle: Vec<&Sizes> = all.iter().filter(|s| s.pitch_mm > 0.45 && s.pitch_mm < 1.1).collect();
        *middle[rng.random_range(0..middle.len())]
    })
}

/// Another usual pitch, near enough to be taken for the right one at a glance.
fn other_pitch(ranges: &Ranges, pitch_mm: f64, rng: &mut ChaCha8Rng) -> f64 {
    let near = |p: &f64| (p / pitch_mm - 1.0).abs() > 0.02 && (0.7..1.4).contains(&(p / pitch_mm));
    let others: Vec<f64> = ranges.pattern.sizes.iter().map(|s| s.pitch_mm).filter(near).collect();
    others[rng.random_range(0..others.len())]
}

fn one_row_less(plan: &GridPlan, in_rows: bool, recentred: bool) -> Part {
    let mut short = plan.clone();
    if in_rows {
        short.rows -= 1;
    } else {
        short.columns -= 1;
    }
    if recentred {
        return short.part();
    }
    // the same places, but nothing in the last row or column
    let mut part = plan.part();
    let edge = |axis: f64, last: f64| (axis - last).abs() < 0.25 * plan.pitch_mm;
    let last = [(plan.columns - 1) as f64 / 2.0 * plan.pitch_mm, -((plan.rows - 1) as f64) / 2.0 * plan.pitch_mm];
    let sites = part.sites.len();
    part.sites.retain(|s| if in_rows { !edge(s.at_mm.y, last[1]) } else { !edge(s.at_mm.x, last[0]) });
    // Two terminals that are gone from a row of two are two that are missing, not a row.
    if sites - part.sites.len() < 3 { short.part() } else { part }
}

fn draw_poses(ranges: &Ranges, kind: SceneKind, pitch_mm: f64, rng: &mut ChaCha8Rng) -> (Pose, Pose) {
    let r = &ranges.pose;
    let bench_from_board = Pose::new(r.board_mm.draw(rng), r.board_mm.draw(rng), r.board_deg.draw(rng).to_radians());
    let offset = if kind == SceneKind::FarOffset {
        let far = PointMm::new(ranges.kinds.far_pitches.draw(rng) * pitch_mm, 0.0).rotated(rng.random_range(0.0..std::f64::consts::TAU));
        Pose::new(far.x, far.y, draw_signed(ranges.kinds.far_deg, rng).to_radians())
    } else {
        let theta_rad = r.offset_deg.draw(rng).to_radians();
        let quarters = if kind == SceneKind::Turned { f64::from(rng.random_range(1..=3)) } else { 0.0 };
        let theta_rad = theta_rad + quarters * std::f64::consts::FRAC_PI_2;
        Pose::new(r.offset_pitches.draw(rng) * pitch_mm, r.offset_pitches.draw(rng) * pitch_mm, theta_rad)
    };
    (bench_from_board.after(&offset), bench_from_board)
}

/// A pattern that no cut leaves settled stays whole.
const MOST_CUTS: usize = 8;

/// Moves both sides along one axis of the picture until one end of the pattern runs out of it.
fn cut_off_one_end(ranges: &Ranges, optics: &Optics, set: &mut Set, rng: &mut ChaCha8Rng) -> Result<(), SceneError> {
    let edge = rng.random_range(0..4_usize);
    let part = overhang_px(optics, Side::Part, &set.rendered, &set.bench_from_part)?;
    let board = overhang_px(optics, Side::Board, &set.board, &set.bench_from_board)?;
    let sight = crate::sight::Sight::new(optics, 0)?;
    let beyond_px = ranges.kinds.far_cut_pitches.draw(rng) * set.plan.pitch_mm * sight.px_per_mm(PointMm::ZERO);
    // the farther of the two sides comes to lie beyond the edge by this much
    let move_px = beyond_px - part[edge].max(board[edge]);
    let towards = [[-1.0, 0.0], [0.0, -1.0], [1.0, 0.0], [0.0, 1.0]][edge].map(|d| d * move_px);
    let [width, height] = optics.frame.size_px.map(f64::from);
    let middle = [width / 2.0, height / 2.0];
    let shift = sight.mm([middle[0] + towards[0], middle[1] + towards[1]]) - sight.mm(middle);
    for pose in [&mut set.bench_from_part, &mut set.bench_from_board] {
        *pose = Pose::new(pose.x_mm + shift.x, pose.y_mm + shift.y, pose.theta_rad);
    }
    Ok(())
}

/// True terminals and lands differ a little from the part file's.
fn off_nominal(ranges: &Ranges, mut rendered: Part, mut board: Part, rng: &mut ChaCha8Rng) -> (Part, Part) {
    let scale = |pieces: &mut [landfit_part::Piece], factor: f64| {
        for piece in pieces {
            if let landfit_part::Shape::Round { diameter_mm } = &mut piece.shape {
                *diameter_mm *= factor;
            }
        }
    };
    let (terminal, land) = (ranges.pattern.terminal_size.draw(rng), ranges.pattern.land_size.draw(rng));
    rendered.sites.iter_mut().for_each(|s| scale(&mut s.terminal, terminal));
    board.sites.iter_mut().for_each(|s| scale(&mut s.land, land));
    (rendered, board)
}

/// Takes away what shifts an edge for reasons of the board or the ball: what is left is what the reference scene names.
fn centre_everything(ranges: &Ranges, scene: &mut Scene) {
    if let Some(ring) = scene.part_look.terminals.as_mut().and_then(|t| t.ring.as_mut()) {
        ring.soft = ring.soft.min(ranges.kinds.sharp_ring);
    }
    if let Some(lands) = &mut scene.board_look.lands {
        lands.opening_shift_mm = [0.0; 2];
        if let Some(highlight) = &mut lands.highlight {
            highlight.at = [0.0; 2];
        }
    }
}

/// What makes the kind, besides part and poses.
fn specialise(ranges: &Ranges, kind: SceneKind, plan: &GridPlan, scene: &mut Scene, rng: &mut ChaCha8Rng) {
    let peak = ranges.camera.peak;
    match kind {
        SceneKind::GoodLight | SceneKind::Ugly(_) => centre_everything(ranges, scene),
        SceneKind::UnevenRing => {
            if let Some(terminals) = &mut scene.part_look.terminals {
                terminals.uneven.amount = ranges.kinds.uneven;
            }
        }
        SceneKind::Defects => add_defects(ranges, plan, scene, rng),
        SceneKind::NoPart => take_part_away(scene, rng),
        SceneKind::NoLands => scene.board_look.lands = None,
        SceneKind::Blank => make_blank(ranges, scene, rng),
        SceneKind::Smeared => {
            let px_per_pitch = plan.pitch_mm * scene.optics.views[0].px_per_mm();
            let is_motion = rng.random_bool(0.3);
            let (sigma, length) = (ranges.kinds.smear_pitches.draw(rng), ranges.kinds.motion_pitches.draw(rng));
            let smear_rad = rng.random_range(0.0..std::f64::consts::PI);
            for light in &mut scene.lights {
                if is_motion {
                    light.blur.smear_px = length * px_per_pitch;
                    light.blur.smear_rad = smear_rad;
                    light.blur.sigma_px = [0.35 * px_per_pitch; 2];
                } else {
                    light.blur.sigma_px = [sigma * px_per_pitch; 2];
                }
            }
        }
        _ => {}
    }
    match kind {
        SceneKind::LowLight => set_exposure(scene, ranges.kinds.low_light, true),
        SceneKind::Blank => {}
        _ => set_exposure(scene, peak, false),
    }
    if kind == SceneKind::LowLight {
        scene.sensor.stray *= ranges.kinds.low_light;
    }
}

fn take_part_away(scene: &mut Scene, rng: &mut ChaCha8Rng) {
    scene.part_look.terminals = None;
    scene.clutter.retain(|c| c.side() == Side::Board);
    if rng.random_bool(0.2) {
        // a body without terminals is held
        return;
    }
    scene.part_look.body = None;
    if rng.random_bool(0.6) {
        let brightness = scene.part_look.surround.brightness;
        for diameter_mm in [rng.random_range(1.0..2.0), rng.random_range(3.0..7.0)] {
            let (side, at_mm, width_mm) = (Side::Part, [0.1, -0.2], rng.random_range(0.05..0.3));
            scene.clutter.push(Clutter::Circle {
                side,
                at_mm,
                diameter_mm,
                width_mm,
                brightness: brightness + rng.random_range(0.02..0.25),
            });
        }
    }
}

fn make_blank(ranges: &Ranges, scene: &mut Scene, rng: &mut ChaCha8Rng) {
    scene.part_look.terminals = None;
    scene.part_look.body = None;
    scene.board_look.lands = None;
    scene.clutter.clear();
    let is_dark = rng.random_bool(0.5);
    let grey = |surface: &mut Surface, rng: &mut ChaCha8Rng| {
        let brightness = if is_dark { rng.random_range(0.0..0.01) } else { ranges.kinds.blank_grey.draw(rng) };
        *surface = Surface { brightness, grain: rng.random_range(0.0..0.02), mottle: rng.random_range(0.0..0.05), ..Surface::plain(0.0) };
    };
    grey(&mut scene.part_look.surround, rng);
    grey(&mut scene.board_look.mask, rng);
}

fn add_defects(ranges: &Ranges, plan: &GridPlan, scene: &mut Scene, rng: &mut ChaCha8Rng) {
    let r = &ranges.defects;
    let mut free: Vec<usize> = (0..scene.part.sites.len()).collect();
    free.shuffle(rng);
    let sites = scene.part.sites.clone();
    let mut taken: Vec<PointMm> = Vec::new();
    // defects keep two pitches from each other, so that each shows what it is
    let mut take = |needs_neighbour: bool| {
        let mut neighbour = None;
        let at = free.iter().position(|i| {
            let place = sites[*i].at_mm;
            neighbour = sites.iter().position(|s| (s.at_mm.distance(place) - plan.pitch_mm).abs() < 1e-6 && s.at_mm.x >= place.x);
            taken.iter().all(|t| t.distance(place) > 2.1 * plan.pitch_mm) && (!needs_neighbour || neighbour.is_some())
        })?;
        let site = free.swap_remove(at);
        taken.push(sites[site].at_mm);
        if let (true, Some(n)) = (needs_neighbour, neighbour) {
            taken.push(sites[n].at_mm);
        }
        Some((sites[site].id.clone(), neighbour.map(|n| sites[n].id.clone())))
    };
    let mut defects = Vec::new();
    let glare = 0.55 * plan.ball_mm;
    let mut add = |count: Span,
                   side: Side,
                   needs_neighbour: bool,
                   make: &dyn Fn(&mut ChaCha8Rng, Option<String>) -> DefectKind,
                   rng: &mut ChaCha8Rng| {
        for _ in 0..count.draw_count(rng) {
            if let Some((site, neighbour)) = take(needs_neighbour) {
                defects.push(Defect { side, site, kind: make(rng, neighbour) });
            }
        }
    };
    add(r.bridged, Side::Part, true, &|rng, to| DefectKind::Bridged { to: to.unwrap_or_default(), width: r.bridge_width.draw(rng) }, rng);
    add(r.missing, Side::Part, false, &|_, _| DefectKind::Missing, rng);
    add(r.small, Side::Part, false, &|rng, _| DefectKind::Size { ratio: r.small_ratio.draw(rng) }, rng);
    add(r.large, Side::Part, false, &|rng, _| DefectKind::Size { ratio: r.large_ratio.draw(rng) }, rng);
    add(
        r.displaced,
        Side::Part,
        false,
        &|rng, _| {
            let by = PointMm::new(r.displaced_pitches.draw(rng) * plan.pitch_mm, 0.0).rotated(rng.random_range(0.0..std::f64::consts::TAU));
            DefectKind::Displaced { by_mm: [by.x, by.y] }
        },
        rng,
    );
    add(r.hidden, Side::Part, false, &|rng, _| DefectKind::Hidden { brightness: rng.random_range(1.5..3.0), sigma_mm: glare }, rng);
    add(r.land_missing, Side::Board, false, &|_, _| DefectKind::Missing, rng);
    let bridge =
        |rng: &mut ChaCha8Rng, to: Option<String>| DefectKind::Bridged { to: to.unwrap_or_default(), width: r.bridge_width.draw(rng) };
    add(r.land_bridged, Side::Board, true, &bridge, rng);
    scene.defects = defects;
}
