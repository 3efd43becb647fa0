//! Kinds of scenes that differ in how a bench looks: exposures, regions, lens, scale, one light for both sides.
//!
//! Parts and looks are those of good light, so that a figure tells of the arrangement and not of mask openings.

use super::{Code, Drawn, Expectation, SceneKind, Set, centre_everything, draw_sensor, lay_out, off_nominal, other_pitch};
use crate::bench_draw::{draw_lights, draw_optics, state_optics};
use crate::look_draw::{Busyness, Families, draw_board_look, draw_clutter, draw_part_look, draw_signed, set_exposure};
use crate::part_draw::{Depopulation, GridPlan};
use crate::ranges::{Ranges, Span, reference_ranges};
use crate::scene::{Frame, Lens, Optics, RegionPx, Scene, SceneError, View};
use crate::sight::Sight;
use landfit_part::{PointMm, Pose, Side};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How the bench of a scene looks at the two sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Arrangement {
    /// Each side lit in turn, two grey pictures.
    TwoExposures,
    /// The same in colour.
    TwoColourExposures,
    /// Both sides in one picture in the same light, seen at least 20 µm apart.
    OneLight,
    /// The same, seen less than 20 µm apart: right or refused.
    OneLightAtRest,
    /// 34 x 34 of 1.0 mm, four corners side by side.
    CornerRegions,
    /// The same with a bench file that has one region 50 µm or more off.
    ShiftedRegion,
    /// Tilt to half a degree, k1 to ±0.05.
    TiltAndLens,
    /// Zoom unknown within ±30 %, the board's height within ±1 mm.
    PatternScale,
    /// The same with a part of another pitch over the right lands.
    PatternScaleOtherPitch,
    /// 16 bits or 8, black and white level, gamma.
    Levels,
}

impl Arrangement {
    /// Every arrangement.
    pub const ALL: [Self; 10] = [
        Self::TwoExposures,
        Self::TwoColourExposures,
        Self::OneLight,
        Self::OneLightAtRest,
        Self::CornerRegions,
        Self::ShiftedRegion,
        Self::TiltAndLens,
        Self::PatternScale,
        Self::PatternScaleOtherPitch,
        Self::Levels,
    ];

    /// Its name in lists and options.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::TwoExposures => "two-exposures",
            Self::TwoColourExposures => "two-colour-exposures",
            Self::OneLight => "one-light",
            Self::OneLightAtRest => "one-light-at-rest",
            Self::CornerRegions => "corner-regions",
            Self::ShiftedRegion => "shifted-region",
            Self::TiltAndLens => "tilt-and-lens",
            Self::PatternScale => "pattern-scale",
            Self::PatternScaleOtherPitch => "pattern-scale-other-pitch",
            Self::Levels => "levels",
        }
    }

    /// What an honest finder answers.
    #[must_use]
    pub fn expectation(self) -> Expectation {
        match self {
            Self::OneLightAtRest => Expectation::Either(vec![Code::AmbiguousShift]),
            Self::ShiftedRegion => Expectation::Refuse(vec![Code::WrongPattern]),
            Self::PatternScaleOtherPitch => Expectation::Refuse(vec![Code::WrongPattern]),
            _ => Expectation::Answer,
        }
    }
}

