//! The least error that any method could have on a scene: the Cramér–Rao bound of its raw pixels.
//!
//! The picture's light is known but for the two poses and, for each terminal and land seen in a view, its brightness, its size and
//! the background about it; where the two sides share a picture in two tints, the other side's light is unknown in every pixel.
//! The derivatives of the rendered light with respect to each of these come from rendering it a little changed; with the sensor's
//! noise they make the Fisher information, and the inverse of what it holds on the poses, all else unknown, is the bound. Places of
//! terminals and lands are taken as known: their scatter is the pattern's own. Texture and clutter are noise to a method that does
//! not know them, so that the bound is a little low where they are strong.

use crate::render::render_light;
use crate::scene::{Noise, Scene, SceneError, Surface, View};
use crate::sight::Sight;
use crate::spoil::Spoil;
use crate::truth::SiteTruth;
use landfit_part::{PointMm, Pose, Shape, Side};
use nalgebra::{DMatrix, Matrix6, SMatrix};

/// Half the change that derivatives are taken over: px of a shift, and shares of a brightness and a size. Short against the blur,
/// long against the rounding of single-precision light.
const SHIFT_PX: f64 = 0.2;
const SHARE: f64 = 0.01;
/// Beyond this many standard deviations of the blur an outline shows nothing.
const REACH_SIGMA: f64 = 4.0;
/// Tints whose directions differ by less than this (sine of the angle) are one light.
const LEAST_TINT_SINE: f64 = 0.1;
/// A prior of no weight, relative: where two backgrounds add up in one light, only their sum is known.
const RIDGE: f64 = 1e-9;

/// The bound of one scene.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Covariance of the offset's x and y (mm, board frame) and theta (rad).
    pub offset_covariance: [[f64; 3]; 3],
}

impl Bound {
    /// Root of the summed variances of x and y, mm.
    #[must_use]
    pub fn centre_mm(&self) -> f64 {
        (self.offset_covariance[0][0] + self.offset_covariance[1][1]).sqrt()
    }

    /// Standard deviation of theta, rad.
    #[must_use]
    pub fn theta_rad(&self) -> f64 {
        self.offset_covariance[2][2].sqrt()
    }
}

/// The bound of a scene; `None` where its pixels are not raw (something happened to them after the sensor, or gamma did), where
/// it has no noise, shapes other than discs, or too little to settle the poses.
///
/// # Errors
/// As [`crate::render()`].
pub fn bound(scene: &Scene) -> Result<Option<Bound>, SceneError> {
    let of_light = |s: &Spoil| matches!(s, Spoil::Shadow { .. } | Spoil::Glare { .. } | Spoil::Bands { .. });
    let is_round =
        |side: Side| scene.pattern(side).sites.iter().all(|s| s.pieces(side).iter().all(|p| matches!(p.shape, Shape::Round { .. })));
    let Some(noise) = scene.sensor.noise else { return Ok(None) };
    if scene.optics.frame.gamma != 1.0 || !scene.sensor.spoils.iter().all(of_light) || !is_round(Side::Part) || !is_round(Side::Board) {
        return Ok(None);
    }
    let (light, truth) = render_light(scene)?;
    let mut seen = Vec::new();
    for side in [Side::Part, Side::Board] {
        seen.extend(slopes_of_side(scene, side, truth.side(side))?);
    }
    Ok(offset_covariance(scene, &information(scene, noise, &light, &seen)?).map(|offset_covariance| Bound { offset_covariance }))
}

/// Unknowns of one disc in one view: shift along bench x and y, brightness, background, size.
const OWN: usize = 5;
/// The first of them that is its own and not the pose's.
const NUISANCE: usize = 2;

/// A disc in one view: its pixels, and what each unknown changes in them.
struct Disc {
    side: Side,
    view: usize,
    /// From the origin of its side's pose, bench axes, mm.
    arm: PointMm,
    /// Index of each pixel in its exposure.
    pixels: Vec<usize>,
    /// For each pixel the plane's change per unit of each unknown.
    slopes: Vec<[f64; OWN]>,
}

