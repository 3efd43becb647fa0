//! Kinds of scenes that are like good light but for one thing that cameras, benches and boards do to pictures.

use super::{Drawn, SceneKind, draw_grid};
use crate::look_draw::set_exposure;
use crate::ranges::{Ranges, Span, reference_ranges};
use crate::scene::{Clutter, Defect, DefectKind, Highlight, Paste, Scene, SceneError, Spot};
use crate::spoil::Spoil;
use landfit_part::{Part, PointMm, Pose, Shape, Side};
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Deserialize;

/// The one thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Ugly {
    /// One colour per pixel, the others interpolated.
    OneColourPerPixel,
    /// Chroma at half resolution along rows (4:2:2).
    Chroma422,
    /// Chroma at half resolution both ways (4:2:0).
    Chroma420,
    /// Raw values with a gamma that the bench file does not tell.
    GammaUntold,
    /// Through a JPEG file of quality 85.
    Jpeg,
    /// Levels 16 to 235 that the bench file does not tell.
    LimitedRange,
    /// An unsharp mask.
    Sharpened,
    /// A 3 x 3 median.
    Median,
    /// Every other row seen later.
    Interlaced,
    /// Hot and dead pixels.
    DeadPixels,
    /// Bands from flickering light.
    Bands,
    /// The tints of the bench file off by 15 % in a channel.
    TintsOff,
    /// A bench file that says nothing of crosstalk.
    CrosstalkUntold,
    /// Smeared by 2 px.
    Motion,
    /// One side up to 5 px out of focus.
    UnequalFocus,
    /// Ring unevenness 80 %.
    UnevenRing,
    /// A third of the balls missing.
    ThirdMissing,
    /// Shadow over about half of the picture.
    Shadow,
    /// A glare over ten rows.
    Glare,
    /// So far away that a ball's radius is 3 px.
    SmallBalls,
    /// Solder paste on the lands, printed off them.
    Paste,
    /// Wet flux: a film on the balls, a pool over part of the lands.
    WetFlux,
    /// Each side in an exposure of its own, one of the two smeared by 2 px.
    MotionInOne,
    /// Balls darker than the body, some with a glint.
    DarkBalls,
    /// Highlights pushed off the middle of balls and lands.
    HighlightsOff,
    /// Lands that are domes of tin: bright in the middle, dim at the edge.
    TinDomes,
    /// Lands etched or masked larger or smaller than the part file has them.
    LandSizes,
    /// Dust over both sides.
    Dust,
    /// Hairs and fibres over balls and lands.
    Hairs,
    /// Tweezers or a pick-up tool over part of one side.
    ToolInView,
    /// The same footprint again one to two pitches beside.
    FootprintBeside,
    /// The end of a job on optics whose views are registered to the pixel: every ball lies over its land in the picture. Boards and balls as
    /// they come.
    OverLands,
    /// The same, ring unevenness 60 %.
    OverLandsUneven,
    /// The same, with a bench file that says nothing of crosstalk.
    OverLandsCrosstalk,
    /// The same, through a JPEG file of quality 85.
    OverLandsJpeg,
    /// A via beside every land, at half a pitch along both axes: all on one side, or outwards in each quarter of the pattern.
    FanOut,
}

impl Ugly {
    /// All of them.
    pub const ALL: [Self; 36] = [
        Self::OneColourPerPixel,
        Self::Chroma422,
        Self::Chroma420,
        Self::GammaUntold,
        Self::Jpeg,
        Self::LimitedRange,
        Self::Sharpened,
        Self::Median,
        Self::Interlaced,
        Self::DeadPixels,
        Self::Bands,
        Self::TintsOff,
        Self::CrosstalkUntold,
        Self::Motion,
        Self::UnequalFocus,
        Self::UnevenRing,
        Self::ThirdMissing,
        Self::Shadow,
        Self::Glare,
        Self::SmallBalls,
        Self::Paste,
        Self::WetFlux,
        Self::MotionInOne,
        Self::DarkBalls,
        Self::HighlightsOff,
        Self::TinDomes,
        Self::LandSizes,
        Self::Dust,
        Self::Hairs,
        Self::ToolInView,
        Self::FootprintBeside,
        Self::OverLands,
        Self::OverLandsUneven,
        Self::OverLandsCrosstalk,
        Self::OverLandsJpeg,
        Self::FanOut,
    ];

