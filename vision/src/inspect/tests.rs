//! Whole pictures, drawn here: what is found, and what is refused.

use super::*;
use crate::answer::SuspectKind;
use crate::picture::Samples;
use landfit_part::{Piece, PointMm, Site};

/// A full grid of round sites, 1 mm pitch, A1 first; the names are row.column from 1.
fn grid(rows: usize, columns: usize, pitch_mm: [f64; 2], leave_out: &[(usize, usize)]) -> Part {
    let sites = (0..rows * columns).map(|i| (i / columns, i % columns)).filter(|p| !leave_out.contains(p));
    let sites = sites.map(|(r, c)| Site {
        id: format!("{}.{}", r + 1, c + 1),
        at_mm: PointMm::new((c as f64 - (columns - 1) as f64 / 2.0) * pitch_mm[0], ((rows - 1) as f64 / 2.0 - r as f64) * pitch_mm[1]),
        angle_rad: 0.0,
        terminal: vec![Piece::round(0.5)],
        land: vec![Piece::round(0.4)],
    });
    let sites = sites.collect();
    Part { name: "grid".into(), body_mm: [20.0; 2], body_centre_mm: PointMm::ZERO, sites, marks: vec![], accept_miss_mm: None }
}

/// A picture of bright discs (x, y, diameter in px) on grey with a slope of light and a fixed grain.
fn picture(width_px: usize, height_px: usize, discs: &[(f64, f64, f64)]) -> Picture {
    let mut light: Vec<f64> = (0..width_px * height_px).map(|i| 60.0 + 40.0 * (i % width_px) as f64 / width_px as f64).collect();
    for (cx, cy, d) in discs {
        for y in (cy - d) as usize..((cy + d) as usize).min(height_px) {
            for x in (cx - d) as usize..((cx + d) as usize).min(width_px) {
                // A soft edge about 2 px wide stands for the lens.
                let inside = ((d / 2.0 - (x as f64 - cx).hypot(y as f64 - cy)) / 2.0 + 0.5).clamp(0.0, 1.0);
                let i = y * width_px + x;
                light[i] = light[i].max(light[i] + inside * (170.0 - light[i]));
            }
        }
    }
    let grain = |i: usize| f64::from((i as u32).wrapping_mul(2_654_435_769).rotate_left(13).wrapping_mul(2_246_822_519) >> 24) / 255.0;
    let samples = light.iter().enumerate().map(|(i, v)| (v + 6.0 * (grain(i) + grain(i + 7_919) - 1.0)).clamp(0.0, 255.0) as u8).collect();
    Picture { width_px, height_px, channels: 1, samples: Samples::U8(samples) }
}

/// Where a mirrored, turned, slightly tilted camera sees a place of the part.
fn seen(p: PointMm, turn_deg: f64) -> (f64, f64) {
    let (s, c) = turn_deg.to_radians().sin_cos();
    let (x, y) = (-p.x, p.y);
    let (x, y) = (c * x - s * y, s * x + c * y);
    let depth = 1.0 + 0.012 * x + 0.006 * y;
    (320.0 + 30.0 * x / depth, 240.0 - 30.0 * y / depth)
}

fn underside(part: &Part, turn_deg: f64) -> Vec<(f64, f64, f64)> {
    part.sites.iter().map(|s| seen(s.at_mm, turn_deg)).map(|(x, y)| (x, y, 13.0)).collect()
}

fn found(inspection: Inspection) -> Found {
    match inspection {
        Inspection::Found(found) => *found,
        Inspection::NotFound(none) => panic!("{none:?}"),
    }
}

fn refused(inspection: Inspection) -> NotFound {
    match inspection {
        Inspection::Found(found) => panic!("found {} sites", found.sites.len()),
        Inspection::NotFound(none) => none,
    }
}

#[test]
fn a_whole_underside_with_a_corner_left_out_is_found_with_its_mirror_and_turn() {
    let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
    for turn_deg in [0.0, 17.0, 100.0, -155.0] {
        let found = found(inspect(&picture(640, 480, &underside(&part, turn_deg)), &part, None));
        assert!(found.sites.len() == 118 && found.sites.iter().all(|s| s.state == SiteState::Good), "{turn_deg}");
        assert_eq!((found.mirrored, found.side, found.orientation), (Some(true), Side::Part, Orientation::Settled));
        // The part's +x axis, mirrored, points to the left before the turn.
        let off = (found.angle_rad.to_degrees() - (180.0 + turn_deg)).rem_euclid(360.0);
        assert!(!(1.0..=359.0).contains(&off), "{turn_deg}: {}", found.angle_rad.to_degrees());
        assert!(found.um_per_px.iter().all(|v| (v / (1000.0 / 30.0) - 1.0).abs() < 0.03), "{:?}", found.um_per_px);
    }
}

