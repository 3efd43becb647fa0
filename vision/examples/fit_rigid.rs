//! Fits whatever point pairs come in as JSON and writes every fit as JSON, so that other programs can be compared.
//!
//! In: `[{"from": [[x, y], …], "to": [[x, y], …], "covariances": [[xx, xy, yy], …]}, …]`, mm and mm².
//! Out: one object for each case, in order.

#![allow(clippy::print_stdout, reason = "this is what it is for")]

use landfit_part::{PointMm, Pose};
use landfit_vision::pose::{
    PoseError, RigidFit, RobustOptions, fit_minimax, fit_rigid, fit_rigid_general, fit_rigid_robust, fit_rigid_weighted, fit_similarity,
};
use nalgebra::Matrix2;
use serde_json::{Value, json};

#[derive(serde::Deserialize)]
struct Case {
    from: Vec<[f64; 2]>,
    to: Vec<[f64; 2]>,
    covariances: Vec<[f64; 3]>,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let cases: Vec<Case> = serde_json::from_reader(std::io::stdin())?;
    let fits = cases.iter().map(fits).collect::<Result<Vec<_>, _>>()?;
    println!("{}", Value::from(fits));
    Ok(())
}

fn fits(case: &Case) -> Result<Value, PoseError> {
    let points = |pairs: &[[f64; 2]]| pairs.iter().map(|p| PointMm::new(p[0], p[1])).collect::<Vec<_>>();
    let (from, to) = (points(&case.from), points(&case.to));
    let covariances: Vec<_> = case.covariances.iter().map(|c| Matrix2::new(c[0], c[1], c[1], c[2])).collect();
    let weights: Vec<_> = covariances.iter().map(|c| 2.0 / c.trace()).collect();
    let similarity = fit_similarity(&from, &to, &weights)?;
    let minimax = fit_minimax(&from, &to)?;
    Ok(json!({
        "rigid": pose(&fit_rigid(&from, &to)?),
        "weighted": pose(&fit_rigid_weighted(&from, &to, &weights)?),
        "general": fit(&fit_rigid_general(&from, &to, &covariances)?),
        "robust": fit(&fit_rigid_robust(&from, &to, &covariances, &RobustOptions::default())?),
        "similarity": {"pose": pose(&similarity.to_from), "scale": similarity.scale, "scale_u": similarity.scale_u},
        "minimax": {"pose": pose(&minimax.to_from), "worst_mm": minimax.worst_mm},
    }))
}

fn pose(pose: &Pose) -> Value {
    json!([pose.x_mm, pose.y_mm, pose.theta_rad])
}

fn fit(fit: &RigidFit) -> Value {
    let covariance: Vec<Vec<f64>> = fit.own_covariance.row_iter().map(|row| row.iter().copied().collect()).collect();
    json!({"pose": pose(&fit.to_from), "own_covariance": covariance, "reduced_chi2": fit.reduced_chi2, "inliers": fit.inliers})
}
