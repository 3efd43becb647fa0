//! The job as the window follows it: from one measured look to the next, what the hands did, what to turn now.
//!
//! Pure: no clock, no thread, no picture. A plan is made where things are at rest and holds while the hands turn; the strips
//! run against it. When things rest again, what was turned is read from the two poses, the senses are remembered, and a new
//! plan is made from where everything stands now.

use super::units::Turns;
use crate::words;
use landfit_calibration::bench::{Bench, Sense};
use landfit_calibration::judgement::{Decision, Judgement, judge};
use landfit_calibration::moves::noticed::{Noticed, Seen, Stood, hand_turns, notice};
use landfit_calibration::moves::{BY_EYE_TURNS, Known, Move, MovePlan, plan, sense_of, step_turns};
use landfit_part::{Part, PointMm, Pose, Side, wrap_angle_rad};
use landfit_rehearsal::job::Advice;
use landfit_vision::answer::{Alignment, Fit, Orientation, Outcome, ReasonCode, Refusal};
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

/// The job's states, in the words of the screens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JobState {
    /// Nothing was measured yet, or the pictures do not settle it.
    Looking,
    /// Whole turns are left.
    Coarse,
    /// Less than a turn is left.
    Turn,
    /// Within or undecided, and still worth a small turn.
    Nearly,
    /// Within, clear, nothing worth turning.
    GoodToPlace,
    /// Moved after it was accepted, or by itself: look again.
    Moved,
    /// Accepted, and the optics have left.
    Placed,
}

/// What is held against further looks once the person has accepted.
#[derive(Debug, Clone, PartialEq)]
pub struct Accepted {
    /// Its offset.
    pub offset: Pose,
    /// The part is farther from there than a third of the allowance.
    pub moved: bool,
    /// The optics show neither part nor lands any more.
    pub optics_left: bool,
}

/// What a look says in the end.
#[derive(Debug, Clone)]
pub enum Finding {
    /// A fit with what follows from it.
    Fit(Box<Found>),
    /// No answer, with the reason.
    Refused(Refusal),
    /// The fit cannot be judged or planned for: the bench or the part file is at fault.
    Unusable(String),
}

/// A fit with what follows from it.
#[derive(Debug, Clone)]
pub struct Found {
    /// The fit.
    pub fit: Fit,
    /// The judgement of this look; the plan is that of the last rest.
    pub advice: Advice,
    /// Turns made since that plan, bench's order, clockwise positive; `None` where the pictures do not tell.
    pub turned: Option<Vec<f64>>,
    /// Nothing in view stands in the way.
    pub clear: bool,
    /// Quarter and half turns were not told apart.
    pub open: bool,
}

/// Where the part was made out last, before pictures came that settle nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct LastSeen {
    /// Offset minus aim.
    pub to_go: Pose,
    /// Turns made by then since the plan that they followed, bench's order, clockwise positive; zeros where nothing or nobody knows what.
    pub turned: Vec<f64>,
}

/// Where the plan was made.
#[derive(Debug, Clone)]
struct Base {
    stood: Stood,
    plan: MovePlan,
    u_mm: f64,
    at_s: f64,
}

/// The job.
#[derive(Debug, Clone)]
pub struct Job {
    /// The part.
    pub part: Arc<Part>,
    /// The bench.
    pub bench: Arc<Bench>,
    /// What is known of the adjusters; readings are followed whether or not moves are told by them.
    pub known: Known,
    told_as: Turns,
    base: Option<Base>,
    before: Option<Stood>,
    ways: Vec<Way>,
    at_rest: bool,
    finding: Option<Finding>,
    last_seen: Option<LastSeen>,
    noticed: Vec<Noticed>,
    /// The judgement of the last rest after a turn.
    rested: Option<Judgement>,
    trail: VecDeque<PointMm>,
    moved_by_itself: bool,
    /// Within, and the last turn made it no better: finer than this the hands cannot set.
    hands_end: bool,
    accepted: Option<Accepted>,
    rim_mm: f64,
}

