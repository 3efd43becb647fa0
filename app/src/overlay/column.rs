//! The sentences beside the landing plot, broken into lines that fit their columns.

use super::canvas::{Area, Canvas, Xy};
use super::ink;
use super::text::{Faces, Type};
use crate::commands::align::Answer;
use crate::words;
use crate::words::answer;
use crate::words::sentences;
use landfit_calibration::bench::{Bench, CalibrationState};
use landfit_calibration::judgement::Judgement;
use landfit_calibration::moves::MovePlan;
use landfit_part::{Part, Pose, Side};
use landfit_vision::answer::{Fit, Orientation, Refusal};

/// One line of text, ready to be drawn.
#[derive(Debug, Clone)]
struct Line {
    text: String,
    look: Type,
    indent_px: f32,
    gap_px: f32,
}

/// A column of text whose height is known before it is drawn.
pub struct Column<'a> {
    faces: &'a Faces,
    width_px: f32,
    unit_px: f32,
    lines: Vec<Line>,
}

impl<'a> Column<'a> {
    pub const fn new(faces: &'a Faces, width_px: f32, unit_px: f32) -> Self {
        Self { faces, width_px, unit_px, lines: Vec::new() }
    }

    /// Adds a paragraph, `gap` units below the one before; `indent` units for its first line, more for the others.
    fn add(&mut self, look: Type, gap: f32, indent: f32, text: &str) {
        let u = self.unit_px;
        for (i, line) in self.faces.wrapped(look, (self.width_px - indent * u).max(u), text).into_iter().enumerate() {
            self.lines.push(Line { text: line, look, indent_px: indent * u, gap_px: if i == 0 { gap * u } else { 0.0 } });
        }
    }

    fn say(&mut self, gap: f32, text: &str) {
        self.add(Type::text(17.0 * self.unit_px, ink::PAPER), gap, 0.0, text);
    }

    fn note(&mut self, gap: f32, text: &str) {
        self.add(Type::text(15.0 * self.unit_px, ink::QUIET), gap, 0.0, text);
    }

    fn head(&mut self, text: &str) {
        self.add(Type::text(17.0 * self.unit_px, ink::QUIET), 0.0, 0.0, text);
    }

    pub fn height_px(&self) -> f32 {
        self.lines.iter().map(|l| l.gap_px + l.look.line_px()).sum()
    }

    /// Draws the column with its upper left corner at that of `area`.
    pub fn draw(&self, canvas: &mut Canvas, area: &Area) {
        let mut y = area.y;
        for line in &self.lines {
            y += line.gap_px;
            self.faces.draw(canvas, line.look, Xy::new(area.x + line.indent_px, y + line.look.line_px() / 2.0), &line.text);
            y += line.look.line_px();
        }
    }

    /// The text as one string, for tests.
    #[cfg(test)]
    pub fn text(&self) -> String {
        self.lines.iter().map(|l| l.text.as_str()).collect::<Vec<_>>().join(" ").replace('\u{a0}', " ")
    }
}

/// What was seen: the decision, the worst site, the offset, and what stands in the way.
pub fn seen<'a>(mut column: Column<'a>, answer: &Answer, fit: &Fit, judgement: &Judgement, part: &Part, bench: &Bench) -> Column<'a> {
    let u = column.unit_px;
    column.head(words::SEEN);
    column.add(Type::text(38.0 * u, ink::PAPER), 0.0, 0.0, answer::verdict(judgement.decision));
    column.say(2.0, &sentence(&sentences::worst_text(judgement, part)));
    column.note(2.0, &words::allowance_is(sentences::allowance_source_text(judgement.allowance.source)));
    column.say(10.0, &words::part_sits(&sentences::offset_text(&fit.offset)));
    column.note(2.0, &sentences::uncertainty_text(fit));
    if bench.aim != Pose::IDENTITY {
        column.note(2.0, &words::aim(&sentences::offset_text(&bench.aim)));
    }
    for (side, gap) in [(Side::Part, 10.0), (Side::Board, 4.0)] {
        for (i, line) in answer::in_the_way(answer.alignment.side(side), part, side).iter().enumerate() {
            let trimmed = line.trim_start();
            let indent = if line.starts_with(' ') { 14.0 } else { 0.0 };
            let line_ink = if i == 0 { ink::PAPER } else { ink::IN_THE_WAY };
            let text = trimmed.strip_prefix("Seen:").map_or(trimmed, str::trim_start);
            column.add(Type::text(17.0 * u, line_ink), if i == 0 { gap } else { 0.0 }, indent, text);
        }
    }
    if answer.alignment.orientation == Orientation::Open {
        column.say(10.0, &answer::look_at_first(part));
    }
    column
}

/// What to do, in order, what will be left, and what to know besides.
pub fn to_do<'a>(mut column: Column<'a>, answer: &Answer, plan: &MovePlan, part: &Part, bench: &Bench) -> Column<'a> {
    let u = column.unit_px;
    if plan.moves.is_empty() {
        column.head(words::TO_DO);
        column.say(4.0, answer::NOTHING_TO_TURN);
    } else {
        column.head(words::TO_DO_IN_ORDER);
        let texts = sentences::moves_text(plan, bench);
        for (i, text) in texts.iter().take(plan.moves.len()).enumerate() {
            // One thing at a time: only the first is bright.
            let look = if i == 0 { Type::text(23.0 * u, ink::MISS) } else { Type::text(19.0 * u, ink::QUIET) };
            column.add(look, if i == 0 { 4.0 } else { 8.0 }, 0.0, &format!("{}. {text}", i + 1));
        }
        column.say(10.0, &format!("{}.", sentence(&sentences::left_text(plan, part))));
        for text in texts.iter().skip(plan.moves.len()) {
            column.note(8.0, &format!("{}.", sentence(text)));
        }
    }
    notes(column, answer, Some(plan), bench)
}

/// Why there is no answer, large.
pub fn refused<'a>(mut column: Column<'a>, answer: &Answer, refusal: &Refusal, bench: &Bench) -> Column<'a> {
    let u = column.unit_px;
    column.add(Type::text(22.0 * u, ink::QUIET), 0.0, 0.0, &words::no_answer(refusal.code.word()));
    column.add(Type::text(34.0 * u, ink::PAPER), 6.0, 0.0, &refusal.text);
    notes(column, answer, None, bench)
}

fn notes<'a>(mut column: Column<'a>, answer: &Answer, plan: Option<&MovePlan>, bench: &Bench) -> Column<'a> {
    let plan_warnings = plan.map(|p| p.warnings.as_slice()).unwrap_or_default();
    for warning in answer.alignment.warnings.iter().chain(plan_warnings) {
        column.note(8.0, &words::note(warning));
    }
    if bench.calibration == CalibrationState::NotCalibrated {
        column.note(8.0, &words::note(answer::NOT_CALIBRATED));
    }
    column
}

/// The same with a capital letter at its beginning.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
