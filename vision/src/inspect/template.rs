//! What one site of this very picture looks like, learned from its likely sites, and how well a place agrees with it.

use super::light::Light;
use crate::view::PointPx;
use nalgebra::{Matrix4, Vector4};

/// A place to look at, and how much larger the picture is there than at the reference place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot {
    pub at: PointPx,
    pub scale: f64,
}

/// The mean look of a site, symmetrised about its centre: its own centre is the template's.
#[derive(Debug, Clone)]
pub(crate) struct Template {
    /// Offsets of the samples from the centre, px at the reference place.
    offsets: Vec<[f64; 2]>,
    spacing_px: f64,
    radius_px: f64,
    /// Mean zero, squares sum to one.
    values: Vec<f64>,
    /// Median amplitude of the sites it was learned from.
    amplitude: f64,
    /// Diameter at half of its height over the surround, px at the reference place.
    pub diameter_px: f64,
    /// How far the template's extreme stands from its surround, in units of its values.
    height: f64,
}

/// What a place looks like in terms of the template.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look {
    /// Best agreeing centre.
    pub at: PointPx,
    /// Correlation with the template, -1 … 1.
    pub likeness: f64,
    /// Amplitude over that of the sites learned from.
    pub gain: f64,
    /// Standard uncertainty of the centre on one axis, px, from what the template leaves unexplained.
    pub sigma_px: f64,
    /// Brightness of the surround and of the site, by the fitted template.
    pub surround: f64,
    pub height: f64,
    /// Mean brightness of the whole patch and its standard deviation.
    pub mean: f64,
    pub spread: f64,
}

/// Learned from no more than this many sites.
const MOST_SITES: usize = 600;
/// So many sites are enough to see by how much all of them are off.
const SITES_TO_CENTRE: usize = 40;
/// First step of the search for the common shift is half of this share of the template's radius; the steps halve.
const MOST_COMMON_SHIFT: f64 = 0.2;
const NEIGHBOURS: [(f64, f64); 8] = [(-1.0, -1.0), (0.0, -1.0), (1.0, -1.0), (-1.0, 0.0), (1.0, 0.0), (-1.0, 1.0), (0.0, 1.0), (1.0, 1.0)];

impl Spot {
    /// Moved by `shift` px at the reference place.
    fn moved(self, shift: [f64; 2]) -> Self {
        Self { at: PointPx::new(self.at.x + shift[0] * self.scale, self.at.y + shift[1] * self.scale), ..self }
    }
}

impl Template {
    /// Learns the mean look within `radius_px` of the spots; `None` where they show nothing.
    pub fn learn(light: &Light, spots: &[Spot], radius_px: f64) -> Option<Self> {
        let across = (2.0 * radius_px).ceil().clamp(8.0, 22.0);
        let spacing_px = 2.0 * radius_px / across;
        let half = across as i32 / 2;
        let offsets: Vec<[f64; 2]> = (-half..=half)
            .flat_map(|j| (-half..=half).map(move |i| [f64::from(i) * spacing_px, f64::from(j) * spacing_px]))
            .filter(|o| o[0].hypot(o[1]) <= radius_px + 1e-9)
            .collect();
        let n = offsets.len();
        let mut template = Self { offsets, spacing_px, radius_px, values: vec![0.0; n], amplitude: 0.0, diameter_px: 0.0, height: 0.0 };
        let stride = spots.len().div_ceil(MOST_SITES).max(1);
        let common = template.common_shift_px(light, spots);
        let patches: Vec<Vec<f64>> = spots.iter().step_by(stride).map(|s| template.read(light, s.moved(common)).values).collect();
        let mut weights = vec![1.0; patches.len()];
        for _ in 0..3 {
            let mut sum = vec![0.0; n];
            for (patch, weight) in patches.iter().zip(&weights) {
                let norm = patch.iter().map(|v| v * v).sum::<f64>().sqrt();
                if norm > 1e-9 {
                    sum.iter_mut().zip(patch).for_each(|(s, v)| *s += weight * v / norm);
                }
            }
            // The offsets are in reading order, so the opposite of the first is the last.
            let both: Vec<f64> = sum.iter().zip(sum.iter().rev()).map(|(a, b)| a + b).collect();
            let norm = both.iter().map(|v| v * v).sum::<f64>().sqrt();
            if norm < 1e-9 {
                return None;
            }
            template.values = both.into_iter().map(|v| v / norm).collect();
            for (weight, patch) in weights.iter_mut().zip(&patches) {
                let norm = patch.iter().map(|v| v * v).sum::<f64>().sqrt().max(1e-9);
                *weight = (dot(patch, &template.values) / norm).max(0.0).powi(2);
            }
        }
        let mut amplitudes: Vec<f64> = patches.iter().map(|p| dot(p, &template.values)).collect();
        amplitudes.sort_by(f64::total_cmp);
        template.amplitude = amplitudes[amplitudes.len() / 2];
        (template.diameter_px, template.height) = template.outline();
        (template.amplitude > 1e-4).then_some(template)
    }

