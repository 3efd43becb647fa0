//! What landfit says in plain words. Every command and screen takes its sentences from here, so that all say the same.

use crate::words;
use landfit_calibration::bench::{Adjuster, Bench, ReadingScale, Reads, Sense};
use landfit_calibration::judgement::Judgement;
use landfit_calibration::moves::noticed::Noticed;
use landfit_calibration::moves::{Amount, Move, MovePlan, Play, sense_of};
use landfit_part::{AllowanceSource, Part, Pose, Shape, Side};
use landfit_vision::answer::Fit;

/// What a part stands on, as the trade calls it: "ball", "lead" or "pad".
pub fn terminal_word(part: &Part) -> &'static str {
    let mut pieces = part.sites.iter().flat_map(|s| s.pieces(Side::Part));
    if pieces.clone().all(|p| matches!(p.shape, Shape::Round { .. })) {
        return "ball";
    }
    // A lead is longer than it is wide; what is about square is a pad.
    let long = |p: &landfit_part::Piece| {
        let [w, l] = p.shape.extent_mm();
        w.max(l) > 1.5 * w.min(l)
    };
    if pieces.any(long) { "lead" } else { "pad" }
}

/// What stands on one side: a terminal as the trade calls it, or "land".
pub fn thing_word(part: &Part, side: Side) -> &'static str {
    match side {
        Side::Part => terminal_word(part),
        Side::Board => "land",
    }
}

/// The same text with a capital letter at its beginning.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// "clockwise" or "anticlockwise".
pub const fn sense_word(sense: Sense) -> &'static str {
    match sense {
        Sense::Clockwise => "clockwise",
        Sense::Anticlockwise => "anticlockwise",
    }
}

/// "123.4 µm right and 56.1 µm towards you, turned 0.512° anticlockwise": where a part sits relative to its lands, as
/// seen from above.
pub fn offset_text(offset: &Pose) -> String {
    offset_text_in(offset, &length_text)
}

/// The same, with lengths as `length` tells them.
pub fn offset_text_in(offset: &Pose, length: &dyn Fn(f64) -> String) -> String {
    let way = |mm: f64, plus: &str, minus: &str| format!("{} {}", length(mm.abs()), if mm < 0.0 { minus } else { plus });
    let turned_deg = offset.theta_rad.to_degrees();
    format!(
        "{} and {}, turned {:.3}° {}",
        way(offset.x_mm, "right", "left"),
        way(offset.y_mm, "away from you", "towards you"),
        turned_deg.abs(),
        if turned_deg < 0.0 { "clockwise" } else { "anticlockwise" }
    )
}

/// "± 0.9 µm, ± 0.9 µm, ± 0.004° (95 %)": the half-widths of the offset's 95.45 % interval.
pub fn uncertainty_text(fit: &Fit) -> String {
    let half = |i: usize| fit.k * fit.covariance[(i, i)].max(0.0).sqrt();
    format!("± {}, ± {}, ± {:.4}° (95 %)", length_text(half(0)), length_text(half(1)), half(2).to_degrees())
}

/// "the worst is ball T1: 208.3 µm ± 1.0 µm off, allowed 90 µm": the judgement's numbers.
pub fn worst_text(judgement: &Judgement, part: &Part) -> String {
    format!(
        "the worst is {} {}: {} ± {} off, allowed {}",
        terminal_word(part),
        site_name(part, judgement.site),
        length_text(judgement.miss_mm),
        length_text(judgement.u_mm),
        short_length_text(judgement.allowance.miss_mm)
    )
}

/// Where the allowance comes from.
pub const fn allowance_source_text(source: AllowanceSource) -> &'static str {
    match source {
        AllowanceSource::PartFile => "from the part file",
        AllowanceSource::QuarterOfLand => {
            "a quarter of the smallest land, a choice of this project; [accept] in the part file sets another"
        }
        AllowanceSource::QuarterOfTerminal => {
            "a quarter of the narrowest terminal, a choice of this project; [accept] in the part file sets another"
        }
    }
}