    /// Its name in lists and options.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::OneColourPerPixel => "one-colour-per-pixel",
            Self::Chroma422 => "chroma-4:2:2",
            Self::Chroma420 => "chroma-4:2:0",
            Self::GammaUntold => "gamma-untold",
            Self::Jpeg => "jpeg-85",
            Self::LimitedRange => "limited-range",
            Self::Sharpened => "sharpened",
            Self::Median => "median-3x3",
            Self::Interlaced => "interlaced",
            Self::DeadPixels => "dead-pixels",
            Self::Bands => "bands",
            Self::TintsOff => "tints-off",
            Self::CrosstalkUntold => "crosstalk-untold",
            Self::Motion => "motion",
            Self::UnequalFocus => "unequal-focus",
            Self::UnevenRing => "uneven-ring-80",
            Self::ThirdMissing => "third-missing",
            Self::Shadow => "shadow",
            Self::Glare => "glare",
            Self::SmallBalls => "small-balls",
            Self::Paste => "paste",
            Self::WetFlux => "wet-flux",
            Self::MotionInOne => "motion-in-one",
            Self::DarkBalls => "dark-balls",
            Self::HighlightsOff => "highlights-off",
            Self::TinDomes => "tin-domes",
            Self::LandSizes => "land-sizes",
            Self::Dust => "dust",
            Self::Hairs => "hairs",
            Self::ToolInView => "tool-in-view",
            Self::FootprintBeside => "footprint-beside",
            Self::OverLands => "over-lands",
            Self::OverLandsUneven => "over-lands-uneven",
            Self::OverLandsCrosstalk => "over-lands-crosstalk",
            Self::OverLandsJpeg => "over-lands-jpeg",
            Self::FanOut => "fan-out",
        }
    }
}

/// The `[ugly]` table of the ranges.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct UglyRanges {
    pub gamma: Span,
    pub jpeg_quality: u8,
    pub sharpened: Span,
    pub interlace_px: Span,
    pub dead_share: Span,
    pub bands: Span,
    pub band_period_px: Span,
    pub tint_error: f64,
    pub untold_below: f64,
    pub motion_px: f64,
    pub out_of_focus_px: Span,
    pub uneven: f64,
    pub shadow_soft_px: Span,
    pub shadow_left: Span,
    pub glare: Span,
    pub small_radius_px: f64,
    pub paste_size: Span,
    pub paste_brightness: Span,
    pub paste_off_mm: Span,
    pub paste_place_mm: f64,
    pub film_contrast: f64,
    pub film_moves: Span,
    pub pool_gain: Span,
    pub pool_share: Span,
    pub pool_soft_mm: f64,
    pub dark_glint_share: f64,
    pub dark_glint_off: Span,
    pub highlight_off: Span,
    pub land_highlight_off: Span,
    pub land_highlight_gain: Span,
    pub dome_fall: Span,
    pub land_size_off: Span,
    pub land_size_scatter: Span,
    pub dust_count: Span,
    pub dust_mm: Span,
    pub dust_brightness: Span,
    pub hairs: Span,
    pub hair_mm: Span,
    pub hair_length_mm: Span,
    pub hair_bend_mm: Span,
    pub hair_dark: Span,
    pub hair_bright: Span,
    pub tool_reach: Span,
    pub tool_tip_mm: Span,
    pub tool_taper: Span,
    pub tool_gap_mm: Span,
    pub tool_bar_mm: Span,
    pub tool_dark: Span,
    pub tool_bright: Span,
    pub tool_soft_mm: Span,
    pub beside_whole_pitch_share: f64,
    pub beside_pitches: Span,
    pub beside_along_share: f64,
    pub beside_along_pitches: Span,
    pub left_mm: Span,
    pub left_deg: Span,
    pub fan_one_way_share: f64,
    pub fan_tented_share: f64,
    pub fan_trace: Span,
    pub fan_pad: Span,
    pub fan_hole: Span,
    pub fan_pad_light: Span,
    pub fan_hole_light: Span,
}

