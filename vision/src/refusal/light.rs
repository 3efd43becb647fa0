//! Light that explains why nothing is seen: too little, too much, or blurred.

use crate::answer::{ReasonCode, Refusal};
use crate::plane::Reduced;
use crate::side::SideView;

/// Light of the brightest places, as a share of full scale, below which a picture that shows nothing is called dark.
const DARK_BELOW: f64 = 0.012;
/// What the brightest places should reach, as a share of full scale: half of it leaves room for what shines. Common practice, no source.
const AIMED_AT: f64 = 0.5;
/// Less light than one step of 8 bits cannot be told from none.
const LEAST_LIGHT: f64 = 1.0 / 255.0;
/// Share of saturated pixels above which a picture that shows nothing is called saturated.
const SATURATED_ABOVE: f64 = 0.25;
/// Light differences below this share of full scale are no features, however they are blurred.
const LEAST_CONTRAST: f64 = 0.06;
/// The same of what stands out by so many times from the flattest places of the picture.
const LEAST_BLURRED_CONTRAST: f64 = 0.012;
const STANDS_OUT_TIMES: f64 = 15.0;

/// Light that explains why nothing is seen: too dark, saturated or blurred.
pub(super) fn light_trouble(views: &[SideView], most_blur_share: f64) -> Option<Refusal> {
    views
        .iter()
        .filter_map(|v| trouble_of(v, most_blur_share).map(|(code, text)| Refusal::new(code, Some(v.index), text)))
        .min_by_key(|r| r.code)
}

fn trouble_of(view: &SideView, most_blur_share: f64) -> Option<(ReasonCode, String)> {
    let mut light = view.reduced.light.to_vec();
    light.sort_by(f32::total_cmp);
    let quantile = |q: f64| f64::from(light.get((light.len() as f64 * q) as usize).copied().unwrap_or(0.0));
    let brightest = quantile(0.995);
    if brightest < DARK_BELOW {
        let mend = if brightest > LEAST_LIGHT {
            format!("Switch the light on, or raise light or exposure about {:.0} times.", AIMED_AT / brightest)
        } else {
            "Switch the light on, and see that nothing covers the lens.".to_owned()
        };
        let text = format!("The brightest places reach {:.1} % of full scale. {mend}", 100.0 * brightest.max(0.0));
        return Some((ReasonCode::TooDark, text));
    }
    let saturated = view.plane.saturated_share();
    if saturated > SATURATED_ABOVE {
        let text =
            format!("{:.0} % of the pixels are at full scale. Lower light or exposure to a half, and look again.", 100.0 * saturated);
        return Some((ReasonCode::Saturated, text));
    }
    let blur_px = blur_of_strongest_edges(view)?;
    (blur_px > most_blur_share * view.radius_px).then(|| {
        let text = format!(
            "The sharpest edges are blurred over about {blur_px:.0} px, where a feature is {:.0} px across. Focus, and wait until nothing moves. Which way the focus is off one picture cannot tell: go on the way in which this number falls.",
            2.0 * view.radius_px
        );
        (ReasonCode::TooBlurred, text)
    })
}

/// Blur of the sharpest edges as a Gaussian's standard deviation, px: contrast over the steepest slopes. `None` without
/// contrast at the scale of the features.
fn blur_of_strongest_edges(view: &SideView) -> Option<f64> {
    // Noise has steep slopes of its own; what smoothing adds to the blur is known.
    let reduced = smoothed(&view.reduced);
    let factor = reduced.factor as f64;
    let window = (4.0 * view.radius_px / factor).ceil() as usize;
    let (w, h) = (reduced.width, reduced.height);
    if w < 2 * window || h < 2 * window {
        return None;
    }
    let (mut contrasts, mut slopes) = (Vec::new(), Vec::new());
    for y0 in (0..h - window).step_by(window) {
        for x0 in (0..w - window).step_by(window) {
            let mut inside: Vec<f32> =
                (y0..y0 + window).flat_map(|y| reduced.light[y * w + x0..y * w + x0 + window].iter().copied()).collect();
            inside.sort_by(f32::total_cmp);
            let n = inside.len();
            contrasts.push(f64::from(inside[n - 1 - n / 20] - inside[n / 20]));
            let mut steep = 0.0_f64;
            for y in y0 + 1..y0 + window - 1 {
                for x in x0 + 1..x0 + window - 1 {
                    let l = &reduced.light;
                    let gx = f64::from(l[y * w + x + 1] - l[y * w + x - 1]) / (2.0 * factor);
                    let gy = f64::from(l[(y + 1) * w + x] - l[(y - 1) * w + x]) / (2.0 * factor);
                    steep = steep.max(gx.hypot(gy));
                }
            }
            slopes.push(steep);
        }
    }
    contrasts.sort_by(f64::total_cmp);
    slopes.sort_by(f64::total_cmp);
    let quantile = |values: &[f64], percent: usize| values.get(values.len() * percent / 100).copied();
    let [flattest, contrast, strongest] = [quantile(&contrasts, 10)?, quantile(&contrasts, 80)?, quantile(&contrasts, 95)?];
    let slope = quantile(&slopes, 80)?;
    // Light that is merely uneven is so everywhere; a blurred thing stands somewhere.
    let is_something = contrast > LEAST_CONTRAST || (strongest > LEAST_BLURRED_CONTRAST && strongest > STANDS_OUT_TIMES * flattest);
    let blur_px = contrast / (slope * (2.0 * std::f64::consts::PI).sqrt());
    let added_px = SMOOTHING_VARIANCE.sqrt() * factor;
    (is_something && slope > 0.0).then(|| (blur_px * blur_px - added_px * added_px).max(0.0).sqrt())
}

/// Two passes of three blocks' mean along each axis, in squared blocks.
const SMOOTHING_VARIANCE: f64 = 2.0 * 2.0 / 3.0;

/// The mean of three blocks along each axis, twice; the outermost blocks stay as they are.
fn smoothed(reduced: &Reduced) -> Reduced {
    let (w, h) = (reduced.width, reduced.height);
    let mut light = reduced.light.to_vec();
    for step in [1, w, 1, w] {
        let from = light.clone();
        for y in 1..h.saturating_sub(1) {
            for i in y * w + 1..(y + 1) * w - 1 {
                light[i] = (from[i - step] + from[i] + from[i + step]) / 3.0;
            }
        }
    }
    Reduced { light: light.into(), ..*reduced }
}