/// A random scene of an arrangement. The same arrangement and seed give the same scene.
pub(super) fn draw(arrangement: Arrangement, seed: u64) -> Result<Drawn, SceneError> {
    let ranges = reference_ranges()?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(7_500 + Arrangement::ALL.iter().position(|a| *a == arrangement).unwrap_or(0) as u64);
    let rng = &mut rng;

    let um_per_px = ranges.camera.um_per_px.draw(rng);
    let mut optics = draw_optics(ranges, um_per_px, rng);
    let mut stated_views = None;
    match arrangement {
        Arrangement::TwoExposures => in_two_exposures(&mut optics, true, rng),
        Arrangement::TwoColourExposures => in_two_exposures(&mut optics, false, rng),
        Arrangement::OneLight | Arrangement::OneLightAtRest => in_one_light(&mut optics, rng),
        Arrangement::CornerRegions | Arrangement::ShiftedRegion => in_corner_regions(ranges, &mut optics, um_per_px, rng),
        Arrangement::TiltAndLens => with_tilt_and_lens(ranges, &mut optics, rng),
        Arrangement::PatternScale | Arrangement::PatternScaleOtherPitch => {
            stated_views = Some(optics.views.clone());
            with_unknown_scale(ranges, &mut optics, rng);
        }
        Arrangement::Levels => optics.frame = draw_levels(optics.frame, rng),
    }
    let um_per_px = 1000.0 / Sight::new(&optics, 0)?.px_per_mm(PointMm::ZERO);
    let Set { plan, mut rendered, board, mut bench_from_part, bench_from_board } = match arrangement {
        Arrangement::CornerRegions | Arrangement::ShiftedRegion => large_part(ranges, rng),
        _ => lay_out(ranges, SceneKind::GoodLight, &optics, um_per_px, rng)?,
    };
    match arrangement {
        Arrangement::OneLight => {
            let most_mm = 0.5 * plan.pitch_mm;
            let apart_mm = ranges.arrangements.one_light_from_mm * (most_mm / ranges.arrangements.one_light_from_mm).powf(rng.random());
            set_apart(&optics, &mut bench_from_part, &bench_from_board, apart_mm, rng)?;
        }
        Arrangement::OneLightAtRest => {
            let apart_mm = ranges.arrangements.one_light_from_mm * rng.random::<f64>();
            set_apart(&optics, &mut bench_from_part, &bench_from_board, apart_mm, rng)?;
        }
        Arrangement::PatternScaleOtherPitch => {
            rendered = GridPlan { pitch_mm: other_pitch(ranges, plan.pitch_mm, rng), ..plan.clone() }.part();
        }
        _ => {}
    }
    let part = plan.part();
    let part_look = draw_part_look(ranges, Families::All, rng);
    let board_look = draw_board_look(ranges, rng);
    let clutter = draw_clutter(ranges, &plan, &part, (&part_look, &board_look), Busyness::Usual, rng);
    let lights = draw_lights(ranges, optics.views.len(), rng);
    let sensor = draw_sensor(ranges, rng);
    let (rendered, board) = off_nominal(ranges, rendered, board, rng);
    let stated = state(ranges, arrangement, &optics, stated_views, rng);
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
    centre_everything(ranges, &mut scene);
    set_exposure(&mut scene, ranges.camera.peak, false);
    let scale_from_pattern = matches!(arrangement, Arrangement::PatternScale | Arrangement::PatternScaleOtherPitch)
        .then_some(ranges.arrangements.scale_may_differ);
    Ok(Drawn { scene, stated, part, expectation: arrangement.expectation(), scale_from_pattern })
}

/// What the bench file says of the true optics.
fn state(ranges: &Ranges, arrangement: Arrangement, optics: &Optics, views: Option<Vec<View>>, rng: &mut ChaCha8Rng) -> Optics {
    let mut stated = state_optics(ranges, optics, rng);
    if optics.frame.channels == 1 {
        stated.views.iter_mut().for_each(|v| v.tint = [1.0; 3]);
    } else if matches!(arrangement, Arrangement::OneLight | Arrangement::OneLightAtRest) {
        // one light has one tint, however well it is known
        let tint = stated.views[0].tint;
        stated.views.iter_mut().for_each(|v| v.tint = tint);
    }
    if let Some(views) = views {
        for (view, before) in stated.views.iter_mut().zip(views) {
            view.px_from_mm = before.px_from_mm;
        }
    }
    if arrangement == Arrangement::ShiftedRegion {
        let off_mm =
            PointMm::new(draw_signed(ranges.arrangements.region_off_mm, rng), 0.0).rotated(rng.random_range(0.0..std::f64::consts::TAU));
        let region = stated.views[rng.random_range(0..stated.views.len())].region_px;
        for view in stated.views.iter_mut().filter(|v| v.region_px == region) {
            view.px_from_mm = times(&view.px_from_mm, &[[1.0, 0.0, off_mm.x], [0.0, 1.0, off_mm.y], [0.0, 0.0, 1.0]]);
        }
    }
    stated
}

fn in_two_exposures(optics: &mut Optics, is_grey: bool, rng: &mut ChaCha8Rng) {
    let first = usize::from(rng.random_bool(0.3));
    for (i, view) in optics.views.iter_mut().enumerate() {
        view.exposure = if i == 0 { first } else { 1 - first };
        if is_grey {
            view.tint = [rng.random_range(0.7..1.0); 3];
        }
    }
    if is_grey {
        optics.frame.channels = 1;
    }
}