/// One line for each move, in the order to make them, such as "turn the rotation 10 divisions anticlockwise", then what
/// to know of play. Empty when there is nothing to turn. Warnings of the plan are not in it.
pub fn moves_text(plan: &MovePlan, bench: &Bench) -> Vec<String> {
    let mut lines: Vec<String> = plan.moves.iter().map(|m| move_text(m, bench)).collect();
    lines.extend(play_text(plan, bench));
    lines
}

/// "X was turned in the other sense: turn it as told here": what a picture shows of the moves before it.
pub fn noticed_text(noticed: &Noticed, bench: &Bench) -> String {
    let name = |i: usize| bench.adjusters.get(i).map_or("?", |a| a.name.as_str());
    let turns = |i: usize, turns: f64| match bench.adjusters.get(i) {
        Some(Adjuster { reads: Reads::Divisions, divisions: Some(n), .. }) => counted((turns.abs() * f64::from(*n)).round(), "division"),
        Some(Adjuster { reads: Reads::Steps, .. }) => counted(turns.abs().round(), "step"),
        _ => bare_text(turns.abs()),
    };
    match *noticed {
        Noticed::Moved { side, by_mm } => {
            format!("moved: the {} has gone {} in a way that no adjuster moves it; look again", side.word(), short_length_text(by_mm))
        }
        Noticed::Strayed { side } => {
            let side = side.word();
            format!("strayed: the {side} is not where the move told would have put it; it was bumped, or several screws were turned")
        }
        Noticed::WrongSense { adjuster } => format!("wrong sense: {} was turned the other way than told", name(adjuster)),
        Noticed::WrongScrew { told, turned } => format!("wrong screw: {} was turned in place of {}", name(turned), name(told)),
        Noticed::HalfTurn { adjuster, off_turns } => {
            let sense = sense_word(sense_of(off_turns));
            format!("half a turn: {} stands half a turn too far {sense}; the sleeve may have been misread", name(adjuster))
        }
        Noticed::NotTurned { adjuster } => {
            format!("{} does not show as turned: was it another one, or does it have no effect?", name(adjuster))
        }
        Noticed::TooFar { adjuster, off_turns } => format!("{} went {} farther than told", name(adjuster), turns(adjuster, off_turns)),
        Noticed::TooShort { adjuster, off_turns } => format!("{} went {} less far than told", name(adjuster), turns(adjuster, off_turns)),
    }
}

/// "the worst ball will then be 7 µm off, allowed 90 µm".
pub fn left_text(plan: &MovePlan, part: &Part) -> String {
    format!(
        "the worst {} will then be {} off, allowed {}",
        terminal_word(part),
        short_length_text(plan.left_after.worst_miss_mm),
        short_length_text(part.allowance().miss_mm)
    )
}

/// A length to 0.1 µm below a millimetre, else in mm.
pub fn length_text(mm: f64) -> String {
    if mm < 0.9995 { format!("{:.1} µm", mm * 1000.0) } else { format!("{mm:.3} mm") }
}

/// A length to whole µm below a millimetre, else in mm.
pub fn short_length_text(mm: f64) -> String {
    if mm < 0.9995 { format!("{:.0} µm", mm * 1000.0) } else { format!("{mm:.2} mm") }
}

/// The id of a site.
pub fn site_name(part: &Part, site: usize) -> &str {
    part.sites.get(site).map_or("?", |s| s.id.as_str())
}

/// "the rotation" where there is only one, else the adjuster's name.
pub fn spoken_name(one: &Move, bench: &Bench) -> String {
    let rotates = |a: &landfit_calibration::bench::Adjuster| matches!(a.turn, landfit_calibration::bench::Motion::Rotation { .. });
    if one.rotates && bench.adjusters.iter().filter(|a| rotates(a)).count() == 1 { "the rotation".to_owned() } else { one.name.clone() }
}

fn move_text(one: &Move, bench: &Bench) -> String {
    format!("turn {}", move_words(one, bench))
}

