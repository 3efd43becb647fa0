//! Makes of the job what the Align page shows. Pure.

use super::desk::Sight;
use super::job::{Finding, Found, Job, JobState};
use super::shown::{AlignPanel, Corner, Landing, NextMove, Sentence, Spot, Strip, Tone};
use super::units::Lengths;
use crate::commands::align::Answer;
use crate::overlay::misses::Misses;
use crate::overlay::thimble::{self, Turn};
use crate::words;
use crate::words::answer;
use crate::words::sentences;
use landfit_calibration::bench::{Bench, CalibrationState};
use landfit_calibration::judgement::Decision;
use landfit_calibration::moves::noticed::hand_turns;
use landfit_calibration::moves::{Amount, Move, Play, rough_turns, sense_of, step_turns};
use landfit_part::{Part, PointMm, Side};
use landfit_vision::answer::{Alignment, ReasonCode, Refusal, SiteFinding, SiteState};
use landfit_vision::{PointPx, view::Sight as Lines};

/// What the page shows of the last look.
#[must_use]
pub fn align(job: &Job, answer: Option<&Answer>, sight: Sight, units: Lengths) -> AlignPanel {
    let (part, bench) = (&*job.part, &*job.bench);
    let state = job.state();
    let mut panel = AlignPanel { state: Some(state), state_text: words::job_state(state).to_owned(), ..AlignPanel::default() };
    let mind = |text: String| Sentence { tone: Tone::Mind, text };
    panel.sentences.extend(job.noticed().iter().map(|n| mind(format!("{}.", sentences::capital(&sentences::noticed_text(n, bench))))));
    match job.finding() {
        None => panel.headline = words::NO_LOOK_YET.to_owned(),
        Some(Finding::Unusable(text)) => {
            panel.headline = words::CANNOT_TELL.to_owned();
            panel.sentences.push(mind(text.clone()));
        }
        Some(Finding::Refused(_)) if state == JobState::Placed => panel.headline = words::PLACED.to_owned(),
        Some(Finding::Refused(refusal)) => {
            panel.headline = words::CANNOT_TELL.to_owned();
            panel.sentences.push(Sentence { tone: Tone::Plain, text: refusal.text.clone() });
            panel.sentences.extend(which_way(job, refusal, units));
            panel.sentences.push(Sentence { tone: Tone::Quiet, text: words::TURN_BACK.to_owned() });
        }
        Some(Finding::Fit(found)) => with_fit(&mut panel, job, found, answer, units),
    }
    panel.not_acceptable = not_acceptable(job, sight);
    panel.acceptable_with_reason = is_acceptable_with_reason(job, sight);
    let warnings = answer.map(|a| a.alignment.warnings.as_slice()).unwrap_or_default();
    panel.sentences.extend(warnings.iter().map(|w| Sentence { tone: Tone::Quiet, text: w.clone() }));
    if bench.calibration == CalibrationState::NotCalibrated {
        panel.sentences.push(Sentence { tone: Tone::Quiet, text: sentences::capital(answer::NOT_CALIBRATED) });
    }
    panel.expected = words::EXPECTED_NOT_KNOWN.to_owned();
    if let Some(answer) = answer {
        panel.spots = spots(&answer.alignment, part, bench);
        panel.corners = corners(job, answer, units);
        for side in [Side::Part, Side::Board] {
            let lines = answer::in_the_way(answer.alignment.side(side), part, side);
            panel.sentences.extend(lines.iter().skip(1).map(|line| mind(format!("{}.", sentences::capital(line.trim())))));
            if let (Some(line), true) = (lines.first(), job.found().is_some()) {
                let text = line.trim_start_matches("Seen:").trim();
                panel.sentences.push(Sentence { tone: Tone::Quiet, text: format!("{text}.") });
            }
        }
    }
    panel.strips = strips(job, bench);
    panel
}

