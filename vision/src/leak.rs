//! What of each light the other's plane holds although the bench file's tints say that it holds none, as the picture itself shows
//! it: tints that were measured badly or not at all, a colour filter that lets more through than was told.
//!
//! Where the light of one side steps and the other side's is even, the other's plane steps by the leak times as much; where both
//! step, by anything. So of all strong steps of one light, the one ratio that most of them share is the leak. Both leaks are looked
//! for by turns, as each hides the other's even places. A ratio that says little more than none is taken for none.

mod by_fit;

pub(crate) use by_fit::told_by_fits;

use crate::median::quantile;
use crate::picture::{Picture, Samples};
use crate::plane::{Plane, mixed_pairs, region_of, separate_all};
use crate::view::{Frame, Optics, RegionPx, View};

/// Rows of a region that are looked at, spread over it.
const ROWS: usize = 40;
/// A step is taken from the mean of so many pixels to that of as many others...
const END_PX: usize = 3;
/// ...so far on in the row, px: wider than edges are blurred and colours of single pixels smeared.
const STEP_PX: usize = 7;
/// From one step to the next, px.
const STRIDE_PX: usize = 2;
/// Strong is a step of half the one that this share of all steps is smaller than...
const STRONG_QUANTILE: f64 = 0.95;
/// ...and of at least so many times the noise of its plane.
const LEAST_OVER_NOISE: f32 = 8.0;
/// The quartile of a normal variable's size, in standard deviations: how the noise of steps is told, most of which are no edges.
const QUARTILE_SD: f32 = 0.3186;
/// A step shares a ratio when it is off by at most so many standard deviations of noise.
const SHARED_WITHIN_SD: f32 = 2.0;
/// Leaks that are looked for: filters that leak more than a quarter are no filters...
const MOST_LEAK: f32 = 0.3;
/// ...at ratios so far apart, before the best is refined.
const RATIO_STEP: f32 = 0.02;
/// Times each leak is looked for again with the other taken off.
const TURNS: usize = 3;
/// Fewer strong steps tell nothing.
const LEAST_STEPS: usize = 200;
/// The ratio must be shared by this part of the strong steps, and by so many times as many as no leak is. In eight rendered scenes of each
/// of 66 kinds, leaks of 5 to 20 % were found to 0.007 so; where nothing leaked, nothing was found but in three scenes (0.02 to 0.05), and
/// where an untold gamma mixes the lights.
const LEAST_SHARE: f32 = 0.2;
const LEAST_TIMES_NONE: f32 = 1.5;
/// Steps that share a leak as large as this are far from sharing none, so that it must be shared by so many times as many: where small
/// sites lie half over one another, few steps have even places beside them, and a quarter of them may agree by chance. Of 23 rendered scenes
/// with such leaks 7 times and more; 3.2 times where a glare band showed one of 21 % that there was not.
const LARGE_LEAK: f32 = 0.12;
const LEAST_TIMES_NONE_IF_LARGE: f32 = 5.0;
/// Where sites lie over one another with their middles together, few steps of either have even places beside them: so few must share the leak,
/// where so many times fewer share none. Two rendered scenes had 9 and 20 % of the steps at the true leak, 10 and 19 times as many as at none.
const LEAST_SHARE_OF_FEW: f32 = 0.08;
const TIMES_NONE_OF_FEW: f32 = 8.0;
/// Where less than this part of the strong steps shares none, and no leak is told, nothing says that there is none: the least of 150 rendered
/// scenes of three kinds without leaks was a tenth, but for balls of 3 px radius.
const OPEN_BELOW_SHARE: f32 = 0.06;
/// Counts that differ by less than so many standard deviations are the same. An edge lies within as many spans as are begun within the
/// length of one, and is counted by each, so that the variance of a count is so many times the count. Of 16 rendered scenes with leaks
/// the counts of ratios that were told differed by 4.2 and more; where 66 balls of 3 px radius lay half over their lands, a leak of
/// 9 % that there was not by 0.9.
const LEAST_SD_OF_COUNTS: f32 = 2.0;
pub(crate) const SPANS_OF_AN_EDGE: f32 = ((STEP_PX + END_PX) / STRIDE_PX) as f32;

/// A leak that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Leak {
    /// Index of the view whose plane holds it.
    pub into: usize,
    /// Index of the view whose light it is.
    pub of: usize,
    /// How much of that light, as a part of it.
    pub share: f64,
}

/// What the steps of a picture tell.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct ToldBySteps {
    pub leaks: Vec<Leak>,
    /// What most of them share where they do not tell whether there is a leak.
    pub open: Vec<Leak>,
}

