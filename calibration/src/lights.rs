//! What pictures of the lights say of lights and camera, all together: black and white level, gamma, each light's colour, what of one
//! light is left in the other's plane, and what the camera does to its pictures by itself.

use crate::camera_check::{Finding, check};
use crate::tints::{Levels, Tint, TintError, black_level, cropped, crosstalk, gamma, tint, white_level};
use landfit_part::Side;
use landfit_stats::gum::rectangular;
use landfit_vision::plane::{share_light, share_pixels};
use landfit_vision::{Frame, Optics, Picture, RegionPx};

/// A picture that shows one light.
#[derive(Debug, Clone, Copy)]
pub struct Lit<'a> {
    /// The picture.
    pub picture: &'a Picture,
    /// Where only this light shows; all of the picture when only this light is on.
    pub region: Option<RegionPx>,
}

/// The pictures that were taken.
#[derive(Debug, Clone, Copy)]
pub struct Pictures<'a> {
    /// The part's light.
    pub part: Lit<'a>,
    /// The board's light.
    pub board: Lit<'a>,
    /// The same scene as in `part` and `board` under both; for gamma.
    pub both: Option<&'a Picture>,
    /// Without light; for the black level.
    pub dark: Option<&'a Picture>,
    /// With so much light that much of it is at full scale; for the white level.
    pub bright: Option<&'a Picture>,
    /// The picture of `part` once more; for what the camera does by itself.
    pub again: Option<&'a Picture>,
}

/// Which of the pictures an error is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// [`Pictures::part`].
    Part,
    /// [`Pictures::board`].
    Board,
    /// [`Pictures::both`].
    Both,
    /// [`Pictures::dark`].
    Dark,
    /// [`Pictures::bright`].
    Bright,
}

/// Why nothing was learnt.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LightsError {
    /// A picture that says nothing of its light.
    #[error("{error}")]
    Picture {
        /// Which.
        which: Which,
        /// Why.
        error: TintError,
    },
    /// The picture without light is not dark.
    #[error("it was taken for a picture without light, but its mean is {black:.0}: cap the lens or switch all lights off")]
    NotDark {
        /// Its mean raw value.
        black: f64,
    },
    /// The picture for the white level reaches it nowhere.
    #[error("no raw value in it is the most that many pixels have: give so much light that a good part of the picture is white")]
    NotWhite,
    /// Full scale is not above black.
    #[error("its full scale of {white:.0} is not above the black level of {black:.0}: are the dark and the bright picture mixed up?")]
    WhiteBelowBlack {
        /// Raw.
        white: f64,
        /// Raw.
        black: f64,
    },
    /// Both pictures show the same light.
    #[error("the two pictures show the same light ({:.2}, {:.2}, {:.2}): switch the other one on, or light the two sides in two exposures", rgb[0], rgb[1], rgb[2])]
    SameLight {
        /// Its tint.
        rgb: [f64; 3],
    },
    /// A picture of another size than the bench's.
    #[error(
        "it is {} x {} px, but the bench's frame is {} x {} px: take it with the bench's camera settings",
        size_px[0], size_px[1], frame_px[0], frame_px[1]
    )]
    Size {
        /// Which.
        which: Which,
        /// Its columns and rows.
        size_px: [usize; 2],
        /// The frame's.
        frame_px: [u32; 2],
    },
    /// Grey pictures, but views that are told apart by tint.
    #[error("the pictures are grey, but the bench file tells its views apart by tint")]
    Grey,
}

/// Gamma as the lights' adding up tells it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GammaFound {
    /// Measured.
    pub gamma: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Whether what the bench file had agrees with it, so that it stays.
    pub agrees: bool,
}

/// What was learnt.
#[derive(Debug, Clone, PartialEq)]
pub struct Learnt {
    /// The frame with what was measured of it.
    pub frame: Frame,
    /// Of the dark picture.
    pub levels: Option<Levels>,
    /// Full scale of the bright picture, raw.
    pub white: Option<f64>,
    /// Of the picture under both lights.
    pub gamma: Option<GammaFound>,
    /// Of the part's light and the board's; `None` of a monochrome camera.
    pub tints: Option<[Tint; 2]>,
    /// Share of the part's light left in the board's plane, and of the board's in the part's, where both views share pixels.
    pub crosstalk: Option<[f64; 2]>,
    /// Raw value at which many pixels of the part's and the board's picture stand: too much light.
    pub saturated_at: [Option<f64>; 2],
    /// What the camera does by itself; `None` where no picture was taken again.
    pub camera: Option<Vec<Finding>>,
}

/// So much of a picture at its highest value is full scale: on purpose ...
const WHITE_SHARE: f64 = 0.05;
/// ... or too much light, where a tint is to be read.
const SATURATED_SHARE: f64 = 0.002;
/// A dark picture brighter than this share of full scale is none.
const MOST_BLACK: f64 = 0.2;
/// A gamma nearer than this to the file's is the same, whatever its uncertainty: 1 % of light.
const GAMMA_SLACK: f64 = 0.01;