/// The same without its verb: "X 13 divisions clockwise".
pub fn move_words(one: &Move, bench: &Bench) -> String {
    let (name, sense) = (spoken_name(one, bench), sense_word(one.sense));
    if let (Amount::Bare { turns }, None) = (one.amount, one.reading) {
        let play = one.play.take_up_turns().map_or_else(String::new, |t| format!(", after {} to take up its play", bare_text(t)));
        return format!("{name} {} {sense}{play}, then slowly", bare_text(turns));
    }
    let amount = amount_text(&one.amount);
    let play = match one.play {
        Play::TakeUp { turns } => Some(turns_text(turns, one, bench)),
        Play::None | Play::Unknown { .. } => None,
    };
    match (one.reading, play) {
        (Some(reading), None) => format!("{name} {sense} to {} ({amount})", reading_text(reading.then_turns, one, bench)),
        (Some(reading), Some(play)) => {
            format!("{name} {sense} to {} ({amount}, and {play} of play before)", reading_text(reading.then_turns, one, bench))
        }
        (None, None) => format!("{name} {amount} {sense}"),
        (None, Some(play)) => format!("{name} {amount} {sense}, after {play} to take up its play"),
    }
}

/// "X about 6 turns clockwise": a hint, told as roughly as it is known.
pub fn rough_turns_text(turns: f64, adjuster: &Adjuster) -> String {
    let amount = match adjuster.reads {
        Reads::Steps => counted(turns.abs().round().max(1.0), "step"),
        _ if turns.abs() < 3.0 => counted((turns.abs() * 10.0).round().max(1.0) / 10.0, "turn"),
        _ => counted(turns.abs().round(), "turn"),
    };
    format!("{} about {amount} {}", adjuster.name, sense_word(sense_of(turns)))
}

fn amount_text(amount: &Amount) -> String {
    match *amount {
        Amount::Thimble { whole: 0, divisions } => counted(divisions, "division"),
        Amount::Thimble { whole, divisions: 0.0 } => counted(f64::from(whole), "turn"),
        Amount::Thimble { whole, divisions } => format!("{} and {}", counted(f64::from(whole), "turn"), counted(divisions, "division")),
        Amount::Steps { count } => counted(f64::from(count), "step"),
        Amount::Bare { turns } => bare_text(turns),
    }
}

/// Fractions of a turn that an eye can tell, in twenty-fourths.
const FRACTIONS: [(f64, &str); 11] = [
    (3.0, "an eighth"),
    (4.0, "a sixth"),
    (6.0, "a quarter"),
    (8.0, "a third"),
    (9.0, "three eighths"),
    (12.0, "half"),
    (15.0, "five eighths"),
    (16.0, "two thirds"),
    (18.0, "three quarters"),
    (20.0, "five sixths"),
    (21.0, "seven eighths"),
];

/// "about a third of a turn (0.34)": a bare knob's turns, as the eye sees them and to two places; small ones as an angle.
fn bare_text(turns: f64) -> String {
    let whole = turns.floor();
    let part = (turns - whole) * 24.0;
    let words = if turns < 2.5 / 24.0 {
        return format!("about {:.0}° ({turns:.2} of a turn)", turns * 360.0);
    } else if part < 1.5 {
        counted(whole, "turn")
    } else if part > 22.5 {
        counted(whole + 1.0, "turn")
    } else {
        let nearest = FRACTIONS.iter().min_by(|a, b| (a.0 - part).abs().total_cmp(&(b.0 - part).abs()));
        let fraction = nearest.map_or("part", |f| f.1);
        let fraction = if fraction == "half" { "half a turn".to_owned() } else { format!("{fraction} of a turn") };
        if whole == 0.0 { fraction } else { format!("{} and {fraction}", counted(whole, "turn")) }
    };
    format!("about {words} ({turns:.2})")
}

/// A play of so many turns, in what the adjuster's hand counts.
pub fn turns_text(turns: f64, one: &Move, bench: &Bench) -> String {
    let divisions = bench.adjusters.get(one.adjuster).and_then(|a| a.divisions);
    match (one.amount, divisions) {
        (Amount::Thimble { .. }, Some(n)) => counted((turns * f64::from(n) * 10.0).round() / 10.0, "division"),
        (Amount::Steps { .. }, _) => counted(turns.ceil(), "step"),
        _ => bare_text(turns),
    }
}

fn counted(n: f64, thing: &str) -> String {
    format!("{n} {}", number_of(n, thing))
}

