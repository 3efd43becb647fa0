//! The answers as JSON, in the contract's form. Lengths in mm, angles in degrees.

use landfit_calibration::bench::{Bench, ReadingScale, Sense};
use landfit_calibration::judgement::Judgement;
use landfit_calibration::moves::{Amount, Move, MovePlan};
use landfit_part::{AllowanceSource, Part, Pose, Side};
use landfit_vision::answer::{Alignment, Fit, Orientation, Outcome, SideFindings, SiteState};
use serde_json::{Value, json};

/// What follows from a fit.
#[derive(Clone, Copy)]
pub struct Moves<'a> {
    /// Whether it is good enough.
    pub judgement: &'a Judgement,
    /// What to turn.
    pub plan: &'a MovePlan,
}

/// The answer of `align`.
#[must_use]
pub fn align(alignment: &Alignment, moves: Option<Moves>, part: &Part, bench: &Bench, total_ms: f64) -> Value {
    let mut warnings = alignment.warnings.clone();
    let mut object = json!({
        "schema": 1,
        "answer": "none",
        "reason": null,
        "warnings": [],
        "offset": null,
        "uncertainty": null,
        "worst": null,
        "decision": null,
        "clear": false,
        "orientation": orientation_word(alignment.orientation),
        "confirm": [],
        "terminals": side(&alignment.terminals, part, Side::Part),
        "lands": side(&alignment.lands, part, Side::Board),
        "moves": null,
        "left_after": null,
        "expected_placed": null,
        "time_ms": {"total": total_ms},
    });
    match (&alignment.outcome, moves) {
        (Outcome::Fit(fit), Some(Moves { judgement, plan })) => {
            warnings.extend(plan.warnings.iter().cloned());
            object["answer"] = json!("fit");
            object["offset"] = pose(&fit.offset);
            object["uncertainty"] = uncertainty(fit);
            object["covariance"] = json!((0..3).map(|r| (0..3).map(|c| fit.covariance[(r, c)]).collect::<Vec<_>>()).collect::<Vec<_>>());
            object["worst"] = json!({
                "site": part.sites[judgement.site].id,
                "miss_mm": judgement.miss_mm,
                "u_mm": judgement.u_mm,
                "allowed_mm": judgement.allowance.miss_mm,
                "allowed_from": allowance_word(judgement.allowance.source),
            });
            object["worst_seen"] = worst_seen(alignment, fit, part);
            object["decision"] = json!(judgement.decision.word());
            object["clear"] = json!(alignment.is_clear());
            if alignment.orientation == Orientation::Open {
                object["confirm"] = json!([crate::words::answer::first_name(part)]);
            }
            object["moves"] = json!(plan.moves.iter().map(|m| one_move(m, bench)).collect::<Vec<_>>());
            let left = &plan.left_after;
            object["left_after"] = json!({
                "x_mm": left.offset.x_mm,
                "y_mm": left.offset.y_mm,
                "theta_deg": left.offset.theta_rad.to_degrees(),
                "worst_miss_mm": left.worst_miss_mm,
                "site": part.sites[left.worst_site].id,
            });
            if bench.aim != Pose::IDENTITY {
                object["aim"] = pose(&bench.aim);
                object["to_go"] = pose(&judgement.to_go);
            }
        }
        (Outcome::Refused(refusal), _) => {
            object["reason"] = json!({"code": refusal.code.word(), "view": refusal.view, "text": refusal.text});
            if let Some(turn_deg) = refusal.turn_deg {
                object["reason"]["turn_deg"] = json!(turn_deg);
            }
        }
        (Outcome::Fit(_), None) => {}
    }
    object["warnings"] = json!(warnings);
    object
}

/// The object that goes with exit status 2.
#[must_use]
pub fn bad_input(text: &str) -> Value {
    json!({"schema": 1, "answer": "none", "reason": {"code": "bad-input", "view": null, "text": text}, "warnings": [], "offset": null, "moves": null})
}

fn pose(p: &Pose) -> Value {
    json!({"x_mm": p.x_mm, "y_mm": p.y_mm, "theta_deg": p.theta_rad.to_degrees()})
}

