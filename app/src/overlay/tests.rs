//! The marked picture's layout, with answers made from a truth.

use super::*;
use landfit_calibration::bench::Stands;
use landfit_calibration::judgement::judge;
use landfit_calibration::moves::{Known, plan};
use landfit_part::{Piece, Pose, Site};
use landfit_rehearsal::scenario;
use landfit_vision::answer::{Alignment, Fit, Orientation, ReasonCode, Refusal, SideFindings, SiteFinding, SiteState, SuspectKind};
use landfit_vision::picture::Samples;
use nalgebra::{Matrix2, Matrix3};

const ON_BENCH: Pose = Pose::new(0.21, -0.13, 0.011);
const OUTSIDE: Pose = Pose::new(0.1234, -0.0561, 0.008_936);
const WITHIN: Pose = Pose::new(0.008, -0.005, 0.0011);

/// One set of pictures and all that is drawn from.
struct Case {
    part: Part,
    bench: Bench,
    bench_from_part: Pose,
    terminals: Vec<(&'static str, SiteState)>,
    lands: Vec<(&'static str, SiteState)>,
    known: Known,
    sigma_mm: f64,
}

impl Case {
    fn with_offset(offset: Pose) -> Self {
        Self {
            part: scenario::default_part().unwrap(),
            bench: scenario::default_bench().unwrap(),
            bench_from_part: ON_BENCH.after(&offset),
            terminals: vec![],
            lands: vec![],
            known: Known::default(),
            sigma_mm: 0.000_35,
        }
    }

    /// The same bench with each side lit in turn.
    fn in_two_exposures(mut self) -> Self {
        self.bench.optics.views[1].exposure = 1;
        self.bench.optics.views.iter_mut().for_each(|v| v.tint = [1.0; 3]);
        self
    }

    /// The same scene in pictures of another size.
    fn sized(mut self, width: u32, height: u32, px_per_px: f64) -> Self {
        self.bench.optics.frame.size_px = [width, height];
        let centre = [f64::from(width) / 2.0 - 639.5 * px_per_px, f64::from(height) / 2.0 - 479.5 * px_per_px];
        let resize = Matrix3::new(px_per_px, 0.0, centre[0], 0.0, px_per_px, centre[1], 0.0, 0.0, 1.0);
        self.bench.optics.views.iter_mut().for_each(|v| v.px_from_mm = resize * v.px_from_mm);
        self
    }

    fn blank(&self) -> Vec<Picture> {
        let [w, h] = self.bench.optics.frame.size_px.map(|n| n as usize);
        let n = self.bench.optics.exposures();
        vec![Picture { width_px: w, height_px: h, channels: 1, samples: Samples::U8(vec![40; w * h]) }; n]
    }

    fn findings(&self, side: Side) -> SideFindings {
        let (pose, listed) = match side {
            Side::Part => (&self.bench_from_part, &self.terminals),
            Side::Board => (&ON_BENCH, &self.lands),
        };
        let [w, h] = self.bench.optics.frame.size_px.map(f64::from);
        let mut sites = Vec::new();
        for (index, view) in self.bench.optics.views.iter().enumerate().filter(|(_, v)| v.shows == side) {
            let sight = Sight::new(view, self.bench.optics.lens).unwrap();
            for (site, s) in self.part.sites.iter().enumerate() {
                let state = listed.iter().find(|(id, _)| *id == s.id).map_or(SiteState::Good, |(_, state)| *state);
                let stray = if state == SiteState::Suspect(SuspectKind::Displaced) { 0.09 } else { 0.0 };
                // About a micrometre of noise, the same in every run.
                let noise = |k: usize| (((site * 7919 + k * 104_729 + index * 31) % 1000) as f64 / 1000.0 - 0.5) * 0.003;
                let at = pose.apply(s.centre_mm(side)) + PointMm::new(noise(1) + stray, noise(2) + 0.6 * stray);
                let px = sight.px(at);
                if px.x < 12.0 || px.y < 12.0 || px.x > w - 12.0 || px.y > h - 12.0 {
                    continue;
                }
                let there = !matches!(state, SiteState::Absent | SiteState::Hidden);
                let size_ratio = match state {
                    SiteState::Suspect(SuspectKind::Small) => 0.7,
                    SiteState::Suspect(SuspectKind::Large) => 1.3,
                    _ => 1.0,
                };
                sites.push(SiteFinding {
                    site,
                    state,
                    view: index,
                    centre_px: there.then_some(px),
                    centre_mm: there.then_some(at),
                    covariance_mm2: Matrix2::identity() * 1e-6,
                    noise_mm2: Matrix2::identity() * 1e-6,
                    size_ratio,
                });
            }
        }
        SideFindings { sites, scale: None }
    }

    fn answer(&self) -> Answer {
        let offset = ON_BENCH.inverse().after(&self.bench_from_part);
        let s2 = self.sigma_mm * self.sigma_mm;
        let covariance = Matrix3::from_diagonal(&nalgebra::Vector3::new(s2, s2, s2 / 20.0));
        let fit = Fit { bench_from_part: self.bench_from_part, bench_from_board: ON_BENCH, offset, covariance, k: 2.0 };
        let judgement = judge(&self.part, &offset, &covariance, 2.0, &self.bench.aim).unwrap();
        let moves = plan(&self.bench_from_part, &ON_BENCH, &self.part, &self.bench, &self.known).unwrap();
        let alignment = Alignment {
            outcome: Outcome::Fit(fit),
            warnings: vec![],
            orientation: Orientation::Settled,
            terminals: self.findings(Side::Part),
            lands: self.findings(Side::Board),
        };
        Answer { alignment, fit: Some((judgement, moves)), total_ms: 3.0 }
    }

    fn refused(code: ReasonCode, view: Option<usize>, text: &str) -> Answer {
        let refusal = Refusal::new(code, view, text.into());
        let alignment = Alignment {
            outcome: Outcome::Refused(refusal),
            warnings: vec![],
            orientation: Orientation::Open,
            terminals: SideFindings::default(),
            lands: SideFindings::default(),
        };
        Answer { alignment, fit: None, total_ms: 3.0 }
    }

    fn drawn(&self, pictures: &[Picture], answer: &Answer) -> RgbImage {
        draw(pictures, answer, &self.part, &self.bench).unwrap()
    }
}

fn grid_part(side: usize, pitch_mm: f64) -> Part {
    let mut part = scenario::default_part().unwrap();
    let half = (side as f64 - 1.0) / 2.0;
    let site = |i: usize| Site {
        id: format!("{}", i + 1),
        at_mm: PointMm::new((i % side) as f64 - half, half - (i / side) as f64) * pitch_mm,
        angle_rad: 0.0,
        terminal: vec![Piece::round(0.55 * pitch_mm)],
        land: vec![Piece::round(0.45 * pitch_mm)],
    };
    part.sites = (0..side * side).map(site).collect();
    part
}

fn defects() -> Case {
    use SuspectKind as K;
    let mut case = Case::with_offset(Pose::new(0.02, 0.03, 0.002));
    let suspect = SiteState::Suspect;
    case.terminals = vec![
        ("C4", SiteState::Absent),
        ("D7", suspect(K::Bridge)),
        ("D8", suspect(K::Bridge)),
        ("M3", suspect(K::Displaced)),
        ("L11", suspect(K::Small)),
        ("B12", suspect(K::Large)),
        ("P9", SiteState::Hidden),
        ("J2", suspect(K::Odd)),
    ];
    case.lands = vec![("E13", SiteState::Absent)];
    case
}

/// How far the reddest, greenest or bluest pixel within `reach` px of a place goes beyond grey, towards `rgb`.
fn nearest_to(picture: &RgbImage, at: Xy, reach: i64, rgb: [u8; 3]) -> u32 {
    let far = |p: &image::Rgb<u8>| p.0.iter().zip(rgb).map(|(a, b)| u32::from(a.abs_diff(b))).sum();
    let around = |x: i64, y: i64| picture.get_pixel_checked(u32::try_from(x).ok()?, u32::try_from(y).ok()?).map(far);
    let (cx, cy) = (at.x as i64, at.y as i64);
    (-reach..=reach).flat_map(|dy| (-reach..=reach).filter_map(move |dx| around(cx + dx, cy + dy))).min().unwrap_or(u32::MAX)
}

/// Where the sheet shows a place of the bench through one view.
fn on_sheet(case: &Case, sheet: &Sheet, view: usize, bench_mm: PointMm) -> Xy {
    let v = &case.bench.optics.views[view];
    let sight = Sight::new(v, case.bench.optics.lens).unwrap();
    let panel = sheet.panels[v.exposure];
    outline::Window { sight: &sight, zoom: sheet.zoom }.place(bench_mm).by(panel.x, panel.y)
}

/// Every block of a sheet, by a name for the message of a failing test.
fn blocks(sheet: &Sheet) -> Vec<(String, Area)> {
    let mut blocks = vec![("title".to_owned(), sheet.title)];
    blocks.extend(sheet.panels.iter().enumerate().map(|(i, a)| (format!("panel {i}"), *a)));
    blocks.extend(sheet.captions.iter().enumerate().map(|(i, a)| (format!("caption {i}"), *a)));
    match &sheet.desk {
        Desk::Refused { area, .. } => blocks.push(("reason".to_owned(), *area)),
        Desk::Fit(desk) => {
            let named = [("legend", desk.legend_area), ("seen", desk.seen_area), ("plot", desk.plot), ("to do", desk.to_do_area)];
            blocks.extend(named.into_iter().map(|(n, a)| (n.to_owned(), a)));
            blocks.extend(desk.strips.iter().map(|s| (format!("strip {}", s.adjuster), s.area)));
        }
    }
    blocks
}

fn assert_well_set(sheet: &Sheet, what: &str) {
    let [w, h] = sheet.size_px.map(|n| n as f32);
    let all = blocks(sheet);
    for (i, (name, area)) in all.iter().enumerate() {
        assert!(Area::new(0.0, 0.0, w, h).holds(area), "{what}: {name} {area:?} leaves the sheet of {w} x {h}");
        assert!(area.w > 0.0, "{what}: {name} has no width");
        for (other, its) in &all[i + 1..] {
            assert!(!area.grown(-0.5).overlaps(&its.grown(-0.5)), "{what}: {name} {area:?} overlaps {other} {its:?}");
        }
    }
}

#[test]
fn blocks_neither_overlap_nor_leave_the_sheet_at_any_picture_size() {
    let faces = Faces::load().unwrap();
    let refusal = Case::refused(ReasonCode::NoPart, Some(0), &"No part is seen. ".repeat(12));
    for (w, h, k) in [(320, 240, 0.25), (640, 480, 0.5), (1280, 960, 1.0), (2592, 1944, 2.02), (300, 2000, 0.23), (17, 11, 0.013)] {
        for two in [false, true] {
            let case = Case::with_offset(OUTSIDE).sized(w, h, k);
            let mut case = if two { case.in_two_exposures() } else { case };
            let what = format!("{w} x {h}, two exposures: {two}");
            let (shots, answer) = (case.blank(), case.answer());
            assert_well_set(&Sheet::set(&faces, &shots, &answer, &case.part, &case.bench), &what);
            assert_well_set(&Sheet::set(&faces, &shots, &refusal, &case.part, &case.bench), &what);
            // All at one side, and one place not told.
            for adjuster in &mut case.bench.adjusters {
                adjuster.stands = (adjuster.name != "Y").then_some(Stands::Left);
            }
            assert_well_set(&Sheet::set(&faces, &shots, &answer, &case.part, &case.bench), &what);
        }
    }
}

#[test]
fn a_terminal_is_outlined_and_a_land_crossed_where_each_was_measured() {
    let case = Case::with_offset(WITHIN);
    let (shots, answer, faces) = (case.blank(), case.answer(), Faces::load().unwrap());
    let sheet = Sheet::set(&faces, &shots, &answer, &case.part, &case.bench);
    let picture = case.drawn(&shots, &answer);
    let at = |side: Side, site: usize, dx_mm: f64| {
        let (view, pose) = if side == Side::Part { (0, case.bench_from_part) } else { (1, ON_BENCH) };
        on_sheet(&case, &sheet, view, pose.apply(case.part.sites[site].centre_mm(side)) + PointMm::new(dx_mm, 0.0))
    };
    for site in [0, 50, 170] {
        // Right of the ball's centre by its radius there is its outline, a little inside there is none.
        assert!(nearest_to(&picture, at(Side::Part, site, 0.225), 2, ink::TERMINAL.rgb) < 190);
        assert!(nearest_to(&picture, at(Side::Part, site, 0.150), 1, ink::TERMINAL.rgb) > 220);
        assert!(nearest_to(&picture, at(Side::Board, site, -0.05), 2, ink::LAND.rgb) < 190);
    }
}

#[test]
fn the_row_of_misses_points_where_the_terminals_lie() {
    let case = Case::with_offset(Pose::new(0.03, 0.0, 0.0));
    let (shots, answer, faces) = (case.blank(), case.answer(), Faces::load().unwrap());
    let sheet = Sheet::set(&faces, &shots, &answer, &case.part, &case.bench);
    let Desk::Fit(desk) = &sheet.desk else { panic!("no fit") };
    assert_eq!(desk.magnification, 20, "0.03 mm and a little noise 20 times over are less than a pitch of 0.8 mm");
    let picture = case.drawn(&shots, &answer);
    // A2: no neighbour at its left whose own line could reach across.
    let land = ON_BENCH.apply(case.part.sites[0].centre_mm(Side::Board));
    let along = |mm: f64| on_sheet(&case, &sheet, 1, land + PointMm::new(mm, 0.0).rotated(ON_BENCH.theta_rad));
    assert!(nearest_to(&picture, along(0.30), 4, ink::MISS.rgb) < 200);
    assert!(nearest_to(&picture, along(-0.30), 4, ink::MISS.rgb) > 260);
}

#[test]
fn a_site_grows_louder_as_its_miss_nears_the_allowance() {
    let loudness = |x_mm: f64| {
        let case = Case::with_offset(Pose::new(x_mm, 0.0, 0.0));
        let answer = case.answer();
        let misses = misses::Misses::of(&answer, &case.part, &case.bench.aim).unwrap();
        misses.loudness(&misses.fitted[0])
    };
    assert_eq!(loudness(0.03), 0.0);
    assert!(loudness(0.06) > 0.2 && loudness(0.06) < 0.6);
    assert_eq!(loudness(0.1), 1.0);
}

#[test]
fn what_stands_in_the_way_has_a_word_beside_it_and_a_sign_in_the_legend() {
    let case = defects();
    let (shots, answer, faces) = (case.blank(), case.answer(), Faces::load().unwrap());
    let sheet = Sheet::set(&faces, &shots, &answer, &case.part, &case.bench);
    let Desk::Fit(desk) = &sheet.desk else { panic!("no fit") };
    let mut canvas = Canvas::filled(1280, 960, [30; 3]).unwrap();
    let marked = marks::Marked {
        answer: &answer,
        part: &case.part,
        bench: &case.bench,
        misses: &desk.misses,
        magnification: desk.magnification,
        zoom: sheet.zoom,
        line_px: 1.2,
    };
    let (labels, sites) = marks::draw(&mut canvas, 0, &marked);
    let placed = labels::draw(&mut canvas, &faces, 16.0, labels, &sites);
    let told = [
        "ball C4 absent",
        "balls D7 and D8 bridge",
        "ball M3 displaced",
        "ball L11 small",
        "ball B12 large",
        "ball P9 hidden",
        "ball J2 odd",
        "land E13 absent",
        "A1",
    ];
    for text in told {
        assert!(placed.iter().any(|(_, t)| t == text), "no label says {text:?}: {placed:?}");
    }
    for (i, (a, text)) in placed.iter().enumerate() {
        assert!(canvas.area().holds(a), "{text} is cut off");
        assert!(placed[i + 1..].iter().all(|(b, _)| !a.overlaps(b)), "{text} overlaps another label");
    }
    let legend: Vec<&str> = desk.legend.entries.iter().map(|e| e.text.as_str()).collect();
    for word in ["ball as measured", "land as measured", "miss lines x", "absent", "hidden", "bridge", "small or large", "displaced", "odd"]
    {
        assert!(legend.iter().any(|t| t.starts_with(word)), "the legend does not tell {word}: {legend:?}");
    }
}

#[test]
fn the_legend_tells_only_the_signs_that_are_used() {
    let case = Case::with_offset(WITHIN);
    let (shots, answer, faces) = (case.blank(), case.answer(), Faces::load().unwrap());
    let Desk::Fit(desk) = Sheet::set(&faces, &shots, &answer, &case.part, &case.bench).desk else { panic!("no fit") };
    assert_eq!(desk.legend.entries.len(), 4);
}

#[test]
fn the_sentences_are_those_of_the_command() {
    let case = Case::with_offset(OUTSIDE);
    let (shots, answer, faces) = (case.blank(), case.answer(), Faces::load().unwrap());
    let Desk::Fit(desk) = Sheet::set(&faces, &shots, &answer, &case.part, &case.bench).desk else { panic!("no fit") };
    let (seen, to_do) = (desk.seen.text(), desk.to_do.text());
    assert!(seen.starts_with("Seen Outside The worst is ball "), "{seen}");
    for said in ["1. turn the rotation", "2. turn X", "3. turn Y", "The worst ball will then be"] {
        assert!(to_do.contains(said), "{said:?} is not in {to_do}");
    }
}

#[test]
fn a_refusal_shows_its_reason_and_no_moves() {
    let case = Case::with_offset(OUTSIDE);
    let answer = Case::refused(ReasonCode::NoPart, Some(0), "No part is seen. Pick the part up.");
    let (shots, faces) = (case.blank(), Faces::load().unwrap());
    let Desk::Refused { words, .. } = Sheet::set(&faces, &shots, &answer, &case.part, &case.bench).desk else { panic!("a fit") };
    assert_eq!(words.text(), "No answer (no-part) No part is seen. Pick the part up.");
    let picture = case.drawn(&shots, &answer);
    let coloured = |p: &image::Rgb<u8>| p.0.iter().max().unwrap() - p.0.iter().min().unwrap() > 60;
    assert!(!picture.pixels().any(coloured), "a refusal has no marks and no bright number");
}

#[test]
fn no_site_in_view_and_thousands_of_sites_are_drawn() {
    let mut nothing = Case::with_offset(OUTSIDE).answer();
    (nothing.alignment.terminals, nothing.alignment.lands) = Default::default();
    let case = Case::with_offset(OUTSIDE);
    let picture = case.drawn(&case.blank(), &nothing);
    assert!(picture.width() >= 1280);
    let mut case = Case::with_offset(OUTSIDE);
    case.part = grid_part(60, 0.2);
    let answer = case.answer();
    assert_eq!(answer.alignment.terminals.sites.len(), 3600);
    assert!(case.drawn(&case.blank(), &answer).width() >= 1280);
}

#[test]
fn a_picture_of_one_pixel_is_drawn() {
    let mut case = Case::with_offset(OUTSIDE).sized(1, 1, 0.001);
    let answer = case.answer();
    case.drawn(&case.blank(), &answer);
    case.bench.optics.lens = Some(landfit_vision::Lens { k1: -9.0, k2: 5.0, centre_px: PointPx::new(0.0, 0.0), norm_px: 0.1 });
    case.drawn(&case.blank(), &answer);
    case.drawn(&[], &answer);
}

#[test]
fn the_same_answer_gives_the_same_bytes() {
    let case = defects();
    let (shots, answer) = (case.blank(), case.answer());
    assert_eq!(case.drawn(&shots, &answer).into_raw(), case.drawn(&shots, &answer).into_raw());
}

#[test]
fn thimbles_turn_on_the_sheet_as_they_do_before_the_hand() {
    let bench = scenario::default_bench().unwrap();
    let places = thimble::places(&bench);
    assert_eq!(places, [thimble::Place::Right, thimble::Place::Below(0), thimble::Place::Above(0)]);
}

#[test]
fn the_picture_is_written_whole_or_not_at_all() {
    let case = Case::with_offset(WITHIN);
    let (shots, answer) = (case.blank(), case.answer());
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("marked.png");
    write(&file, &shots, &answer, &case.part, &case.bench).unwrap();
    assert_eq!(image::open(&file).unwrap().into_rgb8(), case.drawn(&shots, &answer));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing else is left behind");

    let missing = folder.path().join("no such folder").join("marked.png");
    let error = write(&missing, &shots, &answer, &case.part, &case.bench).unwrap_err();
    assert!(format!("{error:#}").contains("no such folder"), "{error:#}");
    assert!(!folder.path().join("no such folder").exists());

    let taken = folder.path().join("taken.png");
    std::fs::create_dir(&taken).unwrap();
    let error = write(&taken, &shots, &answer, &case.part, &case.bench).unwrap_err();
    assert!(format!("{error:#}").contains("taken.png"), "{error:#}");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2, "nothing but the picture and the folder");
}