/// "division", "divisions".
fn number_of(n: f64, thing: &str) -> String {
    if n == 1.0 { thing.to_owned() } else { format!("{thing}s") }
}

/// The number to turn, and what it counts: "13" "divisions", "1+8" "turn + divisions", "0.26" "of a turn".
#[must_use]
pub fn number_and_unit(amount: Amount) -> (String, String) {
    let plain = |n: f64| format!("{}", (n * 100.0).round() / 100.0);
    match amount {
        Amount::Thimble { whole: 0, divisions } => (plain(divisions), number_of(divisions, "division")),
        Amount::Thimble { whole, divisions: 0.0 } => (whole.to_string(), number_of(f64::from(whole), "turn")),
        Amount::Thimble { whole, divisions } => {
            (format!("{whole}+{}", plain(divisions)), words::both(&number_of(f64::from(whole), "turn"), &number_of(divisions, "division")))
        }
        Amount::Steps { count } => (count.to_string(), number_of(f64::from(count), "step")),
        Amount::Bare { turns } => (format!("{turns:.2}"), words::OF_A_TURN.to_owned()),
    }
}

/// "to 3.53", and the scale's unit.
#[must_use]
pub fn to_reading_short(turns: f64, scale: &ReadingScale) -> String {
    format!("to {} {}", reading_number(scale.shown(turns)), scale.unit).trim_end().to_owned()
}

/// What an adjuster's scale shows at `turns`: to as many places as it takes but no more than four, and in its unit.
pub fn reading_text(turns: f64, one: &Move, bench: &Bench) -> String {
    let scale = bench.adjusters.get(one.adjuster).map_or(ReadingScale::TURNS, |a| a.scale.clone());
    let number = reading_number(scale.shown(turns));
    if scale.unit.is_empty() { number } else { format!("{number} {}", scale.unit) }
}

/// A reading without its unit.
pub fn reading_number(turns: f64) -> String {
    let text = format!("{turns:.4}");
    let short = text.trim_end_matches('0');
    // A thimble's reading is written with two places as a rule: 3.50, not 3.5.
    let places = short.len() - short.find('.').map_or(short.len(), |dot| dot + 1);
    if places < 2 { format!("{turns:.2}") } else { short.to_owned() }
}

