//! Whether what is in view of a pattern settles how it lies.

use crate::bench_draw::reach_mm;
use crate::scene::{Optics, SceneError};
use crate::sight::Sight;
use landfit_part::{Part, PointMm, Pose, Side};
use std::collections::HashSet;
use std::f64::consts::FRAC_PI_2;

/// One site more or less is a missing ball; so many tell two seatings apart.
const TELLING_SITES: usize = 2;

/// Whether what is left in view of a side is what the pattern would show at another quarter turn, too: then the picture does
/// not settle the turn, and is none to be answered.
pub fn fits_turned(optics: &Optics, side: Side, part: &Part, bench_from: &Pose) -> Result<bool, SceneError> {
    let view = optics.views.iter().position(|v| v.shows == side).unwrap_or(0);
    let sight = Sight::new(optics, view)?;
    let px_per_mm = sight.px_per_mm(PointMm::ZERO);
    let reach_px = px_per_mm * part.sites.iter().map(|s| reach_mm(s, side)).fold(0.0, f64::max);
    let centres: Vec<PointMm> = part.sites.iter().map(|s| s.centre_mm(side)).collect();
    let near_mm = 0.2 * part.pitch_mm(side).unwrap_or(1.0);
    // By cells of the size of a place, so that a place is looked up and not searched.
    let cell = |p: PointMm| [(p.x / near_mm).round() as i64, (p.y / near_mm).round() as i64];
    let all: HashSet<[i64; 2]> = centres.iter().map(|c| cell(bench_from.apply(*c))).collect();
    let is_in = |set: &HashSet<[i64; 2]>, p: PointMm| {
        let [x, y] = cell(p);
        (-1..=1).any(|dx| (-1..=1).any(|dy| set.contains(&[x + dx, y + dy])))
    };
    let shown = |pose: &Pose| -> Vec<PointMm> {
        centres.iter().map(|c| pose.apply(*c)).filter(|p| sight.region_holds(sight.px(*p), reach_px)).collect()
    };
    let seen = shown(bench_from);
    let Some(first) = seen.first() else { return Ok(false) };
    let seen_cells: HashSet<[i64; 2]> = seen.iter().map(|p| cell(*p)).collect();
    for quarters in 0..4 {
        let turn = Pose::new(0.0, 0.0, bench_from.theta_rad + f64::from(quarters) * FRAC_PI_2);
        for centre in &centres {
            let shift = *first - turn.apply(*centre);
            let pose = Pose::new(shift.x, shift.y, turn.theta_rad);
            let other = shown(&pose);
            let agreed = other.iter().filter(|p| is_in(&seen_cells, **p)).count();
            let differing = (other.len() - agreed) + seen.len().saturating_sub(agreed);
            if differing < TELLING_SITES && !centres.iter().all(|c| is_in(&all, pose.apply(*c))) {
                return Ok(true);
            }
        }
    }
    Ok(false)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{Frame, View};
    use landfit_part::generate::{Depopulation, GridDrawing, ball_grid};

    /// 20 px/mm, the bench frame's origin in the middle, rows of pixels downwards.
    fn optics(size_px: [u32; 2]) -> Optics {
        let [width, height] = size_px.map(f64::from);
        let px_from_mm = [[20.0, 0.0, width / 2.0], [0.0, -20.0, height / 2.0], [0.0, 0.0, 1.0]];
        let frame = Frame { size_px, channels: 1, bits: 8, black: 0.0, white: 255.0, gamma: 1.0 };
        Optics { frame, lens: None, views: vec![View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm }] }
    }

    #[test]
    fn a_grid_of_four_by_five_fits_turned_where_one_column_and_the_place_of_a_fifth_row_are_out_of_view() {
        let part = ball_grid(&GridDrawing {
            name: "invented".to_owned(),
            rows: 4,
            columns: 5,
            pitch_mm: [1.0; 2],
            ball_mm: 0.5,
            land_mm: 0.4,
            body_mm: [6.0, 5.0],
            depopulation: Depopulation::default(),
            marks: Vec::new(),
            accept_miss_mm: None,
        })
        .expect("a grid");
        let wide = optics([140, 120]);
        assert!(!fits_turned(&wide, Side::Part, &part, &Pose::IDENTITY).expect("a sight"), "all is in view");
        let cut = Pose::new(-1.8, 0.0, 0.0);
        assert!(!fits_turned(&wide, Side::Part, &part, &cut).expect("a sight"), "no fifth row above or below");
        assert!(fits_turned(&optics([140, 84]), Side::Part, &part, &cut).expect("a sight"), "a fifth row may lie just outside");
    }
}