/// Follows one adjuster's turns between two plans, so that a turn past the mark and back is seen as such.
#[derive(Debug, Clone, Copy, Default)]
struct Way {
    extreme_turns: f64,
    sense: Option<Sense>,
}

/// Places of the trail that are kept.
const TRAIL: usize = 60;

/// Two looks that differ by less than this are of things at rest, mm: poses are measured to a µm or two.
const REST_MM: f64 = 0.003;

/// A told move is called "not turned" only when it has been told this long, s: before, a foot on the pedal may mean the move before it.
const TOLD_LONG_S: f64 = 3.0;

/// Share of the allowance by which the part may move once accepted.
const MOVED_SHARE: f64 = 1.0 / 3.0;

impl Job {
    /// A job that has seen nothing yet.
    #[must_use]
    pub fn new(part: Arc<Part>, bench: Arc<Bench>, known: Known) -> Self {
        let middle = part.body_centre_mm;
        let rim_mm = part.sites.iter().map(|s| s.centre_mm(Side::Part).distance(middle)).fold(0.5, f64::max);
        let ways = vec![Way::default(); bench.adjusters.len()];
        Self {
            part,
            bench,
            known,
            told_as: Turns::default(),
            base: None,
            before: None,
            ways,
            at_rest: false,
            finding: None,
            last_seen: None,
            noticed: Vec::new(),
            rested: None,
            trail: VecDeque::new(),
            moved_by_itself: false,
            hands_end: false,
            accepted: None,
            rim_mm,
        }
    }

    /// Takes in one measured look. `still`: the picture itself has come to rest; `now_s` counts from any beginning.
    pub fn look(&mut self, alignment: &Alignment, still: bool, now_s: f64) {
        let fit = match &alignment.outcome {
            Outcome::Fit(fit) => fit,
            Outcome::Refused(refusal) => {
                let gone = matches!(refusal.code, ReasonCode::NoPart | ReasonCode::NoLands | ReasonCode::TooDark);
                if let Some(accepted) = &mut self.accepted {
                    accepted.optics_left |= gone && !accepted.moved;
                }
                if let Some(found) = self.found() {
                    let turned = found.turned.clone().unwrap_or_else(|| self.none_turned());
                    self.last_seen = Some(LastSeen { to_go: found.advice.judgement.to_go, turned });
                }
                self.at_rest = false;
                self.before = None;
                self.finding = Some(Finding::Refused(refusal.clone()));
                return;
            }
        };
        if let Err(text) = self.take_in(fit, alignment, still, now_s) {
            self.finding = Some(Finding::Unusable(text));
        }
    }

    /// Takes in a look that was taken when things were known to rest, as nothing but the look itself can tell: a bench that lights part and
    /// board in turn gives no second one unasked.
    pub fn look_at_rest(&mut self, alignment: &Alignment, now_s: f64) {
        if let Outcome::Fit(fit) = &alignment.outcome {
            self.before = Some(Stood { bench_from_part: fit.bench_from_part, bench_from_board: fit.bench_from_board });
        }
        self.look(alignment, true, now_s);
    }