impl Pictures<'_> {
    /// All that were taken. The one of `part` once more counts as [`Which::Part`].
    fn all(&self) -> impl Iterator<Item = (Which, &Picture)> {
        let needed = [(Which::Part, Some(self.part.picture)), (Which::Board, Some(self.board.picture))];
        let others = [(Which::Both, self.both), (Which::Dark, self.dark), (Which::Bright, self.bright), (Which::Part, self.again)];
        needed.into_iter().chain(others).filter_map(|(which, picture)| Some((which, picture?)))
    }
}

/// Learns from pictures of the size of the frame.
///
/// # Errors
/// See [`LightsError`]; [`LightsError::Picture`] and its like say which picture.
pub fn learn(pictures: &Pictures<'_>, optics: &Optics) -> Result<Learnt, LightsError> {
    let of = |which: Which| move |error: TintError| LightsError::Picture { which, error };
    let mut frame = optics.frame;
    for (which, picture) in pictures.all() {
        if frame.fitting(picture, 0).is_err() {
            let size_px = [picture.width_px, picture.height_px];
            return Err(LightsError::Size { which, size_px, frame_px: frame.size_px });
        }
    }
    let full = pictures.part.picture.full_scale();
    let levels = pictures.dark.map(black_level);
    if let Some(l) = levels {
        if l.black > MOST_BLACK * full {
            return Err(LightsError::NotDark { black: l.black });
        }
        frame.black = (10.0 * l.black).round() / 10.0;
    }
    let white = pictures.bright.map(|p| white_level(p, WHITE_SHARE).ok_or(LightsError::NotWhite)).transpose()?;
    if let Some(white) = white
        && white != frame.white.unwrap_or(full)
    {
        frame.white = Some(white);
    }
    if frame.white.is_some_and(|white| white <= frame.black) {
        return Err(LightsError::WhiteBelowBlack { white: frame.white.unwrap_or(full), black: frame.black });
    }
    let mut gamma_found = None;
    if let Some(both) = pictures.both {
        let at = |black: f64| gamma(pictures.part.picture, pictures.board.picture, both, black).map_err(of(Which::Both));
        let (found, scatter) = at(frame.black)?;
        // Black is known to half a step of raw values at best.
        let u = scatter.hypot(rectangular(at(frame.black + 0.5)?.0 - found));
        let agrees = (found - frame.gamma).abs() <= (2.0 * u).max(GAMMA_SLACK);
        if !agrees {
            frame.gamma = (1000.0 * found).round() / 1000.0;
        }
        gamma_found = Some(GammaFound { gamma: found, u, agrees });
    }
    let camera = pictures.again.map(|again| check(pictures.part.picture, again));
    let alone = |lit: &Lit<'_>, which: Which| match lit.region {
        None => Ok(lit.picture.clone()),
        Some(region) => cropped(lit.picture, region).map_err(of(which)),
    };
    let (part, board) = (alone(&pictures.part, Which::Part)?, alone(&pictures.board, Which::Board)?);
    let saturated_at = [white_level(&part, SATURATED_SHARE), white_level(&board, SATURATED_SHARE)];
    let mut learnt = Learnt { frame, levels, white, gamma: gamma_found, tints: None, crosstalk: None, saturated_at, camera };
    if part.channels == 1 {
        if optics.views.iter().any(|v| v.tint != optics.views[0].tint) {
            return Err(LightsError::Grey);
        }
        return Ok(learnt);
    }
    let tints = [tint(&part, &frame).map_err(of(Which::Part))?, tint(&board, &frame).map_err(of(Which::Board))?];
    let mut changed = Optics { frame, ..optics.clone() };
    put(&mut changed, &tints);
    let views = &changed.views;
    let of_side = |side: Side| (0..views.len()).filter(move |v| views[*v].shows == side);
    let mut pairs = of_side(Side::Part).flat_map(|p| of_side(Side::Board).map(move |b| (p, b)));
    if pairs.clone().any(|(p, b)| share_light(&views[p], &views[b], &frame)) {
        return Err(LightsError::SameLight { rgb: tints[0].rgb });
    }
    if let Some((p, b)) = pairs.find(|(p, b)| share_pixels(&views[*p], &views[*b], &frame)) {
        learnt.crosstalk = Some([
            crosstalk(pictures.part.picture, &changed, p, b, pictures.part.region),
            crosstalk(pictures.board.picture, &changed, b, p, pictures.board.region),
        ]);
    }
    learnt.tints = Some(tints);
    Ok(learnt)
}

impl Learnt {
    /// Puts what was learnt into a bench's optics.
    pub fn apply(&self, optics: &mut Optics) {
        optics.frame = self.frame;
        if let Some(tints) = &self.tints {
            put(optics, tints);
        }
    }
}