#[test]
fn centres_lie_where_they_were_drawn_and_their_uncertainty_is_of_the_right_size() {
    let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
    let discs = underside(&part, 17.0);
    let found = found(inspect(&picture(640, 480, &discs), &part, Some(Side::Part)));
    let off: Vec<f64> =
        found.sites.iter().filter_map(|s| s.centre.map(|c| c.distance(PointPx::new(discs[s.site].0, discs[s.site].1)))).collect();
    let rms = (off.iter().map(|d| d * d).sum::<f64>() / off.len() as f64).sqrt();
    assert!(rms < 0.06, "{rms}");
    let within = found.sites.iter().zip(&off).filter(|(s, d)| **d < 2.5 * s.u_px).count();
    assert!(within * 10 > off.len() * 8, "{within} of {}", off.len());
}

#[test]
fn what_is_absent_bridged_small_large_or_displaced_is_named_and_nothing_else() {
    let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
    let at = |id: &str| part.site_index(id).expect("a site");
    let mut discs = underside(&part, 12.0);
    discs[at("4.8")].2 = 7.0;
    discs[at("7.3")].2 = 22.0;
    discs[at("8.9")].0 += 7.0;
    let (a, b) = (discs[at("5.5")], discs[at("5.6")]);
    for k in 0..20 {
        let t = f64::from(k) / 19.0;
        discs.push((a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1), 9.0));
    }
    let gone = [at("1.7"), at("10.12"), at("6.11")];
    let discs: Vec<_> = discs.into_iter().enumerate().filter(|(i, _)| !gone.contains(i)).map(|(_, d)| d).collect();
    let found = found(inspect(&picture(640, 480, &discs), &part, None));
    let mut odd: Vec<(&str, SiteState)> =
        found.sites.iter().filter(|s| s.state != SiteState::Good).map(|s| (part.sites[s.site].id.as_str(), s.state)).collect();
    odd.sort_by_key(|o| o.0);
    let suspect = SiteState::Suspect;
    assert_eq!(
        odd,
        [
            ("1.7", SiteState::Absent),
            ("10.12", SiteState::Absent),
            ("4.8", suspect(SuspectKind::Small)),
            ("5.5", suspect(SuspectKind::Bridge)),
            ("5.6", suspect(SuspectKind::Bridge)),
            ("6.11", SiteState::Absent),
            ("7.3", suspect(SuspectKind::Large)),
            ("8.9", suspect(SuspectKind::Displaced)),
        ]
    );
}

#[test]
fn a_full_square_grid_is_found_but_its_mirror_and_turn_stay_open() {
    let part = grid(9, 9, [1.0, 1.0], &[]);
    let found = found(inspect(&picture(640, 480, &underside(&part, 5.0)), &part, None));
    assert_eq!((found.mirrored, found.orientation), (None, Orientation::Open));
    assert_eq!(found.sites.len(), 81);
}

#[test]
fn a_mark_tells_the_turn_of_a_full_square_grid() {
    let mut part = grid(9, 9, [1.0, 1.0], &[]);
    let at_mm = PointMm::new(-5.4, 4.0);
    part.marks.push(landfit_part::Mark { side: Side::Part, at_mm, angle_rad: 0.0, piece: Piece::round(0.4) });
    let mut discs = underside(&part, 95.0);
    let (x, y) = seen(at_mm, 95.0);
    discs.push((x, y, 12.0));
    let found = found(inspect(&picture(640, 480, &discs), &part, Some(Side::Part)));
    assert_eq!((found.mirrored, found.orientation), (Some(true), Orientation::Settled));
    assert!((found.angle_rad.to_degrees().rem_euclid(360.0) - 275.0).abs() < 1.0, "{}", found.angle_rad.to_degrees());
}

#[test]
fn a_row_more_or_less_than_the_part_has_is_no_answer() {
    let shown = grid(8, 10, [1.0, 1.0], &[]);
    let picture = picture(640, 480, &underside(&shown, 3.0));
    for (rows, columns) in [(7, 10), (9, 10), (8, 9), (8, 11), (7, 9)] {
        let none = refused(inspect(&picture, &grid(rows, columns, [1.0, 1.0], &[]), None));
        assert!(matches!(none.code, ReasonCode::AmbiguousShift | ReasonCode::WrongPattern | ReasonCode::OutOfView), "{rows} {none:?}");
    }
}

#[test]
fn another_pitch_ratio_is_no_answer() {
    let shown = grid(8, 10, [1.0, 1.0], &[(0, 0)]);
    let straight: Vec<_> = shown.sites.iter().map(|s| (320.0 - 30.0 * s.at_mm.x, 240.0 - 30.0 * s.at_mm.y, 13.0)).collect();
    let none = refused(inspect(&picture(640, 480, &straight), &grid(8, 10, [1.0, 0.8], &[(0, 0)]), None));
    assert_eq!(none.code, ReasonCode::WrongPattern);
}