    fn take_in(&mut self, fit: &Fit, alignment: &Alignment, still: bool, now_s: f64) -> Result<(), String> {
        let judgement = judge(&self.part, &fit.offset, &fit.covariance, fit.k, &self.bench.aim).map_err(|e| e.to_string())?;
        let stood = Stood { bench_from_part: fit.bench_from_part, bench_from_board: fit.bench_from_board };
        // Two looks differ by the noise of both, in shift and in turn; once at rest, one look that strays a little ends no rest.
        let rest_mm = REST_MM.max(3.0 * judgement.u_mm);
        let stays_mm = if self.at_rest { 2.0 * rest_mm } else { rest_mm };
        self.at_rest = still && self.before.is_some_and(|before| self.apart_mm(&before, &stood) < stays_mm);
        self.before = Some(stood);
        let mut turned = None;
        match self.base.clone() {
            None => self.plan_anew(stood, judgement.u_mm, now_s)?,
            Some(base) => {
                let seen = notice(&base.stood, &base.plan, &stood, &self.part, &self.bench, base.u_mm.max(judgement.u_mm));
                turned = seen.turns.clone();
                if let Some(turns) = &seen.turns {
                    self.follow(turns);
                }
                let changed = self.apart_mm(&base.stood, &stood) > rest_mm + base.u_mm;
                if changed && self.at_rest {
                    self.settle(&base, &stood, judgement.u_mm, now_s)?;
                    self.see_hands_end(&judgement);
                    turned = Some(self.none_turned());
                } else if changed {
                    self.hint(&base, &seen);
                }
            }
        }
        self.keep_trail(&judgement.to_go);
        if let Some(accepted) = &mut self.accepted {
            let off_mm = worst_apart_mm(&self.part, &accepted.offset, &fit.offset);
            accepted.moved |= off_mm > MOVED_SHARE * judgement.allowance.miss_mm + judgement.u_mm;
            // Seen again: they had only been covered for a moment.
            accepted.optics_left = false;
        }
        let Some(base) = &self.base else { return Err(words::NO_PLAN.into()) };
        let advice = Advice { judgement, plan: base.plan.clone() };
        let (clear, open) = (alignment.is_clear(), alignment.orientation == Orientation::Open);
        self.finding = Some(Finding::Fit(Box::new(Found { fit: fit.clone(), advice, turned, clear, open })));
        Ok(())
    }

    /// The person's foot says: go on. Looks anew at what was turned and plans from here; says so where the told screw does not show as turned.
    pub fn go_on(&mut self, now_s: f64) {
        let (Some(base), Some(stood), Some(Finding::Fit(found))) = (self.base.clone(), self.before, &self.finding) else { return };
        let u_mm = found.advice.judgement.u_mm;
        let changed = self.apart_mm(&base.stood, &stood) > REST_MM.max(3.0 * u_mm) + base.u_mm;
        if changed {
            if let Err(text) = self.settle(&base, &stood, u_mm, now_s) {
                self.finding = Some(Finding::Unusable(text));
                return;
            }
            let none = self.none_turned();
            if let Some(Finding::Fit(found)) = &mut self.finding {
                // The plan is made from where the screws stand now: what was turned before counts no more.
                found.turned = Some(none);
            }
        } else if let (Some(first), true) =
            (base.plan.moves.first(), self.is_worth_turning(&found.advice) && now_s - base.at_s > TOLD_LONG_S)
        {
            self.noticed = vec![Noticed::NotTurned { adjuster: first.adjuster }];
        } else {
            self.noticed.clear();
        }
        self.moved_by_itself = false;
        self.refresh_plan();
    }

    /// Begins anew over the same bench: another part is put down. What is known of the screws stays known.
    pub fn begin_again(&mut self) {
        *self = self.anew();
    }

    /// A job over the same part and bench that has seen nothing, and knows of the screws what this one knows.
    #[must_use]
    pub fn anew(&self) -> Self {
        Self { told_as: self.told_as, ..Self::new(Arc::clone(&self.part), Arc::clone(&self.bench), self.known.clone()) }
    }

    /// Whether moves are told as readings, where those are known.
    pub fn tell_as(&mut self, told_as: Turns) {
        if self.told_as != told_as {
            self.told_as = told_as;
            self.refresh_plan();
        }
    }

    fn none_turned(&self) -> Vec<f64> {
        vec![0.0; self.bench.adjusters.len()]
    }

    /// A camera sees nothing but the dark: its pictures never come as looks, but what was accepted is placed now.
    pub fn dark(&mut self) {
        if let Some(accepted) = self.accepted.as_mut().filter(|a| !a.moved) {
            accepted.optics_left = true;
        }
    }

    /// Pictures came that cannot be measured: the last fit stands no longer.
    pub fn lost(&mut self, why: String) {
        self.at_rest = false;
        self.before = None;
        self.finding = Some(Finding::Unusable(why));
    }