/// A random scene of good light, spoilt. The same kind and seed give the same scene.
pub(super) fn draw(ugly: Ugly, seed: u64) -> Result<Drawn, SceneError> {
    let ranges = reference_ranges()?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(8_000 + Ugly::ALL.iter().position(|u| *u == ugly).unwrap_or(0) as u64);
    let rng = &mut rng;
    let like = match ugly {
        Ugly::UnevenRing | Ugly::OverLandsUneven => SceneKind::UnevenRing,
        Ugly::OverLands | Ugly::OverLandsCrosstalk | Ugly::OverLandsJpeg => SceneKind::OffCentre,
        Ugly::DarkBalls | Ugly::FootprintBeside => SceneKind::Ugly(ugly),
        _ => SceneKind::GoodLight,
    };
    let mut drawn = draw_grid(ranges, like, rng)?;
    spoil(ranges, ugly, &mut drawn, rng);
    drawn.expectation = SceneKind::Ugly(ugly).expectation();
    Ok(drawn)
}

fn spoil(ranges: &Ranges, ugly: Ugly, drawn: &mut Drawn, rng: &mut ChaCha8Rng) {
    let all = &ranges.ugly;
    let scene = &mut drawn.scene;
    let spoils = &mut scene.sensor.spoils;
    match ugly {
        Ugly::OneColourPerPixel => spoils.push(Spoil::OneColourPerPixel),
        Ugly::Chroma422 => spoils.push(Spoil::SharedChroma { block: [2, 1] }),
        Ugly::Chroma420 => spoils.push(Spoil::SharedChroma { block: [2, 2] }),
        Ugly::GammaUntold => scene.optics.frame.gamma = all.gamma.draw(rng),
        Ugly::Jpeg | Ugly::OverLandsJpeg => spoils.push(Spoil::Jpeg { quality: all.jpeg_quality }),
        Ugly::LimitedRange => spoils.push(Spoil::LimitedRange),
        Ugly::Sharpened => spoils.push(Spoil::Sharpened { amount: all.sharpened.draw(rng) }),
        Ugly::Median => spoils.push(Spoil::Median),
        Ugly::Interlaced => spoils.push(Spoil::Interlaced { shift_px: signed(all.interlace_px, rng) }),
        Ugly::DeadPixels => spoils.push(Spoil::DeadPixels { share: all.dead_share.draw(rng) }),
        Ugly::Bands => spoils.push(Spoil::Bands { amount: all.bands.draw(rng), period_px: all.band_period_px.draw(rng) }),
        Ugly::TintsOff => {
            for view in &mut drawn.stated.views {
                let channel = rng.random_range(0..3);
                view.tint[channel] *= 1.0 + if rng.random_bool(0.5) { all.tint_error } else { -all.tint_error };
            }
        }
        Ugly::CrosstalkUntold | Ugly::OverLandsCrosstalk => {
            // The bench file knows the strongest channel of each light and takes the others for dark.
            for view in &mut drawn.stated.views {
                let strongest = view.tint.into_iter().fold(0.0, f64::max);
                view.tint = view.tint.map(|t| if t < all.untold_below * strongest { 0.0 } else { t });
            }
        }
        Ugly::Motion => {
            let smear_rad = rng.random_range(0.0..std::f64::consts::PI);
            for light in &mut scene.lights {
                (light.blur.smear_px, light.blur.smear_rad) = (all.motion_px, smear_rad);
            }
        }
        Ugly::UnequalFocus => {
            let view = rng.random_range(0..scene.lights.len());
            scene.lights[view].blur.sigma_px = [all.out_of_focus_px.draw(rng); 2];
        }
        Ugly::UnevenRing => {
            if let Some(terminals) = &mut scene.part_look.terminals {
                terminals.uneven.amount = all.uneven;
            }
        }
        Ugly::ThirdMissing => {
            let mut ids: Vec<String> = scene.part.sites.iter().map(|s| s.id.clone()).collect();
            ids.shuffle(rng);
            ids.truncate(ids.len() / 3);
            scene.defects.extend(ids.into_iter().map(|site| Defect { side: Side::Part, site, kind: DefectKind::Missing }));
        }
        Ugly::Shadow => {
            let share = |rng: &mut ChaCha8Rng| rng.random_range(0.35..0.65);
            spoils.push(Spoil::Shadow {
                through: [share(rng), share(rng)],
                towards_rad: rng.random_range(0.0..std::f64::consts::TAU),
                soft_px: all.shadow_soft_px.draw(rng),
                left: all.shadow_left.draw(rng),
            });
        }
        Ugly::Glare => {
            let at = [rng.random_range(0.2..0.8), rng.random_range(0.2..0.8)];
            let pitch_px = drawn.part.pitch_mm(Side::Part).unwrap_or(1.0) * scene.optics.views[0].px_per_mm();
            // Ten rows lie within two standard deviations to either side.
            spoils.push(Spoil::Glare { at, sigma_px: [2.5 * pitch_px, 2.5 * pitch_px], light: all.glare.draw(rng) });
        }
        Ugly::SmallBalls => {
            let radius_mm = radius_mm(&drawn.part, Side::Part);
            let by = all.small_radius_px / (radius_mm * scene.optics.views[0].px_per_mm());
            let middle = scene.optics.frame.size_px.map(|n| f64::from(n) / 2.0);
            for view in scene.optics.views.iter_mut().chain(&mut drawn.stated.views) {
                shrink(&mut view.px_from_mm, by, middle);
            }
        }
        Ugly::Paste => {
            if let Some(lands) = &mut scene.board_look.lands {
                lands.paste = Some(Paste {
                    brightness: lands.face * all.paste_brightness.draw(rng),
                    size: all.paste_size.draw(rng),
                    shift_mm: [signed(all.paste_off_mm, rng), signed(all.paste_off_mm, rng)],
                    place_mm: all.paste_place_mm,
                });
            }
        }
        Ugly::WetFlux => {
            let body = scene.part_look.body.as_ref().map_or(0.0, |b| b.brightness);
            if let Some(balls) = &mut scene.part_look.terminals {
                let under_film = |light: f64| body + all.film_contrast * (light - body);
                balls.face = under_film(balls.face);
                if let Some(ring) = &mut balls.ring {
                    ring.brightness = under_film(ring.brightness);
                }
                if let Some(spot) = &mut balls.spot {
                    spot.brightness = under_film(spot.brightness);
                    spot.at = [signed(all.film_moves, rng), signed(all.film_moves, rng)];
                }
            }
            scene.clutter.push(pool(all, &drawn.part, rng));
        }
        Ugly::MotionInOne => {
            for views in [&mut scene.optics.views, &mut drawn.stated.views] {
                views.iter_mut().enumerate().for_each(|(i, view)| view.exposure = i);
            }
            let moved = rng.random_range(0..scene.lights.len());
            let blur = &mut scene.lights[moved].blur;
            (blur.smear_px, blur.smear_rad) = (all.motion_px, rng.random_range(0.0..std::f64::consts::PI));
        }
        Ugly::DarkBalls => {
            let body = scene.part_look.body.as_ref().map_or(0.0, |b| b.brightness);
            if let Some(balls) = scene.part_look.terminals.as_mut().filter(|_| rng.random_bool(all.dark_glint_share)) {
                balls.spot = Some(spot(body * ranges.terminal.spot_share_of_ring.draw(rng), all.dark_glint_off, ranges, rng));
            }
        }
        Ugly::HighlightsOff => {
            push_highlights_off(ranges, scene, rng);
            set_exposure(scene, ranges.camera.peak, false);
        }
        Ugly::TinDomes => {
            let mask = scene.board_look.mask.brightness;
            if let Some(lands) = &mut scene.board_look.lands {
                lands.face_fall = all.dome_fall.draw(rng) * (lands.face - mask).max(0.0) / lands.face;
                let highlight = Highlight {
                    gain: all.land_highlight_gain.draw(rng),
                    at: [ranges.land.highlight_off.draw(rng), ranges.land.highlight_off.draw(rng)],
                    sigma: ranges.land.highlight_sigma.draw(rng),
                };
                lands.highlight = Some(highlight);
            }
            set_exposure(scene, ranges.camera.peak, false);
        }
        Ugly::LandSizes => {
            let by = 1.0 + signed(all.land_size_off, rng);
            let lands = scene.board.sites.iter_mut().flat_map(|s| &mut s.land);
            lands.for_each(|land| {
                if let Shape::Round { diameter_mm } = &mut land.shape {
                    *diameter_mm *= by;
                }
            });
            if let Some(lands) = &mut scene.board_look.lands {
                lands.scatter.size = all.land_size_scatter.draw(rng);
            }
        }
        Ugly::Dust => {
            for _ in 0..all.dust_count.draw_count(rng) {
                let diameter_mm = all.dust_mm.draw(rng);
                scene.clutter.push(Clutter::Dot {
                    side: either_side(rng),
                    at_mm: drawn.part.body_mm.map(|b| b * rng.random_range(-0.6..0.6)),
                    diameter_mm,
                    brightness: all.dust_brightness.draw(rng),
                    soft_mm: 0.4 * diameter_mm,
                });
            }
        }
        Ugly::Hairs => {
            let hairs = all.hairs.draw_count(rng);
            scene.clutter.extend((0..hairs).map(|_| hair(all, &drawn.part, rng)));
        }
        Ugly::ToolInView => scene.clutter.extend(tool(all, &drawn.part, rng)),
        Ugly::FanOut => {
            scene.clutter.retain(|c| !matches!(c, Clutter::Trace { .. } | Clutter::Via { .. }));
            let fan = fan_out(ranges, &drawn.part, scene, rng);
            scene.clutter.extend(fan);
        }
        Ugly::FootprintBeside => set_footprint_beside(all, &drawn.part, scene, rng),
        Ugly::OverLands | Ugly::OverLandsUneven => {}
    }
    if matches!(ugly, Ugly::OverLands | Ugly::OverLandsUneven | Ugly::OverLandsCrosstalk | Ugly::OverLandsJpeg) {
        lay_over_lands(all, drawn, rng);
    }
}

