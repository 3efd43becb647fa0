//! Hands that do what the screen says, scripted: they read number, unit, sense and play of the one bright move, turn that, let it rest, and
//! read again. What is told is taken from the words of the Align page, not from the plan behind them. They may slip.

use super::desk::{Command, Desk, Repose, Sight};
use super::job::{JobState, worst_apart_mm};
use super::shown::{AlignPanel, NextMove, PictureState, Tone};
use super::subject::{BenchFile, PartFile};
use crate::rehearsal_bench;
use crate::settings::Settings;
use crate::words;
use crate::words::sentences;
use anyhow::Context;
use landfit_calibration::bench::Bench;
use landfit_calibration::moves::noticed::{Noticed, hand_turns};
use landfit_camera::Frame;
use landfit_part::{Part, Pose};
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::simulated::{Hands, SimulatedBench, Slip, Turned};
use landfit_vision::Picture;
use landfit_vision::answer::Alignment;
use serde::Serialize;
use std::sync::Arc;
use std::time::Instant;

/// More moves than this mean that it does not come to an end.
pub const MOST_MOVES: usize = 40;
/// After moves that leave no answer, the hands turn them back so many times before they give up.
const MOST_TURNED_BACK: usize = 3;

/// What the camera gives.
pub enum Look {
    /// Pictures, to be measured.
    Pictures(Vec<Picture>),
    /// What was measured: for tests that draw no picture.
    #[cfg_attr(not(test), allow(dead_code, reason = "only tests draw no picture"))]
    Measured(Box<Alignment>),
}

/// What came of one rehearsal.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Guided {
    /// It ended good to place.
    pub good: bool,
    /// It ended good to place, but in truth the worst miss was above the allowance.
    pub wrongly_good: bool,
    /// Any look on the way that was good to place although in truth it was not.
    pub wrongly_good_on_the_way: usize,
    /// Moves made.
    pub moves: usize,
    /// Looks measured.
    pub looks: usize,
    /// Seconds that hands would need: see [`seconds`].
    pub seconds: f64,
    /// Every move: what was told, what the hands did, what was said within two measurements after.
    pub made: Vec<Made>,
    /// The true worst miss at the end, µm.
    pub worst_um: f64,
    /// What it ended with, where not good.
    pub ended: String,
}

/// One move as it was told, as it was made, and what was said of it.
#[derive(Debug, Clone, Serialize)]
pub struct Made {
    /// The adjuster that was told.
    pub told: String,
    /// How far, clockwise positive, take-up included.
    pub told_turns: f64,
    /// The one that the hand turned.
    pub turned: String,
    /// How far, clockwise positive.
    pub turned_turns: f64,
    /// What went wrong.
    pub slips: Vec<&'static str>,
    /// How far the farthest site of the side that moved was truly carried, µm.
    pub carried_um: f64,
    /// What of its own move that one had left, clockwise positive; zero where it had none.
    pub own_turns: f64,
    /// That was within what hands may be off of its own mark: turned in place of another, but as it was to be turned itself.
    pub to_own_mark: bool,
    /// What the screen said of it within two measurements.
    pub said: Vec<String>,
    /// Of a wrong sense and a wrong screw: the screen said just that, of just those.
    pub named: bool,
    /// No answer was possible after it: the screen said why, and that the last move may be turned back.
    pub no_answer: bool,
}

/// A slip that carries no site farther than this is hidden: two looks that differ by less are of things at rest (3 µm), and either may be
/// off by its interval (1 µm to 2 µm), µm.
pub const HIDDEN_UM: f64 = 6.0;

impl Made {
    /// Whether what went wrong can show in two pictures: it carried a side far enough, and to elsewhere than a move that was told.
    #[must_use]
    pub fn can_show(&self) -> bool {
        self.carried_um > HIDDEN_UM && !self.to_own_mark && !self.no_answer
    }
}

/// Seconds of a move: two to find the knob and let it rest, and a turn a second. Common practice, no source.
#[must_use]
pub fn seconds(turned: &Turned) -> f64 {
    2.0 + turned.turns.abs()
}

