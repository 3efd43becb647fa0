use super::*;
use crate::date::Date;
use crate::history::Entry;
use crate::lights::{LightsError, Which};
use crate::record::Record;
use crate::screws::Approach;
use crate::screws::reading::Thimble;
use crate::screws::run::Extent;
use crate::screws::shift::SightUncertainty;
use crate::target::Target;
use landfit_part::{PointMm, Pose, Side};
use landfit_vision::picture::Samples;
use landfit_vision::{Frame, Misfit, Optics, Picture, ScaleSource, View};
use nalgebra::Matrix3;

/// Both sides lit in turn, 0.05 mm a px by the file.
fn optics() -> Optics {
    let view = |shows, exposure, scale: f64| View {
        shows,
        exposure,
        region_px: None,
        tint: [1.0; 3],
        px_from_mm: Matrix3::new(scale, 0.0, 159.5, 0.0, -scale, 119.5, 0.0, 0.0, 1.0),
    };
    let frame = Frame { size_px: [320, 240], black: 0.0, white: None, gamma: 1.0 };
    Optics { frame, lens: None, views: vec![view(Side::Part, 0, 20.1), view(Side::Board, 1, 19.9)], scale: ScaleSource::Bench }
}

/// Dots of 1 mm pitch as a true view of 20 px per mm sees them, the view moved by `moved_px`.
fn dots(at: Pose, moved_px: f64) -> Picture {
    let inverse = at.inverse();
    let dark = |x: f64, y: f64| {
        let p = inverse.apply(PointMm::new((x - moved_px - 159.5) / 20.0, (119.5 - y) / 20.0));
        (p.x - p.x.round()).hypot(p.y - p.y.round()) < 0.25
    };
    let light = |i: usize| {
        let (x, y) = ((i % 320) as f64, (i / 320) as f64);
        let lit = (0..36).filter(|s| !dark(x + f64::from(s % 6) / 5.0 * 1.4 - 0.7, y + f64::from(s / 6) / 5.0 * 1.4 - 0.7)).count();
        30 + (170 * lit / 36) as u8 + ((i * 2_654_435_761) >> 7) as u8 % 5
    };
    Picture { width_px: 320, height_px: 240, channels: 1, samples: Samples::U8((0..320 * 240).map(light).collect()) }
}

#[test]
fn scale_is_led_from_the_first_laying_down_to_a_registered_bench_and_the_day_check_sees_a_knock() {
    let mut step = ScaleStep::new(optics(), &Record::default(), Target::square(1.0), 0.0);
    assert!(step.next().is_some_and(|w| !w.is_optional && w.words.contains("Lay the target")));
    let empty = Picture { width_px: 320, height_px: 240, channels: 1, samples: Samples::U8(vec![90; 320 * 240]) };
    let refused = step.lay(&[empty.clone(), empty]).expect_err("no target");
    assert!(matches!(refused, LayError::Find { side: Side::Part, .. }), "{refused}");
    assert!(matches!(step.lay(&[dots(Pose::IDENTITY, 0.0)]), Err(LayError::Pictures(Misfit::Count { given: 1, needed: 2 }))));
    for at in [Pose::new(0.1, -0.1, 0.02), Pose::new(0.3, 0.2, -0.1), Pose::new(-0.2, 0.1, 0.2)] {
        let found = step.lay(&[dots(at, 0.0), dots(at, 0.6)]).expect("a target");
        assert!(found.marks.iter().all(|m| *m > 100) && found.covered_share > 0.9, "{found:?}");
    }
    assert_eq!(step.layings(), 3);
    assert!(step.next().is_some_and(|w| w.is_optional && w.words.contains("turn it")));
    let result = step.result().expect("a result");
    for view in &result.views {
        assert!((view.um_per_px[0] - 50.0).abs() < 0.01, "{view:?}");
    }
    let mut record = Record::default();
    result.remember(&mut record, "grey8", Date::parse("2026-11-25").expect("a day"));
    assert_eq!((record.views.len(), record.registrations.len(), record.pixel_format.as_deref()), (2, 1, Some("grey8")));

    let day = DayStep { optics: &result.optics, record: &record, history: &[], lies: Lies::AgainstItsStop };
    let today = Date::parse("2026-11-26").expect("a day");
    let check = |moved_px: f64| {
        let at = Pose::new(0.05, 0.02, 0.01);
        day.check(&[dots(at, 0.0), dots(at, 0.6 + moved_px)], &|_| Target::square(1.0), true, today).expect("a check")
    };
    let good = check(0.0);
    assert!(good.holds() && good.registration.is_some() && good.age.as_ref().is_some_and(|a| a.days == 1), "{good:?}");
    assert!((good.views[0].angle_rad.0 - good.views[1].angle_rad.0).abs() < 1e-3);
    let knocked = check(0.4).registration.expect("both saw it");
    assert!(!knocked.holds() && (knocked.off_mm[0].abs() - 0.02).abs() < 0.003, "{knocked:?}");
    step.take_back();
    assert_eq!(step.layings(), 2);
}

/// A picture of another camera.
fn small() -> Picture {
    Picture { width_px: 4, height_px: 4, channels: 3, samples: Samples::U8(vec![90; 48]) }
}