/// The leaks between views that share their pixels in two tints.
pub(crate) fn leaks(pictures: &[Picture], optics: &Optics) -> ToldBySteps {
    let mut found = ToldBySteps::default();
    for [i, j] in mixed_pairs(optics) {
        let (picture, region) = (&pictures[optics.views[i].exposure], region_of(&optics.views[i], &optics.frame));
        if picture.channels != 3 {
            continue;
        }
        let steps = steps(&some_rows(picture, optics, region, &[i, j]));
        for ([into, of], leak) in [[i, j], [j, i]].into_iter().zip(between(&steps)) {
            match leak {
                Told::Share(share) => found.leaks.push(Leak { into, of, share: f64::from(share) }),
                Told::Open(share) => found.open.push(Leak { into, of, share: f64::from(share) }),
                Told::NoMore => {}
            }
        }
    }
    found
}

/// Optics whose tints hold what leaks: light of a view comes with its tint and what of the other's tint it brings along.
pub(crate) fn with_leaks(optics: &Optics, leaks: &[Leak]) -> Optics {
    let mut told = optics.clone();
    for leak in leaks {
        let largest = |tint: [f64; 3]| tint.into_iter().fold(f64::MIN_POSITIVE, f64::max);
        let (seen_in, of) = (optics.views[leak.into].tint, optics.views[leak.of].tint);
        let per_light = leak.share * largest(of) / largest(seen_in);
        for (channel, brought) in told.views[leak.of].tint.iter_mut().zip(seen_in) {
            *channel = (*channel + per_light * brought).max(0.0);
        }
    }
    told
}

/// The largest leak.
pub(crate) fn largest(leaks: &[Leak]) -> Option<&Leak> {
    leaks.iter().max_by(|a, b| a.share.abs().total_cmp(&b.share.abs()))
}

/// Says the largest leak that is worth a calibration.
pub(crate) fn warning(optics: &Optics, leaks: &[Leak]) -> Option<String> {
    largest(leaks).map(|leak| format!("{}; this was allowed for. {LEARN_ANEW}", off_words(optics, leak)))
}

/// What a leak says of the bench file: the beginning of a sentence.
pub(crate) fn off_words(optics: &Optics, leak: &Leak) -> String {
    let (side, percent) = (optics.views[leak.of].shows.word(), 100.0 * leak.share.abs());
    format!("The tints of the bench file do not fit the {side}'s light by about {percent:.0} %")
}

/// What to do then.
pub(crate) const LEARN_ANEW: &str = "Learn the lights' colours anew (calibrate lights).";

/// Both lights of some rows of a region.
pub(crate) fn some_rows(picture: &Picture, optics: &Optics, region: RegionPx, views: &[usize]) -> Vec<Plane> {
    let (left, width) = (region.x as usize, region.width as usize);
    let (top, height) = (region.y as usize, region.height as usize);
    let n = ROWS.min(height);
    let rows: Vec<usize> = (0..n).map(|k| top + (2 * k + 1) * height / (2 * n)).collect();
    let spans = rows.iter().map(|y| {
        let start = (y * picture.width_px + left) * picture.channels;
        start..start + width * picture.channels
    });
    let samples = match &picture.samples {
        Samples::U8(raw) => Samples::U8(spans.map(|s| &raw[s]).collect::<Vec<_>>().concat()),
        Samples::U16(raw) => Samples::U16(spans.map(|s| &raw[s]).collect::<Vec<_>>().concat()),
    };
    let thin = Picture { width_px: width, height_px: rows.len(), channels: picture.channels, samples };
    let frame = Frame { size_px: [region.width, rows.len() as u32], ..optics.frame };
    let views = views.iter().map(|v| View { exposure: 0, region_px: None, ..optics.views[*v].clone() });
    separate_all(&[thin], &Optics { frame, views: views.collect(), ..optics.clone() }, |_| None)
}

/// What steps tell of one leak.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Told {
    /// So much of the light, as a part of it.
    Share(f32),
    /// No more than is known already.
    NoMore,
    /// Nothing: so much is shared by most, perhaps by chance.
    Open(f32),
}

