//! Draws what egui made without a graphics card and without a display: for pictures of pages, and for tests.

use eframe::egui::epaint::{ClippedPrimitive, Mesh, Primitive, Vertex};
use eframe::egui::{Color32, ImageData, TextureId, TexturesDelta};
use image::{Rgba, RgbaImage};
use std::collections::HashMap;

/// The textures that egui has given so far.
#[derive(Default)]
pub struct Raster {
    textures: HashMap<TextureId, Texture>,
}

struct Texture {
    size: [usize; 2],
    pixels: Vec<Color32>,
}

/// Fixed point: 256 steps a pixel.
const STEPS: f32 = 256.0;

impl Raster {
    /// Takes in new and changed textures; forgets those that are done with.
    pub fn take(&mut self, delta: &TexturesDelta) {
        for (id, changes) in &delta.set {
            for change in changes {
                let ImageData::Color(image) = &change.image;
                match (change.pos, self.textures.get_mut(id)) {
                    (Some([x, y]), Some(texture)) => {
                        for row in 0..image.size[1].min(texture.size[1].saturating_sub(y)) {
                            let n = image.size[0].min(texture.size[0].saturating_sub(x));
                            let (to, from) = ((y + row) * texture.size[0] + x, row * image.size[0]);
                            texture.pixels[to..to + n].copy_from_slice(&image.pixels[from..from + n]);
                        }
                    }
                    _ => {
                        let _ = self.textures.insert(*id, Texture { size: image.size, pixels: image.pixels.clone() });
                    }
                }
            }
        }
        for id in &delta.free {
            let _ = self.textures.remove(id);
        }
    }

    /// Draws onto a picture of `size_px` that begins as `ground`.
    #[must_use]
    pub fn draw(&self, primitives: &[ClippedPrimitive], pixels_per_point: f32, size_px: [u32; 2], ground: Color32) -> RgbaImage {
        let mut picture = RgbaImage::from_pixel(size_px[0], size_px[1], Rgba([ground.r(), ground.g(), ground.b(), 255]));
        for primitive in primitives {
            let Primitive::Mesh(mesh) = &primitive.primitive else { continue };
            let clip = primitive.clip_rect * pixels_per_point;
            let bound = |v: f32, most: u32| v.round().clamp(0.0, most as f32) as i64;
            let clip = [
                bound(clip.min.x, size_px[0]),
                bound(clip.min.y, size_px[1]),
                bound(clip.max.x, size_px[0]),
                bound(clip.max.y, size_px[1]),
            ];
            self.mesh(&mut picture, mesh, pixels_per_point, clip);
        }
        picture
    }

    fn mesh(&self, picture: &mut RgbaImage, mesh: &Mesh, pixels_per_point: f32, clip: [i64; 4]) {
        let Some(texture) = self.textures.get(&mesh.texture_id) else { return };
        for corners in mesh.indices.chunks_exact(3) {
            let corner = |i: usize| mesh.vertices.get(corners[i] as usize).copied();
            if let (Some(a), Some(b), Some(c)) = (corner(0), corner(1), corner(2)) {
                triangle(picture, texture, [a, b, c], pixels_per_point, clip);
            }
        }
    }
}

