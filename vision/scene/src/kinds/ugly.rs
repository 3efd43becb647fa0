//! Kinds of scenes that are like good light but for one thing that cameras, benches and boards do to pictures.

use super::{Drawn, SceneKind, draw_grid};
use crate::ranges::{Ranges, Span, reference_ranges};
use crate::scene::{Clutter, Defect, DefectKind, Paste, SceneError};
use crate::spoil::Spoil;
use landfit_part::{Part, Side};
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
}

impl Ugly {
    /// All of them.
    pub const ALL: [Self; 22] = [
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
}

/// A random scene of good light, spoilt. The same kind and seed give the same scene.
pub(super) fn draw(ugly: Ugly, seed: u64) -> Result<Drawn, SceneError> {
    let ranges = reference_ranges()?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(8_000 + Ugly::ALL.iter().position(|u| *u == ugly).unwrap_or(0) as u64);
    let rng = &mut rng;
    let like = if ugly == Ugly::UnevenRing { SceneKind::UnevenRing } else { SceneKind::GoodLight };
    let mut drawn = draw_grid(ranges, like, rng)?;
    spoil(ranges, ugly, &mut drawn, rng);
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
        Ugly::Jpeg => spoils.push(Spoil::Jpeg { quality: all.jpeg_quality }),
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
        Ugly::CrosstalkUntold => {
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
    }
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