/// The discs of one side in all of its views.
fn slopes_of_side(scene: &Scene, side: Side, truths: &[SiteTruth]) -> Result<Vec<Disc>, SceneError> {
    let plain = plain_side(scene, side);
    let [width, height] = scene.optics.frame.size_px.map(|n| n as usize);
    let channels = scene.optics.frame.channels;
    let mut discs = Vec::new();
    for (view, shown) in scene.optics.views.iter().enumerate().filter(|(_, v)| v.shows == side) {
        let sight = Sight::new(&scene.optics, view)?;
        let px_per_mm = sight.px_per_mm(scene.pose(side).shift());
        let half_pitch_px = 0.5 * scene.pattern(side).pitch_mm(side).unwrap_or(f64::INFINITY) * px_per_mm;
        let sigma_px = scene.lights[view].blur.sigma_px.into_iter().fold(scene.lights[view].blur.smear_px / 2.0, f64::max);
        for truth in truths.iter().filter(|t| t.present) {
            let diameter_mm = scene
                .pattern(side)
                .site_index(&truth.site)
                .and_then(|i| scene.pattern(side).sites[i].pieces(side).first()?.shape.diameter_mm());
            let (Some(diameter_mm), Some(at)) = (diameter_mm, truth.seen.iter().find(|s| s.view == view)) else { continue };
            let reach_px = (diameter_mm / 2.0 * truth.size_ratio * px_per_mm + REACH_SIGMA * sigma_px + 1.0).min(half_pitch_px);
            let [cx, cy] = at.centre_px;
            let range =
                |c: f64, n: usize| (c - reach_px).ceil().max(0.0) as usize..((c + reach_px).floor().max(-1.0) + 1.0).min(n as f64) as usize;
            let inside =
                |x: usize, y: usize| (x as f64 - cx).hypot(y as f64 - cy) <= reach_px && sight.region_holds([x as f64, y as f64], 0.0);
            let pixels: Vec<usize> =
                range(cy, height).flat_map(|y| range(cx, width).filter(move |&x| inside(x, y)).map(move |x| y * width + x)).collect();
            let arm = PointMm::new(truth.bench_mm[0], truth.bench_mm[1]) - scene.pose(side).shift();
            discs.push(Disc { side, view, arm, slopes: vec![[0.0; OWN]; pixels.len()], pixels });
        }
        let tint = tint_of(shown, channels);
        let weight: f64 = tint.iter().map(|t| t * t).sum();
        for unknown in 0..OWN {
            let step = if unknown < NUISANCE { SHIFT_PX / px_per_mm } else { SHARE };
            let [more, less] = [step, -step].map(|by| render_light(&changed(&plain, side, unknown, by)));
            let (more, less) = (more?.0, less?.0);
            for disc in discs.iter_mut().filter(|d| d.view == view) {
                for (slopes, &pixel) in disc.slopes.iter_mut().zip(&disc.pixels) {
                    let along: f64 = (0..channels)
                        .map(|c| {
                            tint[c] * f64::from(more[shown.exposure][pixel * channels + c] - less[shown.exposure][pixel * channels + c])
                        })
                        .sum();
                    slopes[unknown] = along / weight / (2.0 * step);
                }
            }
        }
    }
    Ok(discs)
}

fn tint_of(view: &View, channels: usize) -> Vec<f64> {
    if channels == 1 { vec![view.tint.iter().sum::<f64>() / 3.0] } else { view.tint.to_vec() }
}

/// One side alone, without texture and clutter.
fn plain_side(scene: &Scene, side: Side) -> Scene {
    let mut plain = scene.clone();
    let shows = |i: &usize| scene.optics.views[*i].shows == side;
    plain.optics.views = (0..scene.optics.views.len()).filter(shows).map(|i| scene.optics.views[i].clone()).collect();
    plain.lights = (0..scene.lights.len()).filter(shows).map(|i| scene.lights[i].clone()).collect();
    plain.clutter.clear();
    for surface in
        [Some(&mut plain.part_look.surround), plain.part_look.body.as_mut(), Some(&mut plain.board_look.mask)].into_iter().flatten()
    {
        *surface = Surface::plain(surface.brightness);
    }
    plain
}

/// The side with one unknown of all its discs changed.
fn changed(plain: &Scene, side: Side, unknown: usize, by: f64) -> Scene {
    let mut scene = plain.clone();
    let pose = match side {
        Side::Part => &mut scene.bench_from_part,
        Side::Board => &mut scene.bench_from_board,
    };
    match unknown {
        0 => *pose = Pose::new(pose.x_mm + by, pose.y_mm, pose.theta_rad),
        1 => *pose = Pose::new(pose.x_mm, pose.y_mm + by, pose.theta_rad),
        2 => brighten(&mut scene, side, 1.0 + by),
        3 => match side {
            Side::Part => scene.part_look.body.as_mut().unwrap_or(&mut scene.part_look.surround).brightness += by,
            Side::Board => scene.board_look.mask.brightness += by,
        },
        _ => {
            let pattern = if side == Side::Part { &mut scene.part } else { &mut scene.board };
            for site in &mut pattern.sites {
                for piece in if side == Side::Part { &mut site.terminal } else { &mut site.land } {
                    if let Shape::Round { diameter_mm } = &mut piece.shape {
                        *diameter_mm *= 1.0 + by;
                    }
                }
            }
        }
    }
    scene
}