    /// Forgets what was accepted.
    pub fn withdraw(&mut self) {
        self.accepted = None;
    }

    /// Holds the present look against all that follow.
    pub fn accept(&mut self) {
        if let Some(Finding::Fit(found)) = &self.finding {
            self.accepted = Some(Accepted { offset: found.fit.offset, moved: false, optics_left: false });
        }
    }

    /// The last look's finding.
    #[must_use]
    pub const fn finding(&self) -> Option<&Finding> {
        self.finding.as_ref()
    }

    /// Where the part was made out last, while the pictures settle nothing.
    #[must_use]
    pub const fn last_seen(&self) -> Option<&LastSeen> {
        match &self.finding {
            Some(Finding::Refused(_)) => self.last_seen.as_ref(),
            _ => None,
        }
    }

    /// The fit of the last look, where it has one.
    #[must_use]
    pub fn found(&self) -> Option<&Found> {
        match &self.finding {
            Some(Finding::Fit(found)) => Some(found),
            _ => None,
        }
    }

    /// What did not go as told.
    #[must_use]
    pub fn noticed(&self) -> &[Noticed] {
        &self.noticed
    }

    /// Whether the last two looks show the same.
    #[must_use]
    pub const fn is_at_rest(&self) -> bool {
        self.at_rest
    }

    /// The way that the part went over its lands, mm, the oldest first.
    pub fn trail(&self) -> impl Iterator<Item = PointMm> {
        self.trail.iter().copied()
    }

    /// What was accepted.
    #[must_use]
    pub const fn accepted(&self) -> Option<&Accepted> {
        self.accepted.as_ref()
    }

    /// The state of the job.
    #[must_use]
    pub fn state(&self) -> JobState {
        if let Some(accepted) = &self.accepted {
            if accepted.moved {
                return JobState::Moved;
            }
            if accepted.optics_left {
                return JobState::Placed;
            }
        }
        let Some(found) = self.found() else { return JobState::Looking };
        let advice = &found.advice;
        let holds = self.accepted.is_some() && advice.judgement.decision == Decision::Within && found.clear;
        if holds {
            JobState::GoodToPlace
        } else if self.moved_by_itself {
            JobState::Moved
        } else if !self.is_worth_turning(advice) {
            if advice.judgement.decision == Decision::Within && found.clear { JobState::GoodToPlace } else { JobState::Nearly }
        } else if advice.judgement.decision != Decision::Outside {
            JobState::Nearly
        } else if advice.plan.moves.iter().any(|m| m.set_turns.abs() >= 1.0) {
            JobState::Coarse
        } else {
            JobState::Turn
        }
    }

    /// The move to make now, with what is left of it in turns, and those after it.
    #[must_use]
    pub fn to_turn(&self) -> Vec<(&Move, f64)> {
        // Once it is accepted, hands are off.
        let told = self.found().filter(|f| self.is_worth_turning(&f.advice) && self.accepted.as_ref().is_none_or(|a| a.moved));
        let Some(found) = told else { return Vec::new() };
        let left = |m: &Move| m.set_turns - found.turned.as_ref().and_then(|t| t.get(m.adjuster)).copied().unwrap_or(0.0);
        let mut moves: Vec<(&Move, f64)> = found.advice.plan.moves.iter().map(|m| (m, left(m))).collect();
        // One that is under way comes first: the hand is on it. One that is done comes last.
        let under_way = |m: &Move, left: f64| {
            let done = m.set_turns - left;
            done * m.set_turns > 0.0 && done.abs() > hand_turns(&self.bench.adjusters[m.adjuster]) && !self.is_done(m, left)
        };
        moves.sort_by_key(|(m, left)| {
            if self.is_done(m, *left) {
                2
            } else if under_way(m, *left) {
                0
            } else {
                1
            }
        });
        moves
    }