/// A trace from every land to a via at half a pitch along both axes, which the mask covers or leaves open.
fn fan_out(ranges: &Ranges, part: &Part, scene: &Scene, rng: &mut ChaCha8Rng) -> Vec<Clutter> {
    let all = &ranges.ugly;
    let pitch_mm = part.pitch_mm(Side::Part).unwrap_or(0.0);
    let mask = scene.board_look.mask.brightness;
    let metal = scene.board_look.lands.as_ref().map_or(mask, |l| l.face);
    let gain = ranges.clutter.trace_gain.draw(rng);
    let is_tented = rng.random_bool(all.fan_tented_share);
    let pad_light = all.fan_pad_light.draw(rng);
    let hole = mask * all.fan_hole_light.draw(rng);
    let (pad, hole) = if is_tented { (mask * gain, mask * gain * pad_light) } else { (metal * pad_light, hole) };
    let width_mm = pitch_mm * all.fan_trace.draw(rng);
    let pad_mm = pitch_mm * all.fan_pad.draw(rng);
    let hole_mm = pad_mm * all.fan_hole.draw(rng);
    let one_way = rng.random_bool(all.fan_one_way_share).then(|| [0, 1].map(|_| if rng.random_bool(0.5) { 0.5 } else { -0.5 }));
    let fan = |at: PointMm| {
        let way = one_way.unwrap_or([at.x, at.y].map(|v| if v < 0.0 { -0.5 } else { 0.5 }));
        let at_mm = [at.x + way[0] * pitch_mm, at.y + way[1] * pitch_mm];
        let trace = Clutter::Trace { points_mm: vec![[at.x, at.y], at_mm], width_mm, gain };
        [trace, Clutter::Via { at_mm, pad_mm, hole_mm, pad, hole }]
    };
    part.sites.iter().flat_map(|site| fan(site.at_mm)).collect()
}