fn brighten(scene: &mut Scene, side: Side, times: f64) {
    match side {
        Side::Part => {
            if let Some(look) = &mut scene.part_look.terminals {
                look.face *= times;
                look.ring.iter_mut().for_each(|r| r.brightness *= times);
                look.spot.iter_mut().for_each(|s| s.brightness *= times);
            }
        }
        Side::Board => scene.board_look.lands.iter_mut().for_each(|l| l.face *= times),
    }
}

/// What the picture holds on x, y, theta of the part and of the board, bench frame, all else unknown.
fn information(scene: &Scene, noise: Noise, light: &[Vec<f32>], discs: &[Disc]) -> Result<Matrix6<f64>, SceneError> {
    let sights = (0..scene.optics.views.len()).map(|view| Sight::new(&scene.optics, view)).collect::<Result<Vec<_>, _>>()?;
    let width = scene.optics.frame.size_px[0] as usize;
    // Which discs share pixels of one light: their unknowns hang together.
    let mut at_pixel: rustc_hash::FxHashMap<(usize, usize), Vec<(usize, usize)>> = rustc_hash::FxHashMap::default();
    for (d, disc) in discs.iter().enumerate() {
        let exposure = scene.optics.views[disc.view].exposure;
        for (k, &pixel) in disc.pixels.iter().enumerate() {
            at_pixel.entry((exposure, pixel)).or_default().push((d, k));
        }
    }
    let mut groups = Groups::new(discs.len());
    let shares_light = |a: &Disc, b: &Disc| shares(&scene.optics.views[a.view], &scene.optics.views[b.view], scene.optics.frame.channels);
    // In their order, so that sums do not depend on the map's.
    let mut pixels: Vec<(usize, usize)> = at_pixel.keys().copied().collect();
    pixels.sort_unstable();
    for there in at_pixel.values() {
        for pair in there.windows(2) {
            if shares_light(&discs[pair[0].0], &discs[pair[1].0]) {
                groups.join(pair[0].0, pair[1].0);
            }
        }
    }
    let (place, mut blocks) = groups.blocks(OWN - NUISANCE);
    let mut of_poses = Matrix6::zeros();
    for (exposure, pixel) in &pixels {
        let there = &at_pixel[&(*exposure, *pixel)];
        let at = [(pixel % width) as f64, (pixel / width) as f64];
        // Discs of one light change it together, those of two lights each its own.
        let mut left: &[(usize, usize)] = there;
        while let Some(first) = left.first() {
            let n = left.iter().take_while(|d| d.0 == first.0 || shares_light(&discs[d.0], &discs[first.0])).count();
            let weight = weight_of(scene, &sights, noise, &light[*exposure], *pixel, at, discs[first.0].view);
            let mut on_poses = SMatrix::<f64, 6, 1>::zeros();
            let mut own: Vec<(usize, f64)> = Vec::new();
            for &(d, k) in &left[..n] {
                let (disc, slopes) = (&discs[d], &discs[d].slopes[k]);
                let from = if disc.side == Side::Part { 0 } else { 3 };
                on_poses[from] += slopes[0];
                on_poses[from + 1] += slopes[1];
                on_poses[from + 2] += disc.arm.x * slopes[1] - disc.arm.y * slopes[0];
                own.extend((NUISANCE..OWN).map(|u| (place[d].1 + u - NUISANCE, slopes[u])));
            }
            of_poses += on_poses * on_poses.transpose() * weight;
            let block = &mut blocks[place[first.0].0];
            for &(i, a) in &own {
                for (row, on_pose) in on_poses.iter().enumerate() {
                    block.with_poses[(row, i)] += weight * on_pose * a;
                }
                for &(j, b) in &own {
                    block.own[(i, j)] += weight * a * b;
                }
            }
            left = &left[n..];
        }
    }
    for mut block in blocks {
        for i in 0..block.own.nrows() {
            block.own[(i, i)] += RIDGE * block.own[(i, i)].max(f64::MIN_POSITIVE);
        }
        if let Some(solved) = block.own.cholesky().map(|c| c.solve(&block.with_poses.transpose())) {
            of_poses -= SMatrix::<f64, 6, 6>::from_iterator((block.with_poses * solved).iter().copied());
        }
    }
    Ok(of_poses)
}

/// Whether two views show one light: in the same picture in the same tint.
fn shares(a: &View, b: &View, channels: usize) -> bool {
    a.exposure == b.exposure && sine(&tint_of(a, channels), &tint_of(b, channels)) < LEAST_TINT_SINE
}

fn sine(a: &[f64], b: &[f64]) -> f64 {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    (1.0 - dot(a, b).powi(2) / (dot(a, a) * dot(b, b)).max(1e-300)).max(0.0).sqrt()
}