fn uncertainty(fit: &Fit) -> Value {
    let half_width = |i: usize| fit.k * fit.covariance[(i, i)].max(0.0).sqrt();
    json!({"x_mm": half_width(0), "y_mm": half_width(1), "theta_deg": half_width(2).to_degrees(), "k": fit.k})
}

/// The largest miss measured at one site that both sides show; the ball's own placement is in it.
fn worst_seen(alignment: &Alignment, fit: &Fit, part: &Part) -> Value {
    let board_from_bench = fit.bench_from_board.inverse();
    let lands = &alignment.lands.sites;
    let misses = alignment.terminals.sites.iter().filter_map(|t| {
        let l = lands.binary_search_by_key(&t.site, |f| f.site).ok().map(|i| &lands[i])?;
        let site = &part.sites[t.site];
        let designed = site.centre_mm(Side::Part) - site.centre_mm(Side::Board);
        let apart = board_from_bench.apply(t.centre_mm?) - board_from_bench.apply(l.centre_mm?) - designed;
        Some((t.site, apart.norm()))
    });
    misses
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
        .map_or(Value::Null, |(site, miss_mm)| json!({"site": part.sites[site].id, "miss_mm": miss_mm}))
}

fn side(findings: &SideFindings, part: &Part, side: Side) -> Value {
    let named = |keep: &dyn Fn(&SiteState) -> bool| -> Vec<&str> {
        findings.sites.iter().filter(|f| keep(&f.state)).map(|f| part.sites[f.site].id.as_str()).collect()
    };
    let absent = named(&|s| *s == SiteState::Absent);
    let hidden = named(&|s| *s == SiteState::Hidden);
    let suspect: Vec<Value> = findings
        .sites
        .iter()
        .filter_map(|f| match f.state {
            SiteState::Suspect(kind) => Some(json!({"site": part.sites[f.site].id, "kind": kind.word()})),
            _ => None,
        })
        .collect();
    let expected = findings.sites.len();
    json!({
        "expected": expected,
        "found": expected - absent.len() - hidden.len(),
        "of_pattern": part.sites.iter().filter(|s| !s.pieces(side).is_empty()).count(),
        "absent": absent,
        "hidden": hidden,
        "suspect": suspect,
    })
}

fn one_move(m: &Move, bench: &Bench) -> Value {
    let mut object = json!({"adjuster": m.name, "turns": m.turns, "sense": sense_word(m.sense)});
    match m.amount {
        Amount::Thimble { whole, divisions } => {
            object["whole"] = json!(whole);
            object["divisions"] = number(divisions);
        }
        Amount::Steps { count } => object["steps"] = json!(count),
        Amount::Bare { turns } => object["about_turns"] = json!(turns),
    }
    if let Some(turns) = m.play.take_up_turns() {
        object["take_up_turns"] = json!(turns);
    }
    if let Some(reading) = m.reading {
        object["reading_turns"] = json!({"now": reading.now_turns, "then": reading.then_turns});
        if let Some(scale) = bench.adjusters.get(m.adjuster).map(|a| &a.scale).filter(|s| **s != ReadingScale::TURNS) {
            object["reading"] = json!({"now": scale.shown(reading.now_turns), "then": scale.shown(reading.then_turns), "unit": scale.unit});
        }
    }
    object
}

/// Whole numbers without a decimal point, as a hand counts them.
fn number(v: f64) -> Value {
    if (v - v.round()).abs() < 1e-9 { json!(v.round() as i64) } else { json!(v) }
}

/// "clockwise" or "anticlockwise".
#[must_use]
pub const fn sense_word(sense: Sense) -> &'static str {
    match sense {
        Sense::Clockwise => "clockwise",
        Sense::Anticlockwise => "anticlockwise",
    }
}

const fn orientation_word(orientation: Orientation) -> &'static str {
    match orientation {
        Orientation::Settled => "settled",
        Orientation::Open => "open",
    }
}

const fn allowance_word(source: AllowanceSource) -> &'static str {
    match source {
        AllowanceSource::PartFile => "part file",
        AllowanceSource::QuarterOfLand => "25 % of the smallest land diameter",
        AllowanceSource::QuarterOfTerminal => "25 % of the smallest terminal width",
    }
}