/// Both views look at the very same place, and the part is as good as aligned.
fn lay_over_lands(all: &UglyRanges, drawn: &mut Drawn, rng: &mut ChaCha8Rng) {
    for views in [&mut drawn.scene.optics.views, &mut drawn.stated.views] {
        views[1].px_from_mm = views[0].px_from_mm;
    }
    let left_mm = [signed(all.left_mm, rng), signed(all.left_mm, rng)];
    let left = Pose::new(left_mm[0], left_mm[1], signed(all.left_deg, rng).to_radians());
    drawn.scene.bench_from_part = drawn.scene.bench_from_board.after(&left);
}

fn either_side(rng: &mut ChaCha8Rng) -> Side {
    if rng.random_bool(0.5) { Side::Part } else { Side::Board }
}

/// A glint of a ball, off its middle.
fn spot(brightness: f64, off: Span, ranges: &Ranges, rng: &mut ChaCha8Rng) -> Spot {
    Spot { brightness, radius: ranges.terminal.spot_radius.draw(rng), soft: 0.1, at: off_middle(off, rng) }
}

/// So far from the middle, any way.
fn off_middle(off: Span, rng: &mut ChaCha8Rng) -> [f64; 2] {
    let (s, c) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
    let off = off.draw(rng);
    [off * c, off * s]
}