/// Where no answer is possible: by which screws what is wanting comes into view, or that no turn helps; and where the part was made out last.
fn which_way(job: &Job, refusal: &Refusal, units: Lengths) -> Vec<Sentence> {
    let adjusters = &job.bench.adjusters;
    let told = |turns: &[(usize, f64)]| {
        let worth = turns.iter().filter(|(i, turns)| turns.abs() > hand_turns(&adjusters[*i]));
        worth.map(|(i, turns)| sentences::rough_turns_text(*turns, &adjusters[*i])).collect::<Vec<_>>().join(", ")
    };
    let mut said = Vec::new();
    let mut say = |tone: Tone, text: String| said.push(Sentence { tone, text });
    match refusal.way {
        Some(way) => {
            let turns = told(&rough_turns(way.side, way.by_mm, adjusters));
            say(Tone::Plain, if turns.is_empty() { words::no_screw_moves(way.side) } else { words::by_screws(&turns) });
        }
        None if is_no_matter_of_place(refusal.code) => say(Tone::Plain, words::NO_TURN_MENDS.to_owned()),
        None => {}
    }
    if let Some(last) = job.last_seen() {
        say(Tone::Plain, words::last_seen(&last.to_go, units));
        let back: Vec<(usize, f64)> = last.turned.iter().map(|t| -t).enumerate().collect();
        let back = told(&back);
        if !back.is_empty() {
            say(Tone::Plain, words::back_by(&back));
        }
    }
    said
}

/// Light, focus and what lies there are mended by hand: no screw moves it right.
const fn is_no_matter_of_place(code: ReasonCode) -> bool {
    matches!(code, ReasonCode::TooDark | ReasonCode::Saturated | ReasonCode::TooBlurred | ReasonCode::Turned | ReasonCode::WrongPattern)
}

fn with_fit(panel: &mut AlignPanel, job: &Job, found: &Found, answer: Option<&Answer>, units: Lengths) {
    let (part, bench) = (&*job.part, &*job.bench);
    let judgement = &found.advice.judgement;
    let moves = job.to_turn();
    let to_do: Vec<&(&Move, f64)> = moves.iter().filter(|(m, left)| !job.is_done(m, *left)).collect();
    panel.headline = headline(job, !to_do.is_empty()).to_owned();
    if let Some((one, left)) = to_do.first() {
        panel.next = Some(next_move(one, *left, bench));
        panel.then = to_do.iter().skip(1).map(|(m, left)| words::then(&line_of(m, *left, bench))).collect();
    }
    let plain = |text: String| Sentence { tone: Tone::Plain, text };
    let quiet = |text: String| Sentence { tone: Tone::Quiet, text };
    panel.sentences.push(plain(words::worst(
        sentences::terminal_word(part),
        sentences::site_name(part, judgement.site),
        &units.text(judgement.miss_mm),
        &units.fine_text(judgement.u_mm),
        &units.text(judgement.allowance.miss_mm),
        judgement.decision,
    )));
    if !to_do.is_empty() {
        panel.sentences.push(quiet(words::left_after(&units.text(found.advice.plan.left_after.worst_miss_mm))));
    }
    panel.sentences.extend(found.advice.plan.warnings.iter().map(|w| quiet(w.clone())));
    panel.sentences.push(quiet(words::offset(&found.fit.offset, units)));
    if found.open {
        panel.confirm = Some(answer::first_name(part).to_owned());
    }
    let misses = answer.and_then(|a| Misses::of(a, part, &bench.aim));
    panel.magnification = misses.as_ref().map(|m| m.magnification(part));
    panel.nearness = Some(judgement.miss_mm / judgement.allowance.miss_mm.max(1e-9));
    panel.landing = misses.map(|m| landing(job, found, &m, units));
}