/// The leak into the first plane and the one into the second.
fn between(steps: &[[f32; 2]]) -> [Told; 2] {
    let mut leaks = [0.0_f32; 2];
    let mut open = [None; 2];
    for _ in 0..TURNS {
        // What the planes hold once the leaks known so far are taken off.
        let apart = 1.0 - leaks[0] * leaks[1];
        let cleaned: Vec<[f32; 2]> = steps.iter().map(|[a, b]| [(a - leaks[0] * b) / apart, (b - leaks[1] * a) / apart]).collect();
        let Some(usual) = Usual::of_both(&cleaned) else { break };
        let more = [[0, 1], [1, 0]].map(|[into, of]| shared_ratio(&cleaned, &usual, [into, of], -leaks[into]));
        open = more.map(|told| if let Told::Open(ratio) = told { Some(ratio) } else { None });
        let total = |into: usize| {
            let ratio = |plane: usize| if let Told::Share(ratio) = more[plane] { ratio } else { -leaks[plane] };
            (leaks[into] + ratio(into)) / (1.0 + leaks[into] * ratio(1 - into))
        };
        let told = [total(0), total(1)];
        // Every further turn would tell the same.
        if told == leaks {
            break;
        }
        leaks = told;
    }
    std::array::from_fn(|into| match (leaks[into], open[into]) {
        (leak, _) if leak != 0.0 && leak.abs() <= MOST_LEAK => Told::Share(leak),
        (_, Some(ratio)) => Told::Open(ratio),
        _ => Told::NoMore,
    })
}

/// The steps of planes of one region along their rows.
pub(crate) fn steps<const N: usize>(planes: &[Plane]) -> Vec<[f32; N]> {
    let width = planes[0].width;
    let starts = || (0..(width + 1).saturating_sub(STEP_PX + END_PX)).step_by(STRIDE_PX);
    let mut steps = Vec::with_capacity(planes[0].height * starts().len());
    for y in 0..planes[0].height {
        let rows: [&[f32]; N] = std::array::from_fn(|k| &planes[k].light[y * width..][..width]);
        for x in starts() {
            let end = |row: &[f32], x: usize| row[x..x + END_PX].iter().sum::<f32>() / END_PX as f32;
            steps.push(rows.map(|row| end(row, x + STEP_PX) - end(row, x)));
        }
    }
    steps
}

/// How large the steps of one plane are.
struct Usual {
    /// Standard deviation of the noise.
    noise: f32,
    /// What all but the largest are smaller than.
    large: f32,
}

impl Usual {
    /// Of both planes; `None` of no steps.
    fn of_both(steps: &[[f32; 2]]) -> Option<[Self; 2]> {
        let of = |plane: usize| {
            let mut sizes: Vec<f32> = steps.iter().map(|s| s[plane].abs()).collect();
            let large = quantile(&mut sizes, STRONG_QUANTILE)?;
            Some(Self { noise: quantile(&mut sizes, 0.25)? / QUARTILE_SD, large })
        };
        Some([of(0)?, of(1)?])
    }
}