    /// How far the spots stand off the sites' centres, all the same way, px at the reference place.
    ///
    /// A ring that is brighter on one side draws whatever found it to that side, everywhere alike; the mean look of such places,
    /// made symmetric, would keep the shift for good. The mean look is most like itself turned by half a turn about its true
    /// centre, and brightness that rises across it moves that place hardly at all.
    fn common_shift_px(&self, light: &Light, spots: &[Spot]) -> [f64; 2] {
        let stride = spots.len().div_ceil(SITES_TO_CENTRE).max(1);
        let symmetry = |shift: [f64; 2]| {
            let mut sum = vec![0.0; self.offsets.len()];
            for spot in spots.iter().step_by(stride) {
                let values = self.read(light, spot.moved(shift)).values;
                let norm = dot(&values, &values).sqrt().max(1e-9);
                sum.iter_mut().zip(&values).for_each(|(s, v)| *s += v / norm);
            }
            sum.iter().zip(sum.iter().rev()).map(|(a, b)| a * b).sum::<f64>() / dot(&sum, &sum).max(1e-12)
        };
        let mut best = (symmetry([0.0; 2]), [0.0; 2]);
        let mut step = MOST_COMMON_SHIFT * self.radius_px / 2.0;
        while step > 0.01 {
            let middle = best.1;
            for (i, j) in NEIGHBOURS {
                let shift = [middle[0] + i * step, middle[1] + j * step];
                let likeness = symmetry(shift);
                if likeness > best.0 {
                    best = (likeness, shift);
                }
            }
            step *= 0.5;
        }
        best.1
    }

    /// Whether the site is brighter than its surround.
    pub fn is_bright(&self) -> bool {
        self.height > 0.0
    }

    /// Diameter at half height, px, and the signed height of the extreme over the rim, from the mean over the angle.
    fn outline(&self) -> (f64, f64) {
        let bins = ((self.radius_px / self.spacing_px).floor() as usize).max(3);
        let (mut sums, mut counts) = (vec![0.0; bins + 1], vec![0.0; bins + 1]);
        for (o, v) in self.offsets.iter().zip(&self.values) {
            let place = o[0].hypot(o[1]) / self.radius_px * bins as f64;
            let (low, part) = ((place as usize).min(bins), place.fract());
            sums[low] += (1.0 - part) * v;
            counts[low] += 1.0 - part;
            if low < bins {
                sums[low + 1] += part * v;
                counts[low + 1] += part;
            }
        }
        let profile: Vec<f64> = sums.iter().zip(&counts).map(|(s, c)| if *c > 0.0 { s / c } else { 0.0 }).collect();
        let rim = profile[bins];
        let top = (0..bins).max_by(|a, b| (profile[*a] - rim).abs().total_cmp(&(profile[*b] - rim).abs())).unwrap_or(0);
        let height = profile[top] - rim;
        let drop = (top..bins).find(|i| (profile[i + 1] - rim) / height < 0.5).unwrap_or(bins - 1);
        let (inner, outer) = ((profile[drop] - rim) / height, (profile[drop + 1] - rim) / height);
        let part = if inner > outer { ((inner - 0.5) / (inner - outer)).clamp(0.0, 1.0) } else { 0.5 };
        (2.0 * (drop as f64 + part) / bins as f64 * self.radius_px, height)
    }

    fn read(&self, light: &Light, spot: Spot) -> Patch {
        let spacing = self.spacing_px * spot.scale;
        let (plane, shrink) = light.level(spacing);
        let (x, y, step) = (spot.at.x * shrink, spot.at.y * shrink, spot.scale * shrink);
        let mut values: Vec<f64> = self.offsets.iter().map(|o| f64::from(plane.at(x + o[0] * step, y + o[1] * step))).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter_mut().for_each(|v| *v -= mean);
        Patch { values, mean }
    }

    /// How much a place looks like the template as it stands, with its size changed by `size`.
    pub fn likeness(&self, light: &Light, spot: Spot, size: f64) -> f64 {
        let patch = self.read(light, Spot { scale: spot.scale * size, ..spot });
        let norm = patch.values.iter().map(|v| v * v).sum::<f64>().sqrt();
        if norm < 1e-6 { 0.0 } else { dot(&patch.values, &self.values) / norm }
    }