fn landing(job: &Job, found: &Found, misses: &Misses, units: Lengths) -> Landing {
    let judgement = &found.advice.judgement;
    let place = |p: PointMm| [p.x, p.y];
    let shown = if misses.measured.is_empty() { &misses.fitted } else { &misses.measured };
    Landing {
        points_mm: shown.iter().map(|m| place(m.board_mm)).collect(),
        worst_mm: misses.fitted.get(judgement.site).map_or([0.0; 2], |m| place(m.board_mm)),
        u_mm: judgement.u_mm,
        worst: sentences::site_name(&job.part, judgement.site).to_owned(),
        allowed_mm: judgement.allowance.miss_mm,
        allowed_text: units.text(judgement.allowance.miss_mm),
        trail_mm: job.trail().map(place).collect(),
        left_mm: (!job.to_turn().is_empty()).then_some(found.advice.plan.left_after.worst_miss_mm),
    }
}

fn headline(job: &Job, moves_left: bool) -> &'static str {
    let accepted = job.accepted().is_some();
    match (job.state(), moves_left) {
        (JobState::Moved, _) => words::MOVED,
        (JobState::Placed, _) => words::PLACED,
        (JobState::GoodToPlace, _) if accepted => words::ACCEPTED,
        (JobState::GoodToPlace, _) => words::GOOD_TO_PLACE,
        (_, true) => words::TURN_NEXT,
        (JobState::Nearly, false) if job.found().is_some_and(|f| f.advice.judgement.decision == Decision::Within && !f.clear) => {
            words::IN_THE_WAY
        }
        (_, false) if job.to_turn().is_empty() => words::NOTHING_TO_TURN,
        (_, false) => words::LET_IT_REST,
    }
}

/// Whether only a reason is missing for accepting.
#[must_use]
pub fn is_acceptable_with_reason(job: &Job, sight: Sight) -> bool {
    not_acceptable(job, sight).is_some() && job.found().is_some() && sight == Sight::Fresh && job.is_at_rest()
}

/// Why accepting without a reason is not possible now.
#[must_use]
pub fn not_acceptable(job: &Job, sight: Sight) -> Option<String> {
    let why = match job.finding() {
        _ if sight == Sight::Old => words::NOT_ACCEPTABLE_OLD,
        None | Some(Finding::Refused(_) | Finding::Unusable(_)) => words::NOT_ACCEPTABLE_NO_ANSWER,
        Some(Finding::Fit(found)) => match found.advice.judgement.decision {
            Decision::Outside => words::NOT_ACCEPTABLE_OUTSIDE,
            Decision::Undecided => words::NOT_ACCEPTABLE_UNDECIDED,
            Decision::Within if !found.clear => words::NOT_ACCEPTABLE_IN_THE_WAY,
            Decision::Within if !job.is_at_rest() => words::NOT_ACCEPTABLE_MOVING,
            Decision::Within => return None,
        },
    };
    Some(why.to_owned())
}

/// A move of which `left_turns` are left, as the hand counts it.
fn left_move(one: &Move, left_turns: f64, bench: &Bench) -> Move {
    let set_turns = match step_turns(&bench.adjusters[one.adjuster]) {
        Some(step) => (left_turns / step).round() * step,
        None => left_turns,
    };
    let amount = match one.amount {
        Amount::Thimble { .. } => {
            let n = f64::from(bench.adjusters[one.adjuster].divisions.unwrap_or(1).max(1));
            let divisions = (set_turns.abs() * n * 100.0).round() / 100.0;
            let whole = (divisions / n).floor();
            Amount::Thimble { whole: whole as u32, divisions: ((divisions - whole * n) * 100.0).round() / 100.0 }
        }
        Amount::Steps { .. } => Amount::Steps { count: set_turns.abs().round() as u32 },
        Amount::Bare { .. } => Amount::Bare { turns: set_turns.abs() },
    };
    Move { set_turns, amount, sense: sense_of(left_turns), ..one.clone() }
}

fn next_move(one: &Move, left_turns: f64, bench: &Bench) -> NextMove {
    let left = left_move(one, left_turns, bench);
    let turn = Turn { adjuster: &bench.adjusters[one.adjuster], one: Some(&left), order: 0 };
    let (digits, unit) = turn.amount().unwrap_or_default();
    let count = |turns: f64| sentences::turns_text(turns, one, bench);
    let mut extra = Vec::new();
    match one.play {
        Play::TakeUp { turns } => extra.push(words::take_up(&count(turns))),
        Play::Unknown { up_to_turns } if up_to_turns > 0.0 => extra.push(words::play_unknown(&count(up_to_turns))),
        Play::None | Play::Unknown { .. } => {}
    }
    if let Some(reading) = one.reading {
        extra.push(words::to_reading(&sentences::reading_text(reading.then_turns, one, bench)));
    }
    NextMove { name: sentences::spoken_name(one, bench), digits, unit, sense: sentences::sense_word(left.sense).to_owned(), extra }
}