    /// Whether so little of a move is left that the hand is done with it: what hands may be off, but of a small move no more than half of it,
    /// since a move that was told is not done before it was begun; what a hand cannot set is never worth its while.
    #[must_use]
    pub fn is_done(&self, one: &Move, left_turns: f64) -> bool {
        let adjuster = &self.bench.adjusters[one.adjuster];
        let finest = step_turns(adjuster).map_or(BY_EYE_TURNS, |step| step / 2.0);
        left_turns.abs() <= hand_turns(adjuster).min(finest.max(0.5 * one.set_turns.abs()))
    }

    /// Sets what an adjuster reads now, in turns; `None` forgets it.
    pub fn set_reading(&mut self, adjuster: &str, reading_turns: Option<f64>) {
        match reading_turns {
            Some(turns) => {
                let _ = self.known.reading_turns.insert(adjuster.to_owned(), turns);
            }
            None => {
                let _ = self.known.reading_turns.remove(adjuster);
            }
        }
        self.refresh_plan();
    }

    fn refresh_plan(&mut self) {
        let Some(base) = self.base.clone() else { return };
        // From the same stand, so what was followed since then still counts.
        let ways = self.ways.clone();
        if let Err(text) = self.plan_anew(base.stood, base.u_mm, base.at_s) {
            self.finding = Some(Finding::Unusable(text));
            return;
        }
        self.ways = ways;
        if let (Some(Finding::Fit(found)), Some(base)) = (&mut self.finding, &self.base) {
            found.advice.plan = base.plan.clone();
        }
    }

    fn plan_anew(&mut self, stood: Stood, u_mm: f64, at_s: f64) -> Result<(), String> {
        let known = match self.told_as {
            Turns::Readings => self.known.clone(),
            Turns::Divisions => Known { reading_turns: BTreeMap::new(), ..self.known.clone() },
        };
        let plan =
            plan(&stood.bench_from_part, &stood.bench_from_board, &self.part, &self.bench, &known).map_err(|error| error.to_string())?;
        self.base = Some(Base { stood, plan, u_mm, at_s });
        self.ways = vec![Way::default(); self.bench.adjusters.len()];
        Ok(())
    }

    /// Remembers in which sense each adjuster went last since the plan was made.
    fn follow(&mut self, turns: &[f64]) {
        for ((way, turns), adjuster) in self.ways.iter_mut().zip(turns).zip(&self.bench.adjusters) {
            let gone = turns - way.extreme_turns;
            let onward = match way.sense {
                None => gone.abs() > hand_turns(adjuster),
                Some(sense) => sense_of(gone) == sense || gone.abs() > hand_turns(adjuster),
            };
            if onward && gone != 0.0 {
                way.sense = Some(sense_of(gone));
                way.extreme_turns = *turns;
            }
        }
    }

    /// Things rest again: says what the hands did, remembers the senses, plans from here.
    fn settle(&mut self, base: &Base, stood: &Stood, u_mm: f64, now_s: f64) -> Result<(), String> {
        let seen = notice(&base.stood, &base.plan, stood, &self.part, &self.bench, base.u_mm.max(u_mm));
        self.moved_by_itself = seen.turns.is_none() && seen.noticed.iter().any(|n| matches!(n, Noticed::Moved { .. }));
        self.noticed = match &seen.turns {
            None => seen.noticed,
            Some(turns) => {
                self.remember(turns);
                // Once it is accepted nothing is told: every turn is one too far.
                let told = if self.accepted.is_some() { Vec::new() } else { base.plan.moves.clone() };
                seen.one_at_a_time(&MovePlan { moves: told, ..base.plan.clone() }, &self.bench)
            }
        };
        self.plan_anew(*stood, u_mm, now_s)
    }