fn put(optics: &mut Optics, tints: &[Tint; 2]) {
    for view in &mut optics.views {
        let of_side = if view.shows == Side::Part { &tints[0] } else { &tints[1] };
        view.tint = of_side.rgb.map(|v| (v * 1e5).round() / 1e5);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_vision::picture::Samples;
    use landfit_vision::{ScaleSource, View};
    use nalgebra::Matrix3;

    const AMBER: [f64; 3] = [1.0, 0.6, 0.1];
    const CYAN: [f64; 3] = [0.1, 0.65, 1.0];
    const BLACK: f64 = 12.0;

    fn optics() -> Optics {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: Matrix3::identity() };
        let frame = Frame { size_px: [64, 48], black: 0.0, white: None, gamma: 1.0 };
        let views = vec![view(Side::Part, [1.0, 0.5, 0.5]), view(Side::Board, [0.5, 0.5, 1.0])];
        Optics { frame, lens: None, views, scale: ScaleSource::Bench }
    }

    /// Ramps of two lights over a black level, coded with gamma 2, full scale 235.
    fn shot(part: f64, board: f64) -> Picture {
        let mut values = Vec::new();
        for i in 0..64 * 48 {
            let ramps = [0.3 + 0.6 * f64::from(i % 64) / 64.0, 0.4 + 0.5 * f64::from(i / 64) / 48.0];
            for c in 0..3 {
                let light = part * AMBER[c] * ramps[0] + board * CYAN[c] * ramps[1];
                values.push((BLACK + (235.0 - BLACK) * light.min(1.0).sqrt()).round() as u8);
            }
        }
        Picture { width_px: 64, height_px: 48, channels: 3, samples: Samples::U8(values) }
    }

    #[test]
    fn levels_gamma_and_tints_are_learnt_in_one_go() {
        let (part, board, both, dark, bright) = (shot(0.5, 0.0), shot(0.0, 0.45), shot(0.5, 0.45), shot(0.0, 0.0), shot(9.0, 9.0));
        let alone = |picture| Lit { picture, region: None };
        let pictures = Pictures {
            part: alone(&part),
            board: alone(&board),
            both: Some(&both),
            dark: Some(&dark),
            bright: Some(&bright),
            again: Some(&part),
        };
        let learnt = learn(&pictures, &optics()).expect("learnt");
        assert_eq!((learnt.frame.black, learnt.frame.white), (BLACK, Some(235.0)));
        assert!((learnt.frame.gamma - 2.0).abs() < 0.03 && learnt.gamma.is_some_and(|g| !g.agrees), "{learnt:?}");
        let mut changed = optics();
        learnt.apply(&mut changed);
        for (view, is) in changed.views.iter().zip([AMBER, CYAN]) {
            assert!(view.tint.iter().zip(is).all(|(a, b)| (a - b).abs() < 0.02), "{:?}", view.tint);
        }
        assert!(learnt.crosstalk.is_some_and(|c| c.iter().all(|v| v.abs() < 0.01)), "{:?}", learnt.crosstalk);
        // Once more with what was learnt: gamma agrees and stays as it is written.
        let again = learn(&pictures, &changed).expect("learnt");
        assert!(again.gamma.is_some_and(|g| g.agrees));
        assert_eq!(again.frame, changed.frame);
    }

    #[test]
    fn one_light_is_enough_where_the_two_views_share_no_pixel() {
        let mut optics = optics();
        for (view, x) in optics.views.iter_mut().zip([0, 32]) {
            view.region_px = Some(RegionPx { x, y: 0, width: 32, height: 48 });
        }
        let white = shot(0.5, 0.45);
        let lit = |x| Lit { picture: &white, region: Some(RegionPx { x, y: 0, width: 32, height: 48 }) };
        let pictures = Pictures { part: lit(0), board: lit(32), both: None, dark: None, bright: None, again: None };
        // One lamp over both: the ramps are the scene's.
        let learnt = learn(&pictures, &optics).map(|l| (l.tints.is_some(), l.crosstalk));
        assert_eq!(learnt, Ok((true, None)));
        // One pixel's column in both views: there the two cannot be told apart.
        optics.views[1].region_px = Some(RegionPx { x: 31, y: 0, width: 32, height: 48 });
        assert!(matches!(learn(&pictures, &optics), Err(LightsError::SameLight { .. })));
    }

    #[test]
    fn pictures_mixed_up_are_said() {
        let (part, board, dark) = (shot(0.5, 0.0), shot(0.0, 0.45), shot(0.0, 0.0));
        let alone = |picture| Lit { picture, region: None };
        let plain = |a, b| Pictures { part: alone(a), board: alone(b), both: None, dark: None, bright: None, again: None };
        assert!(matches!(learn(&plain(&part, &part), &optics()), Err(LightsError::SameLight { .. })));
        let refused = |pictures: &Pictures<'_>| learn(pictures, &optics()).expect_err("refused");
        assert!(matches!(refused(&Pictures { dark: Some(&part), ..plain(&part, &board) }), LightsError::NotDark { .. }));
        assert!(matches!(refused(&Pictures { bright: Some(&part), ..plain(&part, &board) }), LightsError::NotWhite));
        let told = refused(&Pictures { bright: Some(&dark), dark: Some(&dark), ..plain(&part, &board) });
        assert!(matches!(told, LightsError::WhiteBelowBlack { .. }), "{told}");
        let dim = shot(0.001, 0.0);
        assert!(matches!(refused(&plain(&dim, &board)), LightsError::Picture { which: Which::Part, error: TintError::TooFew { .. } }));
    }
}
