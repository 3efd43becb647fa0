//! What holds for any bench.

use super::super::*;
use super::BENCH;
use landfit_part::PointMm;
use proptest::prelude::*;

fn any_bench() -> impl Strategy<Value = Bench> {
    let optics = (1..3000u32, 1..3000u32, 0.0..20.0f64, prop::option::of(100.0..5000.0f64), 0.5..3.0f64, prop::option::of(-0.01..0.01f64));
    let view = (prop::array::uniform3(0.01..1.0f64), 10.0..200.0f64, -0.1..0.1f64, -1e-6..1e-6f64);
    let adjuster = (
        0.01..2.0f64,
        -0.1..0.1f64,
        prop::option::of(1..200u32),
        0.0..0.5f64,
        0.1..2.0f64,
        any::<bool>(),
        prop::option::of(-20.0..0.0f64),
        0..5usize,
    );
    let angles = (-3600i32..3600, 1i32..100);
    (optics, [view.clone(), view], [adjuster.clone(), adjuster], angles, -5.0..5.0f64, "[a-z\"\\\\#é ]{0,12}x").prop_map(
        |(optics, views, slides, (aim_tenths, step), way, name)| {
            let (width, height, black, white, gamma, k1) = optics;
            let sides = [Side::Part, Side::Board];
            let views = views.into_iter().zip(sides).enumerate().map(|(exposure, ((tint, scale, skew, tilt), shows))| View {
                shows,
                exposure,
                region_px: (exposure == 0).then_some(RegionPx { x: 0, y: 0, width, height }),
                tint,
                px_from_mm: Matrix3::new(
                    scale,
                    skew * scale,
                    f64::from(width) / 2.0,
                    skew,
                    -scale,
                    f64::from(height) / 2.0,
                    tilt,
                    tilt,
                    1.0,
                ),
            });
            let slides =
                slides.into_iter().enumerate().map(|(i, (along, across, divisions, backlash_turns, readable, clockwise, low, stands))| {
                    Adjuster {
                        name: format!("S{i} {name}").replace('=', ""),
                        carries: sides[i],
                        turn: Motion::Shift {
                            step_mm: if i == 0 { PointMm::new(along, across * along) } else { PointMm::new(across * along, along) },
                        },
                        divisions,
                        backlash_turns,
                        readable_divisions: readable,
                        reads: if divisions.is_some() { Reads::Divisions } else { Reads::Steps },
                        reading_rises: if clockwise { Sense::Clockwise } else { Sense::Anticlockwise },
                        scale: ReadingScale { per_turn: readable / 40.0, unit: if clockwise { "in".into() } else { String::new() } },
                        travel_turns: low.map(|low| [low, low + 3.0]),
                        stands: STANDS.get(stands).map(|(_, s)| *s),
                        rides_on: None,
                    }
                });
            let mut adjusters: Vec<Adjuster> = slides.collect();
            let rotation = Motion::Rotation { step_rad: (f64::from(step) / 10.0).to_radians(), pivot_mm: PointMm::new(way, -way) };
            adjusters.push(Adjuster {
                name: "R".into(),
                turn: rotation,
                rides_on: Some(adjusters[0].name.clone()),
                ..adjusters[0].clone()
            });
            let lens = k1.map(|k1| Lens { k1, k2: k1 / 10.0, centre_px: PointPx::new(f64::from(width) / 2.0, 0.0), norm_px: 3000.0 });
            Bench {
                name,
                optics: Optics {
                    frame: Frame { size_px: [width, height], black, white, gamma },
                    lens,
                    views: views.collect(),
                    scale: ScaleSource::Bench,
                },
                adjusters,
                aim: Pose::new(way / 100.0, -way / 50.0, (f64::from(aim_tenths) / 10.0).to_radians()),
                calibration: if step % 2 == 0 { CalibrationState::Calibrated } else { CalibrationState::NotCalibrated },
            }
        },
    )
}

proptest! {
    #[test]
    fn every_bench_reads_back_as_it_was_written(bench in any_bench()) {
        let text = to_toml(&bench);
        let again = parse(&text, "b.toml").map_err(|e| TestCaseError::fail(format!("{e}\n{text}")))?;
        prop_assert_eq!(again, bench);
    }

    #[test]
    fn any_learned_values_can_be_put_into_an_old_file(old in any_bench(), new in any_bench()) {
        let mut learned = old.clone();
        for (view, new) in learned.optics.views.iter_mut().zip(&new.optics.views) {
            view.tint = new.tint;
        }
        learned.adjusters[0].backlash_turns = new.adjusters[0].backlash_turns;
        learned.adjusters[2].turn = new.adjusters[2].turn;
        learned.optics.frame.gamma = new.optics.frame.gamma;
        learned.aim = new.aim;
        learned.calibration = new.calibration;
        let updated = updated_text(&to_toml(&old), "b.toml", &learned).map_err(|e| TestCaseError::fail(e.to_string()))?;
        prop_assert_eq!(parse(&updated, "b.toml").map_err(|e| TestCaseError::fail(e.to_string()))?, learned);
    }

    #[test]
    fn no_change_of_a_good_file_makes_the_reader_panic(at in 0..BENCH.len(), with in "\\PC{0,3}") {
        let at = (at..=BENCH.len()).find(|i| BENCH.is_char_boundary(*i)).unwrap_or(0);
        let mut text = BENCH.to_owned();
        text.insert_str(at, &with);
        if let Err(error) = parse(&text, "b.toml") {
            prop_assert!(error.to_string().starts_with("b.toml, line "), "{}", error);
        }
    }
}