/// "X 13 divisions clockwise".
fn line_of(one: &Move, left_turns: f64, bench: &Bench) -> String {
    sentences::move_words(&Move { play: Play::None, ..left_move(one, left_turns, bench) }, bench)
}

fn strips(job: &Job, bench: &Bench) -> Vec<Strip> {
    let places = thimble::places(bench);
    let moves = job.to_turn();
    let next = moves.iter().find(|(m, left)| !job.is_done(m, *left)).map(|(m, _)| m.adjuster);
    let strip = |(adjuster, place): (usize, thimble::Place)| {
        let known = &bench.adjusters[adjuster];
        let told = moves.iter().find(|(m, _)| m.adjuster == adjuster);
        let done = told.is_some_and(|(m, left)| job.is_done(m, *left));
        let left_turns = told.map_or(0.0, |(_, left)| *left);
        let is_next = next == Some(adjuster);
        let word = match told {
            None => words::STAYS,
            Some(_) if done => words::DONE,
            Some(_) if is_next => words::FIRST,
            Some(_) => words::THEN,
        };
        let left = told.filter(|_| !done).map(|(m, left)| left_move(m, *left, bench));
        let amount = left.as_ref().and_then(|m| Turn { adjuster: known, one: Some(m), order: 0 }.amount()).map(|(n, what)| [n, what]);
        let clockwise = thimble::clockwise_moves(known, place.lies());
        let (target_division, rising) = thimble::at_line(known, told.map(|(m, _)| *m), place.lies());
        Strip {
            adjuster,
            name: known.name.clone(),
            place,
            is_next,
            word: word.to_owned(),
            amount,
            sense: left.map(|m| sentences::sense_word(m.sense).to_owned()).unwrap_or_default(),
            divisions: known.divisions.filter(|_| step_turns(known).is_some()),
            left_turns: if done { 0.0 } else { left_turns },
            target_division,
            rising,
            clockwise,
        }
    };
    places.into_iter().enumerate().map(strip).collect()
}

/// No more spots than this are enlarged: the marks in the picture show the others.
const MOST_SPOTS: usize = 6;

fn spots(alignment: &Alignment, part: &Part, bench: &Bench) -> Vec<Spot> {
    let mut spots = Vec::new();
    let mut near: Vec<(Side, PointMm)> = Vec::new();
    for side in [Side::Part, Side::Board] {
        let pitch_mm = part.pitch_mm(side).unwrap_or(1.0);
        for finding in &alignment.side(side).sites {
            let (Some(word), Some(site)) = (word_of(finding), part.sites.get(finding.site)) else { continue };
            let at = site.centre_mm(side);
            // One picture is enough for what lies side by side: the two balls of a bridge.
            if near.iter().any(|(s, p)| *s == side && p.distance(at) < 1.6 * pitch_mm) || spots.len() >= MOST_SPOTS {
                continue;
            }
            let Some((centre, px_per_mm, exposure)) = seen_at(finding, site, side, alignment, bench) else { continue };
            near.push((side, at));
            let thing = sentences::thing_word(part, side);
            let half_px = (2.2 * pitch_mm * px_per_mm) as f32;
            spots.push(Spot { label: format!("{thing} {} {word}", site.id), exposure, centre_px: centre, half_px });
        }
    }
    spots
}

const fn word_of(finding: &SiteFinding) -> Option<&'static str> {
    match finding.state {
        SiteState::Good => None,
        SiteState::Absent => Some(words::ABSENT),
        SiteState::Hidden => Some(words::HIDDEN),
        SiteState::Suspect(kind) => Some(kind.word()),
    }
}