#[test]
fn another_depopulation_is_no_answer() {
    let picture = picture(640, 480, &underside(&grid(10, 10, [1.0, 1.0], &[]), 0.0));
    let hollow: Vec<_> = (0..100).map(|i| (i / 10, i % 10)).filter(|(r, c)| (3..7).contains(r) && (3..7).contains(c)).collect();
    assert_eq!(refused(inspect(&picture, &grid(10, 10, [1.0, 1.0], &hollow), None)).code, ReasonCode::WrongPattern);
}

#[test]
fn a_grid_cut_off_at_both_ends_is_no_answer() {
    let part = grid(14, 40, [1.0, 1.0], &[]);
    let none = refused(inspect(&picture(640, 480, &underside(&part, 0.0)), &part, None));
    assert!(matches!(none.code, ReasonCode::OutOfView | ReasonCode::AmbiguousShift | ReasonCode::WrongPattern), "{none:?}");
}

#[test]
fn dark_white_even_and_tiny_pictures_are_no_answer_and_no_panic() {
    let part = grid(8, 10, [1.0, 1.0], &[]);
    let even = |v: u8, w: usize, h: usize| Picture { width_px: w, height_px: h, channels: 1, samples: Samples::U8(vec![v; w * h]) };
    assert_eq!(refused(inspect(&even(2, 200, 100), &part, None)).code, ReasonCode::TooDark);
    assert_eq!(refused(inspect(&even(254, 200, 100), &part, None)).code, ReasonCode::Saturated);
    assert_eq!(refused(inspect(&even(120, 200, 100), &part, None)).code, ReasonCode::NoPart);
    assert_eq!(refused(inspect(&even(120, 200, 100), &part, Some(Side::Board))).code, ReasonCode::NoLands);
    for (w, h) in [(1, 1), (3, 900), (30, 24)] {
        refused(inspect(&even(120, w, h), &part, None));
    }
    refused(inspect(&picture(640, 480, &[]), &part, None));
}

#[test]
fn scattered_discs_are_no_answer() {
    let hash = |k: u32| k.wrapping_mul(2_654_435_769).rotate_left(13).wrapping_mul(2_246_822_519);
    let discs: Vec<_> =
        (0..120).map(|k| (20.0 + f64::from(hash(k) >> 16) / 110.0, 20.0 + f64::from(hash(k) & 0xffff) / 150.0, 12.0)).collect();
    for part in [grid(4, 4, [1.0, 1.0], &[]), grid(8, 10, [1.0, 1.0], &[]), grid(3, 4, [1.0, 1.0], &[(0, 0)])] {
        refused(inspect(&picture(640, 480, &discs), &part, None));
    }
}

#[test]
fn one_thread_and_many_give_the_same_answer() {
    let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
    let picture = picture(640, 480, &underside(&part, 12.0));
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let many = rayon::ThreadPoolBuilder::new().num_threads(4).build().expect("a pool");
    let text = |i: Inspection| format!("{i:?}");
    assert_eq!(one.install(|| text(inspect(&picture, &part, None))), many.install(|| text(inspect(&picture, &part, None))));
}

#[test]
fn drilled_vias_beside_all_lands_are_not_taken_for_them() {
    let part = grid(9, 11, [1.0, 1.0], &[(0, 0)]);
    let lands: Vec<(f64, f64, f64)> = part.sites.iter().map(|s| (320.0 + 40.0 * s.at_mm.x, 240.0 - 40.0 * s.at_mm.y, 17.0)).collect();
    let vias: Vec<(f64, f64, f64)> = lands.iter().map(|(x, y, d)| (x + 20.0, y - 20.0, *d)).collect();
    let mut board = picture(640, 480, &[lands.clone(), vias.clone()].concat());
    let Samples::U8(light) = &mut board.samples else { panic!("8 bits") };
    for (x, y, _) in &vias {
        for (dx, dy) in (-5..=5).flat_map(|dx| (-5..=5).map(move |dy| (dx, dy))).filter(|(dx, dy)| dx * dx + dy * dy < 22) {
            light[(*y as i32 + dy) as usize * 640 + (*x as i32 + dx) as usize] = 40;
        }
    }
    match inspect(&board, &part, Some(Side::Board)) {
        Inspection::Found(found) => {
            let near = |s: &SiteSeen| s.centre.is_some_and(|c| lands.iter().any(|l| (c.x - l.0).hypot(c.y - l.1) < 3.0));
            assert!(found.sites.iter().all(near), "vias");
        }
        Inspection::NotFound(none) => assert!(none.text.contains("vias beside lands"), "{}", none.text),
    }
}