    /// Compares the miss of two rests: where it was within before a turn and is within after it, but no better, turning ends there.
    fn see_hands_end(&mut self, now: &Judgement) {
        let before = self.rested.replace(*now);
        let by_eye_mm = self.base.as_ref().map_or(0.0, |b| b.plan.by_eye_mm);
        let within = |j: &Judgement| j.decision == Decision::Within;
        let no_better = |before: &Judgement| now.miss_mm > before.miss_mm - now.u_mm - by_eye_mm;
        let ended = before.is_some_and(|before| within(&before) && no_better(&before)) && self.noticed.is_empty();
        // Once seen it holds as long as the part stays within.
        self.hands_end = within(now) && (self.hands_end || ended);
    }

    /// Whether the moves that are told are worth making.
    fn is_worth_turning(&self, advice: &Advice) -> bool {
        advice.is_worth_turning() && !(self.hands_end && advice.judgement.decision == Decision::Within)
    }

    /// While the hands turn: the wrong way round, or another screw than any that was told. What was said of the move before is over.
    fn hint(&mut self, base: &Base, seen: &Seen) {
        let Some(turns) = &seen.turns else {
            self.noticed.clone_from(&seen.noticed);
            return;
        };
        let worth = self.found().is_none_or(|f| self.is_worth_turning(&f.advice));
        let begun = |i: usize| turns[i].abs() > hand_turns(&self.bench.adjusters[i]);
        // How far is not to be judged before things rest.
        let is_a_hint = |noticed: &Noticed| match *noticed {
            Noticed::WrongSense { adjuster } => begun(adjuster),
            Noticed::WrongScrew { turned, .. } => {
                let own = base.plan.moves.iter().find(|m| m.adjuster == turned);
                begun(turned) && own.is_none_or(|m| m.set_turns * turns[turned] < 0.0)
            }
            Noticed::TooFar { adjuster, .. } => begun(adjuster) && base.plan.moves.iter().all(|m| m.adjuster != adjuster),
            _ => false,
        };
        self.noticed = seen.one_at_a_time(&base.plan, &self.bench).into_iter().filter(|n| worth && is_a_hint(n)).collect();
    }

    /// Remembers senses, and where readings are known what they are now.
    fn remember(&mut self, turns: &[f64]) {
        for (i, adjuster) in self.bench.adjusters.iter().enumerate() {
            let Some(done) = turns.get(i).copied().filter(|t| t.abs() > hand_turns(adjuster)) else { continue };
            let sense = self.ways.get(i).and_then(|w| w.sense).unwrap_or_else(|| sense_of(done));
            let before = self.known.last_sense.insert(adjuster.name.clone(), sense);
            let rises = if adjuster.reading_rises == Sense::Clockwise { 1.0 } else { -1.0 };
            if let Some(reading) = self.known.reading_turns.get_mut(&adjuster.name) {
                // Play that was taken up shows on the thimble but moves nothing.
                let play = if before.is_some_and(|b| b != sense) { adjuster.backlash_turns * done.signum() } else { 0.0 };
                *reading += rises * (done + play);
            }
        }
    }

    fn keep_trail(&mut self, to_go: &Pose) {
        let place = to_go.shift();
        if self.trail.back().is_none_or(|last| last.distance(place) > REST_MM) {
            if self.trail.len() >= TRAIL {
                let _ = self.trail.pop_front();
            }
            self.trail.push_back(place);
        }
    }

    /// How far apart two stands are: the larger of both sides' shift and arc at the rim, mm.
    fn apart_mm(&self, a: &Stood, b: &Stood) -> f64 {
        let side = |a: &Pose, b: &Pose| {
            let middle = self.part.body_centre_mm;
            a.apply(middle).distance(b.apply(middle)) + self.rim_mm * wrap_angle_rad(a.theta_rad - b.theta_rad).abs()
        };
        side(&a.bench_from_part, &b.bench_from_part).max(side(&a.bench_from_board, &b.bench_from_board))
    }
}

/// The largest distance that any site has moved between two offsets, mm.
#[must_use]
pub fn worst_apart_mm(part: &Part, a: &Pose, b: &Pose) -> f64 {
    part.sites.iter().map(|s| s.centre_mm(Side::Part)).map(|p| a.apply(p).distance(b.apply(p))).fold(0.0, f64::max)
}