/// Follows the screen on one bench until it is good to place. `look` sees the bench as it stands.
///
/// # Errors
/// If an embedded file is broken, a look fails, or the screen says a move that nobody could make.
pub fn follow(
    setting: &Setting,
    seed: u64,
    hands: &Hands,
    look: &mut dyn FnMut(&SimulatedBench, &Part) -> anyhow::Result<Look>,
) -> anyhow::Result<Guided> {
    let mut desk = Desk::new(PartFile::of(setting)?, BenchFile::of(setting)?, Settings::default())?;
    desk.source(rehearsal_bench::NAME, Sight::Fresh, "", "");
    let part = Arc::clone(&desk.part.part);
    let mut simulated = setting.start(seed)?;
    let mut told = Guided::default();
    let mut now_s = 0.0;
    let mut last: Vec<Turned> = Vec::new();
    let mut turned_back = 0;
    for _ in 0..MOST_MOVES {
        let mut said: Vec<String> = Vec::new();
        // Two looks at rest are what tells a rest.
        for _ in 0..2 {
            now_s += 0.5;
            told.looks += 1;
            see(&mut desk, look(&simulated, &part)?, told.looks, now_s);
            let panel = desk.shown().align;
            let minded = panel.sentences.iter().filter(|s| s.tone == Tone::Mind).map(|s| s.text.clone());
            said.extend(minded);
            said.dedup();
            if panel.state == Some(JobState::GoodToPlace) && worst_mm(&part, &simulated) > part.allowance().miss_mm {
                told.wrongly_good_on_the_way += 1;
            }
        }
        if let (Some(made), Some(_)) = (told.made.last_mut(), last.first()) {
            made.named = last.iter().filter_map(|t| words_of(t, &made.told, &simulated.bench)).all(|words| said.contains(&words));
            made.no_answer = desk.shown().picture == PictureState::CannotTell;
            made.said = said;
        }
        let shown = desk.shown();
        let panel = shown.align;
        if shown.picture == PictureState::CannotTell {
            told.ended = panel.sentences.iter().find(|s| s.tone != Tone::Quiet).map(|s| s.text.clone()).unwrap_or_default();
            let may_turn_back = panel.sentences.iter().any(|s| s.text == words::TURN_BACK);
            if !may_turn_back || turned_back >= MOST_TURNED_BACK || last.is_empty() {
                break;
            }
            turned_back += 1;
            simulated.undo(&last);
            last.clear();
            continue;
        }
        if panel.state == Some(JobState::GoodToPlace) && shown.picture == PictureState::Still && panel.not_acceptable.is_none() {
            told.good = true;
            told.ended.clear();
            break;
        }
        let Some((adjuster, turns)) = read(&panel)? else {
            if panel.state == Some(JobState::Moved) {
                desk.command(Command::GoOn, now_s, "");
                last.clear();
                continue;
            }
            told.ended = panel.headline;
            break;
        };
        let before = [simulated.bench_from_part, simulated.bench_from_board];
        last = simulated.turn_as_told(adjuster, turns, hands);
        let after = [simulated.bench_from_part, simulated.bench_from_board];
        let carried_mm = (0..2).map(|side| worst_apart_mm(&part, &before[side], &after[side])).fold(0.0, f64::max);
        let turned = last.first().map_or(adjuster, |t| index_of(&t.adjuster, &simulated.bench));
        let own_turns = panel.strips.iter().find(|s| s.adjuster == turned).map_or(0.0, |s| s.left_turns);
        let done = last.first().map_or(0.0, |t| t.turns);
        let off = (done - own_turns).abs();
        told.made.push(Made {
            told: simulated.bench.adjusters[adjuster].name.clone(),
            told_turns: turns,
            turned: simulated.bench.adjusters[turned].name.clone(),
            turned_turns: done,
            slips: last.iter().filter_map(|t| t.slip).map(Slip::word).collect(),
            carried_um: carried_mm * 1000.0,
            own_turns,
            to_own_mark: turned != adjuster && own_turns != 0.0 && off <= hand_turns(&simulated.bench.adjusters[turned]),
            said: Vec::new(),
            named: false,
            no_answer: false,
        });
        told.moves += last.iter().filter(|t| !t.adjuster.is_empty()).count();
        let spent: f64 = last.iter().map(seconds).sum();
        told.seconds += spent + 1.0;
        now_s += spent;
    }
    if !told.good && told.ended.is_empty() {
        told.ended = "no end".into();
    }
    let worst = worst_mm(&part, &simulated);
    told.worst_um = worst * 1000.0;
    told.wrongly_good = told.good && worst > part.allowance().miss_mm;
    Ok(told)
}

fn see(desk: &mut Desk, look: Look, number: usize, now_s: f64) {
    let (pictures, measured) = match look {
        Look::Pictures(pictures) => (pictures, None),
        Look::Measured(alignment) => (Vec::new(), Some(alignment)),
    };
    let frame = Arc::new(Frame { pictures, taken: Instant::now(), from_jpeg: false, number: number as u64 });
    match measured {
        None => desk.look(&frame, Repose::Still, now_s),
        Some(alignment) => desk.take_in(&frame, *alignment, Repose::Still, 0.0, now_s),
    }
}

