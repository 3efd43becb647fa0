//! Brightness of a picture, read between its pixels.

use landfit_vision::Picture;
use landfit_vision::picture::Samples;

/// One grey value a pixel, 0 to 1.
pub(super) struct Grey {
    pub width: usize,
    pub height: usize,
    pub values: Vec<f32>,
}

impl Grey {
    pub fn new(picture: &Picture) -> Self {
        let full = picture.full_scale();
        let n = picture.channels;
        let values = match &picture.samples {
            Samples::U8(raw) => {
                raw.chunks_exact(n).map(|c| c.iter().map(|v| f64::from(*v)).sum::<f64>()).map(|v| (v / (full * n as f64)) as f32).collect()
            }
            Samples::U16(raw) => {
                raw.chunks_exact(n).map(|c| c.iter().map(|v| f64::from(*v)).sum::<f64>()).map(|v| (v / (full * n as f64)) as f32).collect()
            }
        };
        Self { width: picture.width_px, height: picture.height_px, values }
    }

    /// Whether the square of pixels around a place lies in the picture.
    pub fn holds(&self, x: f64, y: f64, margin: f64) -> bool {
        x >= margin && y >= margin && x <= self.width as f64 - 1.0 - margin && y <= self.height as f64 - 1.0 - margin
    }

    /// Value between pixels by cubic convolution (Keys 1981, a = -1/2); the border's pixels go on for ever.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let (x0, y0) = (x.floor(), y.floor());
        let (fx, fy) = (x - x0, y - y0);
        let weights = |t: f64| {
            let (t2, t3) = (t * t, t * t * t);
            [-0.5 * t3 + t2 - 0.5 * t, 1.5 * t3 - 2.5 * t2 + 1.0, -1.5 * t3 + 2.0 * t2 + 0.5 * t, 0.5 * t3 - 0.5 * t2]
        };
        let (wx, wy) = (weights(fx), weights(fy));
        let clamp = |v: f64, n: usize| (v.max(0.0) as usize).min(n - 1);
        let mut sum = 0.0;
        for (j, b) in wy.iter().enumerate() {
            let row = clamp(y0 + j as f64 - 1.0, self.height) * self.width;
            for (i, a) in wx.iter().enumerate() {
                sum += a * b * f64::from(self.values[row + clamp(x0 + i as f64 - 1.0, self.width)]);
            }
        }
        sum
    }

    /// The picture under a Gaussian of `sigma` px.
    pub fn blurred(&self, sigma: f64) -> Self {
        let reach = (3.0 * sigma).ceil() as i64;
        let mut kernel: Vec<f32> = (-reach..=reach).map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp() as f32).collect();
        let sum: f32 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        let (w, h) = (self.width as i64, self.height as i64);
        let pass = |from: &[f32], dx: i64, dy: i64| -> Vec<f32> {
            let mut out = Vec::with_capacity(from.len());
            for y in 0..h {
                for x in 0..w {
                    let at = |k: i64| from[((y + dy * k).clamp(0, h - 1) * w + (x + dx * k).clamp(0, w - 1)) as usize];
                    out.push(kernel.iter().zip(-reach..=reach).map(|(g, k)| g * at(k)).sum());
                }
            }
            out
        };
        let across = pass(&self.values, 1, 0);
        Self { width: self.width, height: self.height, values: pass(&across, 0, 1) }
    }
}