/// How to turn where the last sense is not known: in one go, always ending in the sense told.
fn play_text(plan: &MovePlan, bench: &Bench) -> Option<String> {
    let lost: Vec<String> = plan
        .moves
        .iter()
        .filter_map(|m| match m.play {
            Play::Unknown { up_to_turns } => Some(format!("{} ({})", spoken_name(m, bench), turns_text(up_to_turns, m, bench))),
            Play::None | Play::TakeUp { .. } => None,
        })
        .collect();
    (!lost.is_empty()).then(|| {
        format!(
            "the sense of the last turn is not known, so some of this may be lost as play: at most {}. End each move in the sense told here; \
             past the mark, go back half a turn and come up to it again; then take a new picture",
            lost.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_calibration::moves::{Known, plan};
    use landfit_rehearsal::scenario;

    fn told(offset: &Pose, known: &Known, change: impl FnOnce(&mut Bench)) -> Vec<String> {
        let mut bench = landfit_calibration::bench_file::parse(scenario::BENCH_TOML, "bench.toml").unwrap();
        bench.adjusters.iter_mut().for_each(|a| a.backlash_turns = 0.02);
        change(&mut bench);
        let plan = plan(offset, &Pose::IDENTITY, &scenario::default_part().unwrap(), &bench, known).unwrap();
        moves_text(&plan, &bench)
    }

    fn offset() -> Pose {
        Pose::new(0.1234, -0.0561, 0.512_f64.to_radians())
    }

    fn last(senses: &[(&str, Sense)]) -> Known {
        Known { last_sense: senses.iter().map(|(n, s)| ((*n).to_owned(), *s)).collect(), ..Known::default() }
    }

    const SAME: [(&str, Sense); 3] = [("R", Sense::Anticlockwise), ("X", Sense::Clockwise), ("Y", Sense::Anticlockwise)];

    #[test]
    fn moves_are_told_as_hands_make_them() {
        assert_eq!(
            told(&offset(), &last(&SAME), |_| {}),
            ["turn the rotation 10 divisions anticlockwise", "turn X 13 divisions clockwise", "turn Y 5 divisions anticlockwise"]
        );
    }

    #[test]
    fn play_is_told_where_the_sense_reverses_and_where_it_is_unknown() {
        let reversed = told(&offset(), &last(&[SAME[0], SAME[1], ("Y", Sense::Clockwise)]), |_| {});
        assert_eq!(reversed[2], "turn Y 5 divisions anticlockwise, after 1 division to take up its play");
        let unknown = told(&offset(), &last(&SAME[1..]), |_| {});
        assert!(unknown[3].contains("at most the rotation (0.6 divisions)"), "{}", unknown[3]);
        assert!(unknown[3].contains("come up to it again"));
    }

    #[test]
    fn readings_name_the_place_to_turn_to() {
        let mut known = last(&SAME);
        known.reading_turns.insert("X".into(), 3.27);
        known.reading_turns.insert("R".into(), 3.0);
        let lines = told(&offset(), &known, |_| {});
        assert_eq!(lines[1], "turn X clockwise to 3.53 (13 divisions)");
        assert_eq!(lines[0], "turn the rotation anticlockwise to 2.6667 (10 divisions)");
    }

    #[test]
    fn whole_turns_steps_and_bare_knobs_have_their_own_words() {
        let whole = told(&Pose::new(0.64, 0.5, 0.0), &last(&SAME), |_| {});
        assert_eq!(whole[0], "turn X 1 turn and 14 divisions clockwise");
        let jog = told(&offset(), &last(&SAME), |b| {
            b.adjusters[2].reads = landfit_calibration::bench::Reads::Steps;
            b.adjusters[2].turn =
                landfit_calibration::bench::Motion::Rotation { step_rad: 0.1_f64.to_radians(), pivot_mm: Default::default() };
        });
        assert_eq!(jog[0], "turn the rotation 5 steps anticlockwise");
        let bare = told(&offset(), &last(&SAME), |b| b.adjusters[0].reads = landfit_calibration::bench::Reads::None);
        // By hand: ten divisions of R about its pivot leave x 0.1325 and y -0.0537 mm, so X needs 0.2642 turns along its skewed way.
        assert_eq!(bare[1], "turn X about a quarter of a turn (0.26) clockwise, then slowly");
    }

    #[test]
    fn a_bare_knobs_turns_are_told_as_the_eye_sees_them() {
        for (turns, text) in [
            (0.34, "about a third of a turn (0.34)"),
            (0.04, "about 14° (0.04 of a turn)"),
            (0.13, "about an eighth of a turn (0.13)"),
            (0.48, "about half a turn (0.48)"),
            (0.97, "about 1 turn (0.97)"),
            (2.02, "about 2 turns (2.02)"),
            (1.66, "about 1 turn and two thirds of a turn (1.66)"),
        ] {
            assert_eq!(bare_text(turns), text);
        }
    }

    #[test]
    fn readings_are_told_in_the_thimbles_own_unit() {
        let mut known = last(&SAME);
        known.reading_turns.insert("X".into(), 0.233 / 0.025);
        let lines = told(&offset(), &known, |b| {
            let x = &mut b.adjusters[0];
            x.turn = landfit_calibration::bench::Motion::Shift { step_mm: landfit_part::PointMm::new(0.635, 0.003) };
            x.divisions = Some(25);
            x.scale = ReadingScale { per_turn: 0.025, unit: "in".into() };
        });
        // 0.1325 mm are 5.2 thousandths of an inch.
        assert_eq!(lines[1], "turn X clockwise to 0.238 in (5 divisions)");
    }

    #[test]
    fn offsets_are_told_with_their_ways() {
        assert_eq!(offset_text(&offset()), "123.4 µm right and 56.1 µm towards you, turned 0.512° anticlockwise");
        assert_eq!(offset_text(&Pose::new(-1.2, 0.5, -0.01)), "1.200 mm left and 500.0 µm away from you, turned 0.573° clockwise");
    }
}
