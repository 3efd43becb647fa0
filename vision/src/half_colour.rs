//! Colour that is kept at half resolution (4:2:2, 4:2:0), as cameras and picture files do: what that leaves of each light in the other's plane.
//!
//! Such pictures hold brightness at every pixel, but what tells the lights apart only once for two of them. Coarse detail is told apart, fine
//! detail is brightness alone, of whichever light it is, and shows in both planes: beside a sharp edge of one light the other's plane is a
//! little too bright and a little too dark. Where balls lie with their edges over those of the lands that moves the lands' edges, and by
//! the same at all of them.
//!
//! For one axis and a detail of frequency f (cycles per px), h(f) is what stays of colour; lights P and L with shares b of the brightness show as
//!
//! > P' = h P + a (1 - h) (y_P P + y_L L)
//!
//! and likewise L', with the plane's answer a to equal steps of all three channels and the brightnesses y of the two lights. Of L',
//! a_L / a_P of (1 - G) P' is taken off, where G = h / (h + b (1 - h)) with b = a_P y_P: then no P is left in it at any frequency. That holds where
//! colour goes over linearly from pair to pair; where both of a pair have the same colour it is spread so first.

use crate::memory;
use crate::picture::{BRIGHTNESS, Picture, Samples, brightness};
use crate::plane::{Plane, mixed_pairs, region_of, unit, unmixing_weights};
use crate::stored::{Spread, Stored};
use crate::view::Optics;

/// What averaging two pixels and spreading their colour linearly leaves of a detail, on the mean over its places.
fn left_of_colour(cycles_per_px: f64) -> f64 {
    (std::f64::consts::PI * cycles_per_px).cos().powi(4)
}

/// Takes off what half-resolution colour leaves of each light in the other's plane, where two lights mix in one region.
pub(crate) fn take_off(pictures: &[Picture], stored: &[Stored], optics: &Optics, planes: &mut [Plane]) {
    // Brightness and colour are told apart in the camera's numbers: with a gamma they are no longer sums of light.
    if optics.frame.gamma != 1.0 {
        return;
    }
    for views in mixed_pairs(optics) {
        let exposure = optics.views[views[0]].exposure;
        let (picture, spreads) = (&pictures[exposure], stored[exposure].colour);
        if spreads == [None; 2] {
            continue;
        }
        if let Some(shares) = Shares::of(optics, views) {
            if spreads.contains(&Some(Spread::Repeated)) {
                shares.spread_linearly(planes, views, picture, optics, spreads);
            }
            shares.take_off(planes, views, spreads);
        }
    }
}

/// What brightness says of two lights.
struct Shares {
    /// The planes' answers to equal steps of all channels.
    answers: [f64; 2],
    /// Of each plane's fine detail, what is its own light's.
    own: [f64; 2],
}

/// A plane whose own light has less of the brightness than this tells nothing of that light's fine detail.
const LEAST_OWN: f64 = 0.1;

impl Shares {
    fn of(optics: &Optics, views: [usize; 2]) -> Option<Self> {
        let answers = views.map(|v| unmixing_weights(optics, v, 3).iter().sum::<f64>());
        let own = [0, 1].map(|i| answers[i] * brightness(unit(optics.views[views[i]].tint).into()));
        own.iter().all(|share| *share > LEAST_OWN).then_some(Self { answers, own })
    }

    /// Spreads colour that is repeated. A plane is its answer to brightness and what colour adds.
    fn spread_linearly(&self, planes: &mut [Plane], views: [usize; 2], picture: &Picture, optics: &Optics, spreads: [Option<Spread>; 2]) {
        let kernels = spreads.map(|spread| (spread == Some(Spread::Repeated)).then_some(FROM_PAIR_TO_PAIR));
        let brightness = brightness_of(picture, optics, views[0]);
        let of_brightness = fine_detail(&brightness, planes[views[0]].width, kernels);
        memory::give_back(brightness);
        for (view, answer) in views.into_iter().zip(self.answers) {
            let of_plane = fine_detail(&planes[view].light, planes[view].width, kernels);
            let fine = of_brightness.iter().zip(&of_plane);
            planes[view].light.to_mut().iter_mut().zip(fine).for_each(|(light, (b, p))| *light += answer as f32 * b - p);
            memory::give_back(of_plane);
        }
        memory::give_back(of_brightness);
    }

    fn take_off(&self, planes: &mut [Plane], views: [usize; 2], spreads: [Option<Spread>; 2]) {
        let fine = [0, 1].map(|i| {
            let plane = &planes[views[i]];
            fine_detail(&plane.light, plane.width, spreads.map(|spread| spread.map(|_| smoothing(self.own[i]))))
        });
        for (into, of) in [(0, 1), (1, 0)] {
            let share = (self.answers[into] / self.answers[of]) as f32;
            planes[views[into]].light.to_mut().iter_mut().zip(&fine[of]).for_each(|(light, fine)| *light -= share * fine);
        }
        fine.into_iter().for_each(memory::give_back);
    }
}

/// The brightness of a view's region, as linear light up to a constant, row by row.
fn brightness_of(picture: &Picture, optics: &Optics, view: usize) -> Vec<f32> {
    let region = region_of(&optics.views[view], &optics.frame);
    let white = optics.frame.white.unwrap_or(picture.full_scale());
    let per_step = (1.0 / (white - optics.frame.black).max(1e-9)) as f32;
    let of_pixel = BRIGHTNESS.map(|b| b as f32 * per_step);
    let mut out = memory::take(region.width as usize * region.height as usize);
    // Colour at half resolution is told of 8 bits alone.
    let Samples::U8(raw) = &picture.samples else { return out };
    for (y, line) in out.chunks_exact_mut(region.width as usize).enumerate() {
        let from = ((region.y as usize + y) * picture.width_px + region.x as usize) * 3;
        for (out, p) in line.iter_mut().zip(raw[from..].chunks_exact(3)) {
            *out = f32::from(p[0]) * of_pixel[0] + f32::from(p[1]) * of_pixel[1] + f32::from(p[2]) * of_pixel[2];
        }
    }
    out
}