/// The ratio that most of the strong steps of plane `of` share in plane `into`: no more than `none` where too few are strong or share one, or
/// where it is not told from `none`; open where hardly any of many share `none`,
/// or too many do for so large a leak.
fn shared_ratio(steps: &[[f32; 2]], usual: &[Usual; 2], [into, of]: [usize; 2], none: f32) -> Told {
    let least = (0.5 * usual[of].large).max(LEAST_OVER_NOISE * usual[of].noise.max(usual[into].noise));
    let strong: Vec<[f32; 2]> = steps.iter().filter(|s| s[of].abs() > least).map(|s| [s[into], s[of]]).collect();
    let within = SHARED_WITHIN_SD * usual[into].noise;
    let sharing = |ratio: f32| strong.iter().filter(move |[into, of]| (into - ratio * of).abs() < within);
    let tried = (MOST_LEAK / RATIO_STEP) as i32;
    let Some(mut ratio) = (-tried..=tried).map(|k| k as f32 * RATIO_STEP).max_by_key(|ratio| sharing(*ratio).count()) else {
        return Told::NoMore;
    };
    for _ in 0..3 {
        let (product, square) = sharing(ratio).fold((0.0, 0.0), |(product, square), [into, of]| (product + into * of, square + of * of));
        ratio = product / f32::max(square, f32::MIN_POSITIVE);
    }
    let share = |ratio: f32| sharing(ratio).count() as f32;
    let more = share(ratio) - share(none);
    let by_chance = (SPANS_OF_AN_EDGE * (share(ratio) + share(none))).sqrt();
    let least_share = if share(ratio) >= TIMES_NONE_OF_FEW * share(none) { LEAST_SHARE_OF_FEW } else { LEAST_SHARE };
    let stands_out = strong.len() >= LEAST_STEPS
        && share(ratio) >= least_share * strong.len() as f32
        && share(ratio) >= LEAST_TIMES_NONE * share(none)
        && more >= LEAST_SD_OF_COUNTS * by_chance;
    let is_sure = (ratio - none).abs() <= LARGE_LEAK || share(ratio) >= LEAST_TIMES_NONE_IF_LARGE * share(none);
    let is_none_told = strong.len() < LEAST_STEPS || share(none) >= OPEN_BELOW_SHARE * strong.len() as f32;
    match (stands_out, is_sure) {
        (true, true) => Told::Share(ratio),
        (false, _) if is_none_told => Told::NoMore,
        _ => Told::Open(ratio),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::ScaleSource;
    use landfit_part::Side;
    use nalgebra::Matrix3;

    const AMBER: [f64; 3] = [1.0, 0.62, 0.1];
    const CYAN: [f64; 3] = [0.08, 0.75, 1.0];

    fn optics(part: [f64; 3], board: [f64; 3]) -> Optics {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: Matrix3::identity() };
        let frame = Frame { size_px: [480, 360], black: 0.0, white: None, gamma: 1.0 };
        Optics { frame, lens: None, views: vec![view(Side::Part, part), view(Side::Board, board)], scale: ScaleSource::Bench }
    }

    /// Discs of both lights, `apart_px` from each other, with noise of one step.
    fn picture(apart_px: f64) -> Picture {
        let optics = optics(AMBER, CYAN);
        let is_in = |x: f64, y: f64, radius: f64| (x.rem_euclid(48.0) - 24.0).hypot(y.rem_euclid(48.0) - 24.0) < radius;
        let mut raw = Vec::new();
        let mut noise = 1_u32;
        for i in 0..480 * 360 {
            let (x, y) = (f64::from(i % 480), f64::from(i / 480));
            let lights = [if is_in(x, y, 14.0) { 0.5 } else { 0.08 }, if is_in(x - apart_px, y, 10.0) { 0.4 } else { 0.1 }];
            for channel in 0..3 {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let light: f64 = lights.iter().zip(&optics.views).map(|(l, v)| l * v.tint[channel]).sum();
                raw.push((255.0 * light + f64::from(noise >> 16) / 65536.0 * 2.0 - 0.5).round() as u8);
            }
        }
        Picture { width_px: 480, height_px: 360, channels: 3, samples: Samples::U8(raw) }
    }

    #[test]
    fn tints_that_fit_leak_nothing() {
        for apart_px in [0.0, 3.0, 11.0, 24.0] {
            assert_eq!(leaks(&[picture(apart_px)], &optics(AMBER, CYAN)).leaks, [], "{apart_px}");
        }
    }

    #[test]
    fn tints_that_hold_too_little_leak_what_they_lack() {
        // The bench file knows the strongest channels only.
        let told = optics([1.0, 0.62, 0.0], [0.0, 0.75, 1.0]);
        for apart_px in [3.0, 11.0, 24.0] {
            let found = leaks(&[picture(apart_px)], &told).leaks;
            assert_eq!(found.len(), 2, "{apart_px}: {found:?}");
            let allowed_for = with_leaks(&told, &found);
            // What is left once they are allowed for: the true tints through the pseudo-inverse of the told ones.
            let tints = |o: &Optics| nalgebra::DMatrix::from_fn(3, 2, |r, c| o.views[c].tint[r]);
            let light = |o: &Optics| tints(o).pseudo_inverse(1e-9).unwrap() * tints(&optics(AMBER, CYAN));
            let left = |light: nalgebra::DMatrix<f64>| (light[(0, 1)] / light[(1, 1)]).abs().max((light[(1, 0)] / light[(0, 0)]).abs());
            let (before, after) = (left(light(&told)), left(light(&allowed_for)));
            assert!(before > 0.05 && after < 0.01, "{apart_px}: {before} {after}");
            assert!(warning(&told, &found).is_some_and(|text| text.contains("calibrate lights")));
        }
    }

    #[test]
    fn even_pictures_grey_ones_and_one_light_tell_of_no_leak() {
        let even = Picture { width_px: 480, height_px: 360, channels: 3, samples: Samples::U8(vec![90; 480 * 360 * 3]) };
        assert_eq!(leaks(&[even], &optics([1.0, 0.62, 0.0], [0.0, 0.75, 1.0])), ToldBySteps::default());
        let grey = Picture { width_px: 480, height_px: 360, channels: 1, samples: Samples::U8(vec![90; 480 * 360]) };
        assert_eq!(leaks(&[grey], &optics([1.0; 3], [1.0; 3])), ToldBySteps::default());
        assert_eq!(leaks(&[picture(11.0)], &optics([1.0; 3], [1.0; 3])), ToldBySteps::default());
    }
}