/// The bright move as a person reads it: which strip's adjuster, and turns, clockwise positive, what takes up its play first included.
///
/// # Errors
/// Where the words cannot be followed.
pub fn read(panel: &AlignPanel) -> anyhow::Result<Option<(usize, f64)>> {
    let Some(next) = &panel.next else { return Ok(None) };
    let strip = panel.strips.iter().find(|s| s.is_next).context("a move is told and no strip is bright")?;
    let divisions = f64::from(strip.divisions.unwrap_or(1));
    let turns = turns_of(&next.digits, &next.unit, divisions)? + take_up(next, divisions)?;
    let signum = match next.sense.as_str() {
        "clockwise" => 1.0,
        "anticlockwise" => -1.0,
        other => anyhow::bail!("a move {other:?} is neither clockwise nor anticlockwise"),
    };
    Ok(Some((strip.adjuster, signum * turns)))
}

/// "13" "divisions", "1+8" "turn + divisions", "0.26" "of a turn", "3" "steps".
fn turns_of(digits: &str, unit: &str, divisions: f64) -> anyhow::Result<f64> {
    let number = |text: &str| text.trim().parse::<f64>().with_context(|| format!("{digits} {unit} cannot be read"));
    match (digits.split_once('+'), unit.trim_end_matches('s')) {
        (Some((whole, rest)), _) => Ok(number(whole)? + number(rest)? / divisions),
        (None, "division") => Ok(number(digits)? / divisions),
        (None, "turn" | "of a turn" | "step") => number(digits),
        (None, other) => anyhow::bail!("nobody can turn {digits} {other}"),
    }
}

/// What is to be turned first where the sense reverses: "plus 2 divisions first, …", or a knob's "about half a turn (0.48)".
fn take_up(next: &NextMove, divisions: f64) -> anyhow::Result<f64> {
    let pattern = words::take_up("|");
    let (before, after) = pattern.split_once('|').context("take-up without its count")?;
    let Some(count) = next.extra.iter().find_map(|e| e.strip_prefix(before)?.strip_suffix(after)) else { return Ok(0.0) };
    if let Some((_, of_turn)) = count.rsplit_once('(') {
        return turns_of(of_turn.trim_end_matches(')').trim_end_matches("of a turn"), "of a turn", divisions);
    }
    let (digits, unit) = count.split_once(' ').with_context(|| format!("{count} cannot be read"))?;
    turns_of(digits, unit, divisions)
}

fn index_of(name: &str, bench: &Bench) -> usize {
    bench.adjusters.iter().position(|a| a.name == name).unwrap_or_default()
}

/// What the screen should say of a wrong sense or a wrong screw.
fn words_of(turned: &Turned, told: &str, bench: &Bench) -> Option<String> {
    let (told, turned, slip) = (index_of(told, bench), index_of(&turned.adjuster, bench), turned.slip?);
    let noticed = match slip {
        Slip::WrongSense => Noticed::WrongSense { adjuster: turned },
        Slip::WrongScrew => Noticed::WrongScrew { told, turned },
        Slip::Division | Slip::HalfTurn | Slip::Overshoot | Slip::Bump => return None,
    };
    Some(format!("{}.", sentences::capital(&sentences::noticed_text(&noticed, bench))))
}

/// The true worst miss, mm.
#[must_use]
pub fn worst_mm(part: &Part, bench: &SimulatedBench) -> f64 {
    worst_apart_mm(part, &bench.offset(), &Pose::IDENTITY)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_of_telling_a_move_can_be_read() {
        for (digits, unit, turns) in [
            ("13", "divisions", 0.26),
            ("1", "division", 0.02),
            ("2+8.5", "turns + divisions", 2.17),
            ("2", "turns", 2.0),
            ("4", "steps", 4.0),
            ("0.26", "of a turn", 0.26),
        ] {
            assert!((turns_of(digits, unit, 50.0).unwrap() - turns).abs() < 1e-12, "{digits} {unit}");
        }
        assert!(turns_of("some", "divisions", 50.0).is_err() && turns_of("3", "miles", 50.0).is_err());
        for (count, turns) in
            [("1.5 divisions", 0.03), ("about half a turn (0.48)", 0.48), ("about 14° (0.04 of a turn)", 0.04), ("2 steps", 2.0)]
        {
            let next = NextMove {
                name: "X".into(),
                digits: "1".into(),
                unit: "division".into(),
                sense: "clockwise".into(),
                extra: vec![words::play_unknown("1 division"), words::take_up(count)],
            };
            assert!((take_up(&next, 50.0).unwrap() - turns).abs() < 1e-12, "{count}");
        }
    }
}