/// Light from one side: the glint of every ball and of every land lies off its middle, all alike.
fn push_highlights_off(ranges: &Ranges, scene: &mut Scene, rng: &mut ChaCha8Rng) {
    let all = &ranges.ugly;
    if let Some(balls) = &mut scene.part_look.terminals {
        let brightest = balls.ring.map_or(balls.face, |r| r.brightness);
        let body = scene.part_look.body.as_ref().map_or(0.0, |b| b.brightness);
        let brightness = brightest.max(body) * ranges.terminal.spot_share_of_ring.draw(rng);
        balls.spot = Some(spot(brightness, all.highlight_off, ranges, rng));
    }
    if let Some(lands) = &mut scene.board_look.lands {
        lands.highlight = Some(Highlight {
            gain: all.land_highlight_gain.draw(rng),
            at: off_middle(all.land_highlight_off, rng),
            sigma: ranges.land.highlight_sigma.draw(rng),
        });
    }
}

/// A curved fibre, dark or bright, across the pattern of one side.
fn hair(all: &UglyRanges, part: &Part, rng: &mut ChaCha8Rng) -> Clutter {
    const STEPS: usize = 24;
    let step_mm = all.hair_length_mm.draw(rng) / STEPS as f64;
    let mut at = part.body_mm.map(|b| b * rng.random_range(-0.45..0.45));
    let mut towards_rad: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    // The bend changes along the fibre, as that of a fibre that lies loosely does.
    let (mut per_mm, drift) = (1.0 / signed(all.hair_bend_mm, rng), 0.3 / signed(all.hair_bend_mm, rng));
    let mut points_mm = vec![at];
    for _ in 0..STEPS {
        at = [at[0] + step_mm * towards_rad.cos(), at[1] + step_mm * towards_rad.sin()];
        towards_rad += per_mm * step_mm;
        per_mm += drift * step_mm;
        points_mm.push(at);
    }
    let brightness = if rng.random_bool(0.5) { all.hair_dark } else { all.hair_bright }.draw(rng);
    Clutter::Fibre { side: either_side(rng), points_mm, width_mm: all.hair_mm.draw(rng), brightness }
}

/// Tweezers (two prongs) or the end of a pick-up tool (a bar) between the optics and one side, from without over the edge of the
/// pattern: out of focus, dark, or shiny with a streak of light along it.
fn tool(all: &UglyRanges, part: &Part, rng: &mut ChaCha8Rng) -> Vec<Clutter> {
    let side = either_side(rng);
    let half = part.body_mm.map(|b| b / 2.0);
    let towards_rad: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    let along = PointMm::new(1.0, 0.0).rotated(towards_rad);
    // From where the tool's axis would meet the body's edge, so far inwards.
    let edge_mm = (half[0] / along.x.abs().max(1e-9)).min(half[1] / along.y.abs().max(1e-9));
    let tip = along * (-edge_mm + all.tool_reach.draw(rng) * 2.0 * edge_mm)
        + along.rotated(std::f64::consts::FRAC_PI_2) * rng.random_range(-1.0..1.0);
    let is_shiny = rng.random_bool(0.5);
    let brightness = if is_shiny { all.tool_bright } else { all.tool_dark }.draw(rng);
    let soft_mm = all.tool_soft_mm.draw(rng);
    // Longer than any picture is wide.
    let length_mm = 30.0;
    let is_tweezers = rng.random_bool(0.6);
    let (half_tip, taper) =
        if is_tweezers { (all.tool_tip_mm.draw(rng) / 2.0, all.tool_taper.draw(rng)) } else { (all.tool_bar_mm.draw(rng) / 2.0, 0.0) };
    let apart_mm = all.tool_gap_mm.draw(rng);
    let prongs: &[f64] = if is_tweezers { &[-1.0, 1.0] } else { &[0.0] };
    let mut out = Vec::new();
    for prong in prongs {
        // Prongs lie apart at their tips and run together towards the hand.
        let axis_rad = towards_rad + prong * 0.02;
        let at = tip + PointMm::new(0.0, prong * (apart_mm / 2.0 + half_tip)).rotated(towards_rad);
        let place = |x: f64, y: f64| {
            let p = at + PointMm::new(x, y).rotated(axis_rad);
            [p.x, p.y]
        };
        let half_end = half_tip + taper * length_mm / 2.0;
        let band = |share: f64| {
            let (tip, end) = (share * half_tip, share * half_end);
            vec![place(0.0, -tip), place(0.0, tip), place(-length_mm, end), place(-length_mm, -end)]
        };
        out.push(Clutter::Tool { side, corners_mm: band(1.0), brightness, soft_mm });
        if is_shiny {
            out.push(Clutter::Tool { side, corners_mm: band(0.25), brightness: 1.5 * brightness, soft_mm });
        }
    }
    out
}