fn triangle(picture: &mut RgbaImage, texture: &Texture, mut corners: [Vertex; 3], pixels_per_point: f32, clip: [i64; 4]) {
    let fixed = |v: Vertex| [v.pos.x, v.pos.y].map(|p| (p * pixels_per_point * STEPS).round() as i64);
    let area = |[a, b, c]: [[i64; 2]; 3]| (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    let mut p = corners.map(fixed);
    if area(p) < 0 {
        corners.swap(1, 2);
        p.swap(1, 2);
    }
    let whole = area(p);
    if whole == 0 {
        return;
    }
    let step = STEPS as i64;
    let range = |axis: usize, low: i64, high: i64| {
        let (from, to) = (p.iter().map(|c| c[axis]).min().unwrap_or(0), p.iter().map(|c| c[axis]).max().unwrap_or(0));
        (from.div_euclid(step).max(low), (to.div_euclid(step) + 1).min(high))
    };
    let ((x0, x1), (y0, y1)) = (range(0, clip[0], clip[2]), range(1, clip[1], clip[3]));
    // An edge belongs to the triangle only where it is an upper or a left one, so that two that share it do not both draw it.
    let edge = |a: [i64; 2], b: [i64; 2], q: [i64; 2]| (b[0] - a[0]) * (q[1] - a[1]) - (b[1] - a[1]) * (q[0] - a[0]);
    let owns = |a: [i64; 2], b: [i64; 2]| {
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        i64::from(!((dy == 0 && dx > 0) || dy < 0))
    };
    let sides = [[1, 2], [2, 0], [0, 1]];
    for y in y0..y1 {
        for x in x0..x1 {
            let q = [x * step + step / 2, y * step + step / 2];
            let w = sides.map(|[a, b]| edge(p[a], p[b], q));
            if sides.iter().zip(w).any(|([a, b], w)| w < owns(p[*a], p[*b])) {
                continue;
            }
            let share = w.map(|w| w as f32 / whole as f32);
            let mixed = |of: &dyn Fn(&Vertex) -> f32| corners.iter().zip(share).map(|(c, s)| of(c) * s).sum::<f32>();
            let texel = sampled(texture, mixed(&|v| v.uv.x), mixed(&|v| v.uv.y));
            let colour: [f32; 4] = std::array::from_fn(|i| mixed(&|v| f32::from(v.color.to_array()[i])) * texel[i] / 255.0);
            let pixel = picture.get_pixel_mut(x as u32, y as u32);
            let through = 1.0 - colour[3] / 255.0;
            for (to, from) in pixel.0.iter_mut().zip(colour).take(3) {
                *to = (from + f32::from(*to) * through).round().clamp(0.0, 255.0) as u8;
            }
        }
    }
}

/// Between the four nearest texels, as a graphics card does.
fn sampled(texture: &Texture, u: f32, v: f32) -> [f32; 4] {
    let [w, h] = texture.size;
    if w == 0 || h == 0 {
        return [255.0; 4];
    }
    let at = |t: f32, n: usize| {
        let t = (t * n as f32 - 0.5).clamp(0.0, (n - 1) as f32);
        (t as usize, (t as usize + 1).min(n - 1), t.fract())
    };
    let ((x0, x1, fx), (y0, y1, fy)) = (at(u, w), at(v, h));
    let texel = |x: usize, y: usize| texture.pixels[y * w + x].to_array().map(f32::from);
    let (a, b, c, d) = (texel(x0, y0), texel(x1, y0), texel(x0, y1), texel(x1, y1));
    std::array::from_fn(|i| (a[i] * (1.0 - fx) + b[i] * fx) * (1.0 - fy) + (c[i] * (1.0 - fx) + d[i] * fx) * fy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use eframe::egui::{Pos2, Rect};

    fn quad(rect: Rect, colour: Color32) -> ClippedPrimitive {
        let mut mesh = Mesh::default();
        mesh.add_colored_rect(rect, colour);
        ClippedPrimitive {
            clip_rect: Rect::EVERYTHING.intersect(Rect::from_min_max(Pos2::ZERO, Pos2::new(9.0, 9.0))),
            primitive: Primitive::Mesh(mesh),
        }
    }

    fn raster() -> Raster {
        let texture = Texture { size: [1, 1], pixels: vec![Color32::WHITE] };
        Raster { textures: [(TextureId::default(), texture)].into_iter().collect() }
    }

    #[test]
    fn two_triangles_that_share_an_edge_draw_every_pixel_once() {
        let half = Color32::from_rgba_premultiplied(100, 100, 100, 128);
        let drawn = raster().draw(&[quad(Rect::from_min_max(Pos2::new(1.0, 1.0), Pos2::new(7.0, 6.0)), half)], 1.0, [9, 9], Color32::BLACK);
        let lit: Vec<u8> = drawn.pixels().map(|p| p.0[0]).filter(|v| *v > 0).collect();
        assert_eq!(lit, vec![100; 30]);
    }

    #[test]
    fn nothing_is_drawn_outside_the_clip_and_the_picture() {
        let everywhere = Rect::from_min_max(Pos2::new(-50.0, -50.0), Pos2::new(500.0, 500.0));
        let drawn = raster().draw(&[quad(everywhere, Color32::WHITE)], 1.0, [12, 12], Color32::BLACK);
        assert_eq!(drawn.pixels().filter(|p| p.0[0] == 255).count(), 81);
    }
}