    /// Looks for the template within `reach_px` of a place, then fits its centre.
    pub fn search(&self, light: &Light, spot: Spot, reach_px: f64) -> Look {
        let step = (0.5 * self.spacing_px * spot.scale).max(reach_px / 4.0);
        let count = (reach_px / step).floor() as i32;
        let mut best = (f64::NEG_INFINITY, spot);
        for j in -count..=count {
            for i in -count..=count {
                let at = PointPx::new(spot.at.x + f64::from(i) * step, spot.at.y + f64::from(j) * step);
                // The predicted place wins over equal ones further off.
                let likeness =
                    self.likeness(light, Spot { at, ..spot }, 1.0) - 0.02 * f64::from(i * i + j * j) / f64::from(count * count).max(1.0);
                if likeness > best.0 {
                    best = (likeness, Spot { at, ..spot });
                }
            }
        }
        self.fit(light, best.1, reach_px)
    }

    /// Fits centre, level and amplitude by Gauss-Newton steps from a place; stays within `reach_px` of it.
    pub fn fit(&self, light: &Light, start: Spot, reach_px: f64) -> Look {
        let mut spot = start;
        let mut look = self.look(light, spot);
        for _ in 0..5 {
            let Some(step) = look.step else { break };
            let next = PointPx::new(spot.at.x + step[0], spot.at.y + step[1]);
            if next.distance(start.at) > reach_px {
                break;
            }
            let seen = self.look(light, Spot { at: next, ..spot });
            if seen.look.likeness < look.look.likeness - 1e-3 {
                break;
            }
            spot.at = next;
            look = seen;
            if step[0].hypot(step[1]) < 1e-3 {
                break;
            }
        }
        look.look
    }

    fn look(&self, light: &Light, spot: Spot) -> Stepped {
        let patch = self.read(light, spot);
        let n = patch.values.len() as f64;
        let norm = patch.values.iter().map(|v| v * v).sum::<f64>().sqrt();
        let amplitude = dot(&patch.values, &self.values);
        let likeness = if norm < 1e-6 { 0.0 } else { amplitude / norm };
        let rim = self.rim();
        let mut look = Look {
            at: spot.at,
            likeness,
            gain: amplitude / self.amplitude,
            sigma_px: f64::INFINITY,
            surround: patch.mean + amplitude * rim,
            height: amplitude * self.height,
            mean: patch.mean,
            spread: norm / n.sqrt(),
        };
        let h = (0.5 * self.spacing_px * spot.scale).max(0.35);
        let moved = |dx: f64, dy: f64| self.read(light, Spot { at: PointPx::new(spot.at.x + dx, spot.at.y + dy), ..spot });
        let (right, left, down, up) = (moved(h, 0.0), moved(-h, 0.0), moved(0.0, h), moved(0.0, -h));
        let mut normal = Matrix4::zeros();
        let mut right_side = Vector4::zeros();
        let mut left_over = 0.0;
        for i in 0..patch.values.len() {
            let slope = |a: &Patch, b: &Patch| (a.values[i] + a.mean - b.values[i] - b.mean) / (2.0 * h);
            let row = Vector4::new(slope(&right, &left), slope(&down, &up), -1.0, -self.values[i]);
            let target = -patch.values[i];
            normal += row * row.transpose();
            right_side += row * target;
            left_over += (patch.values[i] - amplitude * self.values[i]).powi(2);
        }
        let Some(inverse) = normal.try_inverse() else { return Stepped { look, step: None } };
        let solved = inverse * right_side;
        // Samples closer than a pixel repeat one another.
        let independent = (n * (self.spacing_px * spot.scale).powi(2).min(1.0)).max(5.0);
        let variance = left_over / n * independent / (independent - 4.0);
        look.sigma_px = (variance * n / independent * (inverse[(0, 0)] + inverse[(1, 1)]) / 2.0).sqrt();
        let step = [solved[0], solved[1]];
        Stepped { look, step: (step[0].is_finite() && step[1].is_finite()).then_some(step) }
    }

    fn rim(&self) -> f64 {
        let edge = 0.85 * self.radius_px;
        let rim: Vec<f64> = self.offsets.iter().zip(&self.values).filter(|(o, _)| o[0].hypot(o[1]) >= edge).map(|(_, v)| *v).collect();
        rim.iter().sum::<f64>() / rim.len().max(1) as f64
    }
}

struct Patch {
    values: Vec<f64>,
    mean: f64,
}

struct Stepped {
    look: Look,
    step: Option<[f64; 2]>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