/// Where a finding is seen, px, with the scale there and the exposure.
fn seen_at(
    finding: &SiteFinding,
    site: &landfit_part::Site,
    side: Side,
    alignment: &Alignment,
    bench: &Bench,
) -> Option<([f32; 2], f64, usize)> {
    let landfit_vision::answer::Outcome::Fit(fit) = &alignment.outcome else { return None };
    let view = bench.optics.views.get(finding.view)?;
    let lines = Lines::new(view, bench.optics.lens)?;
    let pose = if side == Side::Part { &fit.bench_from_part } else { &fit.bench_from_board };
    let at_mm = pose.apply(site.centre_mm(side));
    let seen: PointPx = finding.centre_px.unwrap_or_else(|| lines.px(at_mm));
    let px_per_mm = lines.px_per_mm(at_mm).determinant().abs().sqrt();
    Some(([seen.x as f32, seen.y as f32], px_per_mm, view.exposure))
}

/// Of benches whose views show parts of the pattern: each such view, cut to the sites that it shows.
fn corners(job: &Job, answer: &Answer, units: Lengths) -> Vec<Corner> {
    let (part, bench) = (&*job.part, &*job.bench);
    let Some(misses) = Misses::of(answer, part, &bench.aim) else { return Vec::new() };
    let views = &bench.optics.views;
    let worst = job.found().map(|f| f.advice.judgement.site);
    let mut corners = Vec::new();
    for (index, view) in views.iter().enumerate().filter(|(_, v)| v.shows == Side::Part && v.region_px.is_some()) {
        let seen: Vec<&SiteFinding> = answer.alignment.terminals.sites.iter().filter(|f| f.view == index).collect();
        if seen.is_empty() || seen.len() == part.sites.len() {
            continue;
        }
        let Some(lines) = Lines::new(view, bench.optics.lens) else { continue };
        let places: Vec<PointMm> = seen.iter().map(|f| part.sites[f.site].centre_mm(Side::Part)).collect();
        let span = |of: &dyn Fn(&PointMm) -> f64| {
            places.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
        };
        let ((left, right), (near, far)) = (span(&|p| p.x), span(&|p| p.y));
        let margin = part.pitch_mm(Side::Part).unwrap_or(0.8);
        let pose = misses.fit.bench_from_part;
        let px: Vec<PointPx> = [
            (left - margin, near - margin),
            (right + margin, near - margin),
            (right + margin, far + margin),
            (left - margin, far + margin),
        ]
        .iter()
        .map(|(x, y)| lines.px(pose.apply(PointMm::new(*x, *y))))
        .collect();
        let (x0, x1) = px.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| (a.min(p.x), b.max(p.x)));
        let (y0, y1) = px.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| (a.min(p.y), b.max(p.y)));
        let region = view.region_px.map_or([0.0, 0.0, x1, y1], |r| [r.x, r.y, r.x + r.width, r.y + r.height].map(f64::from));
        let (x0, y0, x1, y1) = (x0.max(region[0]), y0.max(region[1]), x1.min(region[2]), y1.min(region[3]));
        let largest = seen.iter().filter_map(|f| misses.fitted.get(f.site)).max_by(|a, b| a.board_mm.norm().total_cmp(&b.board_mm.norm()));
        let middle = part.body_centre_mm;
        corners.push(Corner {
            exposure: view.exposure,
            cut_px: [x0 as f32, y0 as f32, (x1 - x0).max(1.0) as f32, (y1 - y0).max(1.0) as f32],
            place_mm: [
                (left + right) / 2.0 - middle.x,
                (near + far) / 2.0 - middle.y,
                right - left + 2.0 * margin,
                far - near + 2.0 * margin,
            ],
            is_worst: worst.is_some_and(|w| seen.iter().any(|f| f.site == w)),
            label: largest
                .map_or_else(String::new, |m| format!("{} {}", sentences::site_name(part, m.site), units.text(m.board_mm.norm()))),
        });
    }
    corners
}