/// One light on both sides; half of the benches show both sides through the very same optics.
fn in_one_light(optics: &mut Optics, rng: &mut ChaCha8Rng) {
    if rng.random_bool(0.5) {
        optics.frame.channels = 1;
        optics.views.iter_mut().for_each(|v| v.tint = [0.9; 3]);
    } else {
        let tint = [rng.random_range(0.4..1.0), rng.random_range(0.4..1.0), rng.random_range(0.4..1.0)];
        optics.views.iter_mut().for_each(|v| v.tint = tint);
    }
    if rng.random_bool(0.5) {
        optics.views[1].px_from_mm = optics.views[0].px_from_mm;
    }
}

/// Moves the part until the two patterns' origins are seen `apart_mm` from each other.
fn set_apart(optics: &Optics, part: &mut Pose, board: &Pose, apart_mm: f64, rng: &mut ChaCha8Rng) -> Result<(), SceneError> {
    let (of_part, of_board) = (Sight::new(optics, 0)?, Sight::new(optics, 1)?);
    let apart = PointMm::new(apart_mm, 0.0).rotated(rng.random_range(0.0..std::f64::consts::TAU));
    let at = of_part.mm(of_board.px(board.shift() + apart));
    *part = Pose::new(at.x, at.y, part.theta_rad);
    Ok(())
}

/// Four quadrants of the picture, each with a corner of the part; in two lights or in two exposures.
fn in_corner_regions(ranges: &Ranges, optics: &mut Optics, um_per_px: f64, rng: &mut ChaCha8Rng) {
    let [width, height] = optics.frame.size_px;
    let half_mm = (f64::from(ranges.arrangements.large_rows) - 1.0) / 2.0 * ranges.arrangements.large_pitch_mm;
    let one_after_the_other = rng.random_bool(0.5);
    let pair = [optics.views[0].clone(), optics.views[1].clone()];
    optics.views.clear();
    for (column, row, sx, sy) in [(0, 0, -1.0, 1.0), (1, 0, 1.0, 1.0), (0, 1, -1.0, -1.0), (1, 1, 1.0, -1.0)] {
        let region = RegionPx { x: column * width / 2, y: row * height / 2, width: width / 2, height: height / 2 };
        let middle_px = [f64::from(region.x) + f64::from(width) / 4.0 - 0.5, f64::from(region.y) + f64::from(height) / 4.0 - 0.5];
        // the outer balls stand some way inside the region, so that the edge of the pattern is seen
        let middle_mm = PointMm::new(
            sx * (half_mm - ranges.arrangements.corner_in_mm.draw(rng)),
            sy * (half_mm - ranges.arrangements.corner_in_mm.draw(rng)),
        );
        let turn_rad = ranges.camera.turn_deg.draw(rng).to_radians();
        let px_per_mm = 1000.0 / um_per_px * (1.0 + 0.5 * ranges.camera.registration_scale.draw(rng));
        for (i, side) in pair.iter().enumerate() {
            let turn_rad = turn_rad + 0.5 * ranges.camera.registration_deg.draw(rng).to_radians();
            let k = px_per_mm * (1.0 + 0.5 * ranges.camera.registration_scale.draw(rng));
            let [cx, cy] = middle_px.map(|c| c + 0.5 * ranges.camera.registration_px.draw(rng));
            let (s, c) = turn_rad.sin_cos();
            let about = [[k * c, -k * s, cx], [-k * s, -k * c, cy], [0.0, 0.0, 1.0]];
            let px_from_mm = times(&about, &[[1.0, 0.0, -middle_mm.x], [0.0, 1.0, -middle_mm.y], [0.0, 0.0, 1.0]]);
            let exposure = if one_after_the_other { i } else { 0 };
            optics.views.push(View { exposure, region_px: Some(region), px_from_mm, ..side.clone() });
        }
    }
}

fn large_part(ranges: &Ranges, rng: &mut ChaCha8Rng) -> Set {
    let r = &ranges.arrangements;
    let is_pitch = |s: &&crate::ranges::Sizes| (s.pitch_mm - r.large_pitch_mm).abs() < 1e-9;
    let sizes = ranges.pattern.sizes.iter().find(is_pitch).copied().unwrap_or(ranges.pattern.sizes[0]);
    let rows = r.large_rows as usize;
    let mut plan = GridPlan { rows, columns: rows, pitch_mm: r.large_pitch_mm, ..GridPlan::draw(&ranges.pattern, &sizes, rng) };
    plan.depopulation = match plan.depopulation {
        Depopulation::None => Depopulation::None,
        // A1's corner is cut by enough that no missing ball explains it.
        Depopulation::Corners { size } => Depopulation::Corners { size: [size[0] + 2, size[1], size[2], size[3]] },
        _ => Depopulation::Ring { rows: rng.random_range(5..=9), centre: rng.random_range(0..=10) },
    };
    let bench_from_board = Pose::new(r.large_board_mm.draw(rng), r.large_board_mm.draw(rng), r.large_board_deg.draw(rng).to_radians());
    let pitches = ranges.pose.offset_pitches;
    let offset =
        Pose::new(pitches.draw(rng) * r.large_pitch_mm, pitches.draw(rng) * r.large_pitch_mm, r.large_board_deg.draw(rng).to_radians());
    let part = plan.part();
    Set { rendered: part.clone(), board: part, plan, bench_from_part: bench_from_board.after(&offset), bench_from_board }
}

