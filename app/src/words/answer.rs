//! The answer of `align` as a technician reads it at a glance.

use crate::words::sentences;
use landfit_calibration::bench::{Bench, CalibrationState};
use landfit_calibration::judgement::{Decision, Judgement};
use landfit_calibration::moves::MovePlan;
use landfit_part::{Part, Pose, Side};
use landfit_vision::answer::{Alignment, Orientation, Outcome, SideFindings, SiteState};

/// What to do when the moves are none.
pub const NOTHING_TO_TURN: &str = "Nothing to turn: no step of the adjusters would bring it closer.";
/// What the person must look at where the pattern looks the same turned.
pub fn look_at_first(part: &Part) -> String {
    format!("Look at {}: the pattern looks the same turned by a quarter or half turn, and no mark settled it.", first_name(part))
}

/// The name of the place at which counting begins: "1" of leads and pads that are counted, "A1" of all grids, a ball there or not.
pub fn first_name(part: &Part) -> &'static str {
    if part.site_index("A1").is_none() && part.site_index("1").is_some() { "1" } else { "A1" }
}
/// What to know of a bench file that says so.
pub const NOT_CALIBRATED: &str = "this bench is not calibrated; sizes and turns are only as good as what was typed in.";

/// The lines, in the order in which they matter: what was seen, what stands in the way, what to do.
#[must_use]
pub fn lines(alignment: &Alignment, fit: Option<&(Judgement, MovePlan)>, part: &Part, bench: &Bench) -> Vec<String> {
    let mut lines = vec![format!("{} on {}", part.name, bench.name)];
    match (&alignment.outcome, fit) {
        (Outcome::Refused(refusal), _) => {
            lines.push(format!("No answer ({}).", refusal.code.word()));
            lines.push(refusal.text.clone());
        }
        (Outcome::Fit(found), Some((judgement, plan))) => {
            lines.push(format!("Offset: the part sits {}", sentences::offset_text(&found.offset)));
            lines.push(format!("        {}", sentences::uncertainty_text(found)));
            if bench.aim != Pose::IDENTITY {
                lines.push(format!("Aim:    {} (from the bench file)", sentences::offset_text(&bench.aim)));
            }
            lines.push(format!("{}: {}", verdict(judgement.decision), sentences::worst_text(judgement, part)));
            lines.push(format!("        (the allowance is {})", sentences::allowance_source_text(judgement.allowance.source)));
            lines.extend(in_the_way(&alignment.terminals, part, Side::Part));
            lines.extend(in_the_way(&alignment.lands, part, Side::Board));
            if alignment.orientation == Orientation::Open {
                lines.push(look_at_first(part));
            }
            lines.extend(to_do(plan, part, bench));
        }
        (Outcome::Fit(_), None) => {}
    }
    let plan_warnings = fit.map(|(_, plan)| plan.warnings.as_slice()).unwrap_or_default();
    lines.extend(alignment.warnings.iter().chain(plan_warnings).map(|w| format!("Note: {w}")));
    if bench.calibration == CalibrationState::NotCalibrated {
        lines.push(format!("Note: {NOT_CALIBRATED}"));
    }
    lines
}

fn to_do(plan: &MovePlan, part: &Part, bench: &Bench) -> Vec<String> {
    if plan.moves.is_empty() {
        return vec![NOTHING_TO_TURN.into()];
    }
    let mut lines = vec!["To do, in this order:".to_owned()];
    lines.extend(sentences::moves_text(plan, bench).into_iter().map(|m| format!("  {m}")));
    lines.push(format!("  {}.", sentences::left_text(plan, part)));
    lines
}

/// "Within", "Outside" or "Undecided".
pub const fn verdict(decision: Decision) -> &'static str {
    match decision {
        Decision::Within => "Within",
        Decision::Outside => "Outside",
        Decision::Undecided => "Undecided",
    }
}

/// What stands in the way on one side, or that nothing does.
pub fn in_the_way(findings: &SideFindings, part: &Part, side: Side) -> Vec<String> {
    let thing = sentences::thing_word(part, side);
    let named = |keep: &dyn Fn(&SiteState) -> bool| -> Vec<&str> {
        findings.sites.iter().filter(|f| keep(&f.state)).map(|f| part.sites[f.site].id.as_str()).collect()
    };
    let expected = findings.sites.len();
    let absent = named(&|s| *s == SiteState::Absent);
    let hidden = named(&|s| *s == SiteState::Hidden);
    let found = expected - absent.len() - hidden.len();
    let mut lines = vec![format!("Seen:   {found} of {expected} {thing}s in view")];
    let mut say = |what: &str, sites: &[&str]| {
        if !sites.is_empty() {
            lines.push(format!("  {what}: {}", listed(thing, sites)));
        }
    };
    say("absent", &absent);
    say("cannot be judged", &hidden);
    for kind in ["bridge", "small", "large", "displaced", "odd"] {
        say(kind, &named(&|s| matches!(s, SiteState::Suspect(k) if k.word() == kind)));
    }
    lines
}

/// "ball C4", or "balls C4, D7 and 12 more".
fn listed(thing: &str, sites: &[&str]) -> String {
    const MOST: usize = 12;
    match sites {
        [one] => format!("{thing} {one}"),
        few if few.len() <= MOST => format!("{thing}s {}", few.join(", ")),
        many => format!("{thing}s {} and {} more", many[..MOST].join(", "), many.len() - MOST),
    }
}