/// Taps of a smoothing kernel on either side of its middle: the next are below 0.003.
const REACH: usize = 5;
type Kernel = [f32; 2 * REACH + 1];

/// What spreads repeated colour linearly between the pairs' middles.
const FROM_PAIR_TO_PAIR: Kernel = [0.0, 0.0, 0.0, 0.0, 0.25, 0.5, 0.25, 0.0, 0.0, 0.0, 0.0];

/// The kernel whose transfer is G for a light with this share of its plane's fine detail.
fn smoothing(own: f64) -> Kernel {
    const FREQUENCIES: usize = 64;
    let transfer = |k: usize| {
        let h = left_of_colour(k as f64 / FREQUENCIES as f64);
        h / (h + own * (1.0 - h))
    };
    let at = |tap: usize| {
        let wave = |k: usize| (std::f64::consts::TAU * (k * tap) as f64 / FREQUENCIES as f64).cos();
        (0..FREQUENCIES).map(|k| transfer(k) * wave(k)).sum::<f64>() / FREQUENCIES as f64
    };
    let taps: [f64; 2 * REACH + 1] = std::array::from_fn(|i| at(i.abs_diff(REACH)));
    let sum: f64 = taps.iter().sum();
    taps.map(|tap| (tap / sum) as f32)
}

/// Light, row by row, less itself smoothed along x and y. (imageproc's separable filter takes new memory for every picture.)
fn fine_detail(light: &[f32], width: usize, [along_x, along_y]: [Option<Kernel>; 2]) -> Vec<f32> {
    let height = light.len() / width.max(1);
    let mut fine = memory::take(light.len());
    let mut padded = vec![0.0_f32; width + 2 * REACH];
    let mut smooth = vec![0.0_f32; width];
    for y in 0..height {
        let row = |y: usize| &light[y * width..][..width];
        match along_y {
            None => smooth.copy_from_slice(row(y)),
            Some(kernel) => {
                smooth.fill(0.0);
                for (i, tap) in kernel.into_iter().enumerate() {
                    let beside = row((y + i).saturating_sub(REACH).min(height - 1));
                    smooth.iter_mut().zip(beside).for_each(|(sum, light)| *sum += tap * light);
                }
            }
        }
        if let Some(kernel) = along_x {
            padded[..REACH].fill(smooth[0]);
            padded[REACH..][..width].copy_from_slice(&smooth);
            padded[REACH + width..].fill(smooth[width - 1]);
            smooth.fill(0.0);
            for (i, tap) in kernel.into_iter().enumerate() {
                smooth.iter_mut().zip(&padded[i..]).for_each(|(sum, light)| *sum += tap * light);
            }
        }
        let out = &mut fine[y * width..][..width];
        out.iter_mut().zip(row(y)).zip(&smooth).for_each(|((out, light), smooth)| *out = light - smooth);
    }
    fine
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::separate_all;
    use crate::stored::tests::{SIZE, TINTS, picture};
    use crate::view::{Frame, View};
    use landfit_part::Side;
    use nalgebra::Matrix3;

    fn optics(gamma: f64) -> Optics {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: Matrix3::identity() };
        Optics {
            frame: Frame { size_px: [SIZE as u32; 2], black: 0.0, white: None, gamma },
            lens: None,
            views: vec![view(Side::Part, TINTS[0]), view(Side::Board, TINTS[1])],
            scale: crate::ScaleSource::Bench,
        }
    }

    /// How far the board's plane is from even, over the step of the discs: the largest difference before and after.
    fn leaks(picture: &Picture, optics: &Optics) -> [f32; 2] {
        let mut planes = separate_all(std::slice::from_ref(picture), optics, |_| None);
        let uneven = |planes: &[Plane]| {
            let (least, most) = planes[1].light.iter().fold((f32::MAX, f32::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
            (most - least) / (200.0 / 255.0)
        };
        let before = uneven(&planes);
        take_off(std::slice::from_ref(picture), &[Stored::of(picture)], optics, &mut planes);
        [before, uneven(&planes)]
    }

    #[test]
    fn sharp_edges_of_one_light_show_less_in_the_others_plane() {
        for (block, share) in [([2, 1], 0.75), ([2, 2], 0.75), ([2, 1], 1.0), ([2, 2], 1.0)] {
            let [before, after] = leaks(&picture(block, share), &optics(1.0));
            assert!(before > 0.05 && after < 0.6 * before, "{block:?} {share}: {before} {after}");
        }
    }

    #[test]
    fn pictures_of_whole_colour_and_of_another_gamma_stay_as_they_are() {
        let [before, after] = leaks(&picture([1, 1], 1.0), &optics(1.0));
        assert_eq!(before, after);
        let [before, after] = leaks(&picture([2, 1], 0.75), &optics(2.2));
        assert_eq!(before, after);
    }

    #[test]
    fn a_kernel_keeps_even_light_and_holds_all_of_its_transfer() {
        let kernel = smoothing(0.4);
        assert!((kernel.iter().sum::<f32>() - 1.0).abs() < 1e-6);
        assert!(kernel[0].abs() < 0.003 && kernel[REACH] > 0.3, "{kernel:?}");
    }
}