/// The camera looks from the side, through a lens that bends.
fn with_tilt_and_lens(ranges: &Ranges, optics: &mut Optics, rng: &mut ChaCha8Rng) {
    let r = &ranges.arrangements;
    let [width, height] = optics.frame.size_px.map(f64::from);
    let mut off = |half: f64| half - 0.5 + ranges.camera.centre_px.draw(rng);
    let centre_px = [off(width / 2.0), off(height / 2.0)];
    optics.lens = Some(Lens { k1: r.k1.draw(rng), k2: r.k2.draw(rng), centre_px, norm_px: r.norm_px });
    let distance_mm = r.distance_mm.draw(rng);
    for view in &mut optics.views {
        let tilt = PointMm::new(r.tilt_deg.draw(rng).to_radians(), 0.0).rotated(rng.random_range(0.0..std::f64::consts::TAU));
        // A place that lies nearer by z is seen larger by z / distance, about the optical axis.
        let [cx, cy] = centre_px;
        let tilted = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [tilt.x.sin() / distance_mm, tilt.y.sin() / distance_mm, 1.0]];
        let to_axis = [[1.0, 0.0, -cx], [0.0, 1.0, -cy], [0.0, 0.0, 1.0]];
        let from_axis = [[1.0, 0.0, cx], [0.0, 1.0, cy], [0.0, 0.0, 1.0]];
        let flat = times(&to_axis, &view.px_from_mm);
        view.px_from_mm = times(&from_axis, &times(&flat, &tilted));
    }
}

/// Another zoom, and a board of another thickness: everything grows about the point where the optical axis meets the picture.
pub(super) fn with_unknown_scale(ranges: &Ranges, optics: &mut Optics, rng: &mut ChaCha8Rng) {
    let r = &ranges.arrangements;
    let [width, height] = optics.frame.size_px.map(f64::from);
    let axis_px = [(width - 1.0) / 2.0, (height - 1.0) / 2.0];
    let zoom = 1.0 + r.zoom.draw(rng);
    let nearer_mm = r.height_mm.draw(rng);
    let distance_mm = r.distance_mm.draw(rng).max(nearer_mm / (0.9 * r.scale_may_differ));
    for view in &mut optics.views {
        let by = if view.shows == Side::Board { zoom * distance_mm / (distance_mm - nearer_mm) } else { zoom };
        for (row, axis) in axis_px.into_iter().enumerate() {
            for column in 0..3 {
                let at_infinity = view.px_from_mm[2][column];
                view.px_from_mm[row][column] = by * view.px_from_mm[row][column] + (1.0 - by) * axis * at_infinity;
            }
        }
    }
}

fn draw_levels(frame: Frame, rng: &mut ChaCha8Rng) -> Frame {
    let gamma = [1.0, 1.8, 2.2][rng.random_range(0..3)];
    let (bits, black, white) = match rng.random_range(0..4) {
        0 => (16, 0.0, 65535.0),
        1 => (16, 64.0, 4095.0),
        2 => (16, 256.0, 1023.0 * 16.0),
        _ => (8, 16.0, 235.0),
    };
    Frame { bits, black, white, gamma, ..frame }
}

fn times(a: &[[f64; 3]; 3], b: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    [0, 1, 2].map(|r| [0, 1, 2].map(|c| (0..3).map(|k| a[r][k] * b[k][c]).sum()))
}

/// Ranges of the arrangements.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ArrangementRanges {
    pub one_light_from_mm: f64,
    pub large_rows: u32,
    pub large_pitch_mm: f64,
    pub large_board_mm: Span,
    pub large_board_deg: Span,
    pub corner_in_mm: Span,
    pub region_off_mm: Span,
    pub tilt_deg: Span,
    pub k1: Span,
    pub k2: Span,
    pub norm_px: f64,
    pub distance_mm: Span,
    pub zoom: Span,
    pub height_mm: Span,
    pub scale_may_differ: f64,
}
