//! Measures rectangles in pictures that come as JSON on standard input, for the comparison with other libraries:
//! `[{"width": 200, "height": 100, "light": [...], "rectangles": [{"at": [x, y], "width": 18, "length": 60, "turn": 0.1}]}]`
//! (px; `at` is where the search starts, `turn` in radians from picture x towards picture y; one look for all of a picture).
//! Answers with `[[{"at": [x, y], "covariance": [xx, xy, yy]} or null]]`.
#![allow(clippy::print_stdout)]

use landfit_part::{Piece, PointMm};
use landfit_vision::PointPx;
use landfit_vision::find::outline::{Outline, SIDES};
use landfit_vision::find::outline_fit::{Fitted, fit};
use landfit_vision::find::outline_look::{GroupLook, Search};
use landfit_vision::find::print::Print;
use landfit_vision::plane::Plane;
use nalgebra::{Matrix2, Vector2};
use serde::{Deserialize, Serialize};

#[derive(Deserialize)]
struct Question {
    width: usize,
    height: usize,
    light: Vec<f32>,
    rectangles: Vec<Rectangle>,
}

#[derive(Deserialize)]
struct Rectangle {
    at: [f64; 2],
    width: f64,
    length: f64,
    turn: f64,
}

#[derive(Serialize)]
struct Answer {
    at: [f64; 2],
    covariance: [f64; 3],
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let questions: Vec<Question> = serde_json::from_reader(std::io::stdin())?;
    let answers: Vec<Vec<Option<Answer>>> = questions.into_iter().map(answer).collect();
    println!("{}", serde_json::to_string(&answers)?);
    Ok(())
}

fn answer(question: Question) -> Vec<Option<Answer>> {
    let Question { width, height, light, rectangles } = question;
    let plane = Plane::of_light(width, height, light);
    let print = |r: &Rectangle| {
        let (sin, cos) = r.turn.sin_cos();
        let outline = Outline::of_pieces(&[Piece::rect(r.width, r.length)], PointMm::ZERO);
        Print { at: PointPx::new(r.at[0], r.at[1]), axes: Matrix2::new(cos, -sin, sin, cos), outline }
    };
    let mut prints: Vec<Print> = rectangles.iter().map(print).collect();
    let mut fitted: Vec<Option<Fitted>> = Vec::new();
    // Learn the look, put all where it says, measure each; then again about the measured places.
    for _ in 0..3 {
        let search = [Search { about_px: 0.0, reach_px: 3.0 }; SIDES];
        let Some(look) = GroupLook::learn(&plane, prints.iter(), None, &search) else { return prints.iter().map(|_| None).collect() };
        let place = look.place(&prints[0].outline, [None; 2]);
        for p in &mut prints {
            let by = p.axes * Vector2::new(place.shift_px[0], place.shift_px[1]);
            p.at = PointPx::new(p.at.x + by.x, p.at.y + by.y);
        }
        let look = look.moved(place.shift_px);
        fitted = prints.iter().map(|p| fit(&plane, p, &look, 5.0)).collect();
        for (p, f) in prints.iter_mut().zip(&fitted) {
            p.at = f.map_or(p.at, |f| f.at);
        }
    }
    let given = |f: Fitted| Answer {
        at: [f.at.x, f.at.y],
        covariance: [f.covariance_px2[(0, 0)], f.covariance_px2[(0, 1)], f.covariance_px2[(1, 1)]],
    };
    fitted.into_iter().map(|f| f.map(given)).collect()
}