/// What one pixel tells of one view's light: the inverse of its variance, the other light unknown where one is there. Nothing where
/// a channel is at full scale.
fn weight_of(scene: &Scene, sights: &[Sight], noise: Noise, light: &[f32], pixel: usize, at: [f64; 2], view: usize) -> f64 {
    let frame = &scene.optics.frame;
    let raw = &light[pixel * frame.channels..(pixel + 1) * frame.channels];
    if raw.iter().any(|l| *l >= 1.0) {
        return 0.0;
    }
    let step = 1.0 / (frame.white - frame.black);
    let per_variance = |l: f32| {
        let electrons = f64::from(l).max(0.0) * noise.full_well_e + noise.read_noise_e.powi(2);
        1.0 / (electrons / noise.full_well_e.powi(2) + step * step / 12.0)
    };
    let weights: Vec<f64> = raw.iter().map(|l| per_variance(*l)).collect();
    let shown = &scene.optics.views[view];
    let dot = |a: &[f64], b: &[f64]| (0..frame.channels).map(|c| weights[c] * a[c] * b[c]).sum::<f64>();
    let own = tint_of(shown, frame.channels);
    let others = scene.optics.views.iter().zip(sights);
    let other =
        others.filter(|(v, s)| v.shows != shown.shows && v.exposure == shown.exposure && s.region_holds(at, 0.0)).find_map(|(v, _)| {
            let tint = tint_of(v, frame.channels);
            (!shares(shown, v, frame.channels)).then_some(tint)
        });
    let unknown = other.map_or(0.0, |o| dot(&own, &o).powi(2) / dot(&o, &o).max(1e-300));
    dot(&own, &own) - unknown
}

/// Unknowns that hang together: their own information, and that with the poses.
struct Block {
    own: DMatrix<f64>,
    with_poses: DMatrix<f64>,
}

/// Sets of discs.
struct Groups {
    parent: Vec<usize>,
}

impl Groups {
    fn new(n: usize) -> Self {
        Self { parent: (0..n).collect() }
    }

    fn root(&mut self, of: usize) -> usize {
        let mut at = of;
        while self.parent[at] != at {
            self.parent[at] = self.parent[self.parent[at]];
            at = self.parent[at];
        }
        at
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.parent[a.max(b)] = a.min(b);
    }

    /// For each disc its block and the first of its unknowns there, and the empty blocks.
    fn blocks(mut self, unknowns_each: usize) -> (Vec<(usize, usize)>, Vec<Block>) {
        let mut sizes: Vec<usize> = Vec::new();
        let mut block_of_root = rustc_hash::FxHashMap::default();
        let place = (0..self.parent.len())
            .map(|disc| {
                let root = self.root(disc);
                let block = *block_of_root.entry(root).or_insert_with(|| {
                    sizes.push(0);
                    sizes.len() - 1
                });
                sizes[block] += unknowns_each;
                (block, sizes[block] - unknowns_each)
            })
            .collect();
        let blocks = sizes.iter().map(|&n| Block { own: DMatrix::zeros(n, n), with_poses: DMatrix::zeros(6, n) }).collect();
        (place, blocks)
    }
}

/// From the information on both poses to the offset's covariance.
fn offset_covariance(scene: &Scene, information: &Matrix6<f64>) -> Option<[[f64; 3]; 3]> {
    // Millimetres and radians differ by orders of magnitude: scaled, the inverse keeps its digits.
    let scale = information.diagonal().map(|d| 1.0 / d.max(1e-300).sqrt());
    let scaled = Matrix6::from_fn(|i, j| information[(i, j)] * scale[i] * scale[j]);
    let inverse = scaled.cholesky()?.inverse();
    let covariance = Matrix6::from_fn(|i, j| inverse[(i, j)] * scale[i] * scale[j]);
    let board = scene.bench_from_board;
    let apart = scene.bench_from_part.shift() - board.shift();
    let (s, c) = board.theta_rad.sin_cos();
    // Shifts of both, and the board's turn under the way to the part, seen in the board's frame.
    let in_bench = [[1.0, 0.0, 0.0, -1.0, 0.0, apart.y], [0.0, 1.0, 0.0, 0.0, -1.0, -apart.x]];
    let turned = [[c, s], [-s, c]].map(|[a, b]| [0, 1, 2, 3, 4, 5].map(|i| a * in_bench[0][i] + b * in_bench[1][i]));
    let rows = [turned[0], turned[1], [0.0, 0.0, 1.0, 0.0, 0.0, -1.0]];
    let jacobian = SMatrix::<f64, 3, 6>::from_fn(|r, k| rows[r][k]);
    let of_offset = jacobian * covariance * jacobian.transpose();
    let is_settled = of_offset.iter().all(|v| v.is_finite()) && (0..3).all(|i| of_offset[(i, i)] > 0.0);
    is_settled.then(|| [0, 1, 2].map(|r| [0, 1, 2].map(|k| of_offset[(r, k)])))
}
