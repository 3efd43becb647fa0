//! What the pages show of part and bench files, and of the part on the bench against its file.

use super::shown::{AdjusterPanel, BenchPanel, PartPanel, Sentence, Tone};
use super::subject::{BenchFile, PartFile};
use super::units::Lengths;
use crate::commands::bench::adjuster_in_words;
use crate::words;
use crate::words::{answer, sentences};
use landfit_calibration::bench::{CalibrationState, Reads};
use landfit_part::{Part, Side, check};
use landfit_vision::answer::{Alignment, Outcome, SideFindings, SiteState};
use std::sync::Arc;

/// What is shown of a part file, whatever is seen.
pub fn panel_of_part(file: &PartFile, units: Lengths) -> PartPanel {
    let part = &file.part;
    let mut lines = vec![part.name.clone()];
    let thing = sentences::terminal_word(part);
    lines.push(words::part_size(part.sites.len(), thing, part.body_mm));
    let pitches = check::pitches_mm(part, Side::Part);
    if let Some((pitch, _)) = pitches.first() {
        lines.push(words::pitch(*pitch));
    }
    let allowance = part.allowance();
    lines.push(words::allowance(&units.text(allowance.miss_mm), sentences::allowance_source_text(allowance.source)));
    let findings = check::findings(part).into_iter().map(|f| f.text).collect();
    PartPanel { part: Arc::clone(part), from: file.from.clone(), lines, findings, seen: Vec::new(), marked: Vec::new() }
}

/// What is shown of a bench file, whatever its thimbles read. Its history is read here: once, not with every picture.
pub fn panel_of_bench(file: &BenchFile) -> BenchPanel {
    let bench = &file.bench;
    let frame = &bench.optics.frame;
    let mut lines = vec![words::picture_size(frame.size_px)];
    for (i, view) in bench.optics.views.iter().enumerate() {
        lines.push(words::view(i + 1, view.shows, view.exposure + 1));
    }
    let mut calibration = Vec::new();
    let state = match bench.calibration {
        CalibrationState::Calibrated => words::CALIBRATED.to_owned(),
        CalibrationState::NotCalibrated => sentences::capital(answer::NOT_CALIBRATED),
        CalibrationState::Unsaid => words::CALIBRATION_UNSAID.to_owned(),
    };
    calibration.push(Sentence { tone: Tone::Plain, text: state });
    if let Some(date) = &file.record.date {
        calibration.push(Sentence { tone: Tone::Quiet, text: words::calibrated_on(&date.to_string()) });
    }
    if let Ok(entries) = landfit_calibration::history::entries(&file.text, &file.from) {
        calibration.extend(entries.iter().rev().take(4).map(|e| Sentence { tone: Tone::Quiet, text: format!("{}: {}", e.date, e.what) }));
    }
    let adjusters = bench.adjusters.iter().map(|a| AdjusterPanel {
        name: a.name.clone(),
        text: adjuster_in_words(a),
        reading: None,
        has_reading: a.reads == Reads::Divisions,
    });
    let adjusters = adjusters.collect();
    let has_file = file.path.is_some();
    BenchPanel { name: bench.name.clone(), from: file.from.clone(), lines, calibration, adjusters, has_file, ..BenchPanel::default() }
}

/// What was seen of this very part and board, and the sites to be marked with a word each; nothing where there is no fit.
pub fn seen_of_part(alignment: &Alignment, part: &Part) -> (Vec<Sentence>, Vec<(usize, String)>) {
    let (mut seen, mut marked) = (Vec::new(), Vec::new());
    if !matches!(alignment.outcome, Outcome::Fit(_)) {
        return (seen, marked);
    }
    for side in [Side::Part, Side::Board] {
        let findings = alignment.side(side);
        for (i, line) in answer::in_the_way(findings, part, side).iter().enumerate() {
            let text = sentences::capital(line.trim_start_matches("Seen:").trim());
            seen.push(Sentence { tone: if i == 0 { Tone::Plain } else { Tone::Mind }, text: format!("{text}.") });
        }
        seen.extend(sizes(findings, side, part));
        marked.extend(findings.sites.iter().filter(|f| f.state != SiteState::Good).map(|f| {
            let word = match f.state {
                SiteState::Suspect(kind) => kind.word(),
                SiteState::Hidden => words::HIDDEN,
                SiteState::Absent | SiteState::Good => words::ABSENT,
            };
            (f.site, word.to_owned())
        }));
    }
    (seen, marked)
}

/// Sizes of one side as measured, against the part file.
fn sizes(findings: &SideFindings, side: Side, part: &Part) -> Option<Sentence> {
    let mut ratios: Vec<f64> = findings.sites.iter().filter(|f| f.centre_px.is_some()).map(|f| f.size_ratio).collect();
    ratios.retain(|r| r.is_finite());
    ratios.sort_by(f64::total_cmp);
    let (least, most) = (*ratios.first()?, *ratios.last()?);
    let middle = ratios[ratios.len() / 2];
    let thing = sentences::thing_word(part, side);
    Some(Sentence { tone: Tone::Quiet, text: words::sizes(thing, [middle, least, most]) })
}