/// The same lands again beside the wanted ones, so that the nearest rows of the two are one to two pitches apart, in a random
/// direction; printing gives way to them.
fn set_footprint_beside(all: &UglyRanges, part: &Part, scene: &mut Scene, rng: &mut ChaCha8Rng) {
    let pitch_mm = part.pitch_mm(Side::Board).unwrap_or(1.0);
    let extent = |get: fn(PointMm) -> f64| {
        let (low, high) = part
            .sites
            .iter()
            .map(|s| get(s.centre_mm(Side::Board)))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        high - low
    };
    let pitches = if rng.random_bool(all.beside_whole_pitch_share) { 1.0 } else { all.beside_pitches.draw(rng) };
    let along_mm = if rng.random_bool(all.beside_along_share) { pitch_mm * all.beside_along_pitches.draw(rng) } else { 0.0 };
    let way = if rng.random_bool(0.5) { 1.0 } else { -1.0 };
    let at_mm = if rng.random_bool(0.5) {
        [way * (extent(|p| p.x) + pitches * pitch_mm), along_mm]
    } else {
        [along_mm, way * (extent(|p| p.y) + pitches * pitch_mm)]
    };
    let reach = part.body_mm.map(|b| b / 2.0);
    let is_under = |p: &[f64; 2]| (0..2).all(|axis| (p[axis] - at_mm[axis]).abs() < reach[axis]);
    scene.clutter.retain(|c| match c {
        Clutter::Stroke { side: Side::Board, points_mm, .. } => !points_mm.iter().any(is_under),
        Clutter::Dot { side: Side::Board, at_mm, soft_mm, .. } => *soft_mm > 0.0 || !is_under(at_mm),
        Clutter::Via { at_mm, .. } => !is_under(at_mm),
        Clutter::Trace { points_mm, .. } => !points_mm.iter().any(is_under),
        _ => true,
    });
    scene.clutter.push(Clutter::Footprint { at_mm });
}

/// Radius of a side's first disc, mm.
fn radius_mm(part: &Part, side: Side) -> f64 {
    part.sites.iter().flat_map(|s| s.pieces(side)).find_map(|p| p.shape.diameter_mm()).unwrap_or(0.5) / 2.0
}

/// Scales a homography's picture about a place.
fn shrink(px_from_mm: &mut [[f64; 3]; 3], by: f64, about_px: [f64; 2]) {
    let last = px_from_mm[2];
    for (row, about) in px_from_mm.iter_mut().zip(about_px) {
        for (v, w) in row.iter_mut().zip(last) {
            *v = by * *v + (1.0 - by) * about * w;
        }
    }
}

/// A glossy pool over a share of the lands, from one of the part's corners.
fn pool(all: &UglyRanges, part: &Part, rng: &mut ChaCha8Rng) -> Clutter {
    let reach = part.sites.iter().map(|s| s.centre_mm(Side::Board)).fold([0.0_f64; 2], |r, c| [r[0].max(c.x.abs()), r[1].max(c.y.abs())]);
    let share = all.pool_share.draw(rng);
    let corner = reach.map(|r| if rng.random_bool(0.5) { r } else { -r });
    // A disc about the corner covers a quarter of itself of the pattern's box.
    let radius_mm = (share * 4.0 * (2.0 * reach[0]) * (2.0 * reach[1]) / std::f64::consts::PI).sqrt();
    Clutter::Stain {
        side: Side::Board,
        lobes_mm: vec![[corner[0], corner[1], radius_mm]],
        gain: all.pool_gain.draw(rng),
        soft_mm: all.pool_soft_mm,
    }
}

fn signed(span: Span, rng: &mut ChaCha8Rng) -> f64 {
    let size = span.draw(rng);
    if rng.random_bool(0.5) { size } else { -size }
}