#[test]
fn pictures_of_another_size_are_refused_by_every_step() {
    let mut step = ScaleStep::new(optics(), &Record::default(), Target::square(1.0), 0.0);
    let odd = [dots(Pose::IDENTITY, 0.0), small()];
    assert!(matches!(step.lay(&odd), Err(LayError::Pictures(Misfit::Size { index: 1, size_px: [4, 4], .. }))));
    let (optics, record) = (optics(), Record::default());
    let day = DayStep { optics: &optics, record: &record, history: &[], lies: Lies::Anywhere };
    let told = day.check(&odd, &|_| Target::square(1.0), true, Date::parse("2026-11-26").expect("a day")).expect_err("refused").to_string();
    assert!(told.starts_with("picture 2 is 4 x 4 px"), "{told}");
}

#[test]
fn a_target_that_speaks_of_another_scale_than_the_bench_is_refused_until_the_scale_is_said_to_have_changed() {
    let looks = [dots(Pose::IDENTITY, 0.0), dots(Pose::IDENTITY, 0.0)];
    let step = || ScaleStep::new(optics(), &Record::default(), Target::square(0.8), 0.0);
    let told = step().lay(&looks).expect_err("dots 1 mm apart").to_string();
    assert!(told.contains("one px shows 40.") && told.contains("by the bench file: is it the right target file or pitch?"), "{told}");
    assert!(step().expecting(40.0).lay(&looks).is_ok());
}

#[test]
fn the_day_check_compares_with_what_was_noted_since_scale_was_calibrated() {
    let (optics, record) = (optics(), Record::default());
    let noted = |what: &str, edge_px: f64| Entry {
        what: what.to_owned(),
        figures: vec![("view0_edge_px".to_owned(), edge_px)],
        ..Entry::default()
    };
    let before = |history: &[Entry]| {
        let day = DayStep { optics: &optics, record: &record, history, lies: Lies::Anywhere };
        let looks = [dots(Pose::IDENTITY, 0.0), dots(Pose::IDENTITY, 0.0)];
        let today = Date::parse("2026-11-26").expect("a day");
        day.check(&looks, &|_| Target::square(1.0), true, today).expect("a check").views[0].edge_before_px
    };
    let mut history = vec![noted("check of the day", 1.5), noted("check of the day", 1.6)];
    assert_eq!(before(&history), Some(1.5));
    history.push(Entry { what: "scale".to_owned(), ..Entry::default() });
    assert_eq!(before(&history), None);
    history.extend([noted("check of the day", 2.5), noted("screws X", 9.0)]);
    assert_eq!(before(&history), Some(2.5));
}

#[test]
fn a_run_states_its_readings_and_tells_what_the_screw_does() {
    let mut step = RunStep::of_shift(Thimble::MM, Extent::Short, [0.0, 10.4]);
    let first = step.next().expect("a reading");
    assert!(
        first.words.starts_with("Go to ") && first.words.ends_with("the reading rising.") && (first.stop, first.of) == (0, 20),
        "{first:?}"
    );
    let mut turned = 0;
    while let Some(stated) = step.next() {
        turned += usize::from(stated.words.starts_with("Go to"));
        let t = stated.planned.reading_turns;
        let play = if stated.planned.approach == Approach::Down { 0.03 } else { 0.0 };
        let jitter = 2e-4 * (f64::from((stated.stop * 37 % 11) as u32) / 5.0 - 1.0);
        step.note(t, Pose::new(0.5 * (t + play) + jitter, 0.001 * t, 0.0));
    }
    assert_eq!((turned, step.stops().len()), (2, 20));
    step.note(1.0, Pose::IDENTITY);
    assert_eq!(step.stops().len(), 20);
    let RunResult::Shift(found) = step.result(SightUncertainty::default()).expect("a fit") else { panic!("a shift") };
    assert!((found.step_mm.x - 0.5).abs() < 1e-4 && (found.backlash_turns - 0.03).abs() < 2e-3, "{found:?}");
    step.take_back();
    assert!(step.next().is_some_and(|s| s.stop == 19));
    let jog = RunStep::of_rotation(Thimble::STEPS, Extent::Short, [0.0, 40.0]).next().expect("a reading");
    assert_eq!(jog.words, "Go to 1 step first, then set 2 steps, the reading rising.");
}

#[test]
fn lights_ask_for_their_pictures_and_pass_over_what_is_not_needed() {
    let mut step = LightsStep::new(optics());
    assert!(step.result().is_none());
    let grey = Picture { width_px: 320, height_px: 240, channels: 1, samples: Samples::U8(vec![90; 320 * 240]) };
    let mut asked = Vec::new();
    while let Some((shot, wanted)) = step.next() {
        asked.push(shot);
        if wanted.is_optional { step.pass_over(shot) } else { step.take(shot, grey.clone()) }
    }
    assert_eq!(asked, Shot::ALL);
    let learnt = step.result().expect("both lights were seen").expect("a grey camera has no tints");
    assert!(learnt.tints.is_none() && learnt.frame == optics().frame);
    step.take(Shot::BoardLight, small());
    assert!(matches!(step.result(), Some(Err(LightsError::Size { which: Which::Board, size_px: [4, 4], .. }))));
}
