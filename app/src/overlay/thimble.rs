//! Thimble strips: for each adjuster the piece of its thimble that faces the eye, as it must stand when the move is made.

use super::canvas::{Area, Canvas, Ink, Pen, Surface, Xy};
use super::ink;
use super::text::{Faces, Type};
use crate::words;
use crate::words::sentences;
use landfit_calibration::bench::{Adjuster, Bench, Sense, Stands};
use landfit_calibration::moves::{Amount, Move, MovePlan};
use std::f32::consts::TAU;

/// Along which way the strip's scale runs on the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lies {
    /// Numbers beside the strip: for adjusters that stand near, far or above.
    Across,
    /// Numbers above and below the strip: for those at the right and left.
    Upright,
}

/// Where a strip stands round the landing plot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Left,
    Right,
    /// The n-th row above the plot, counted from the top.
    Above(usize),
    /// The n-th row below it.
    Below(usize),
}

impl Place {
    pub const fn lies(self) -> Lies {
        match self {
            Self::Left | Self::Right => Lies::Upright,
            Self::Above(_) | Self::Below(_) => Lies::Across,
        }
    }

    /// Whether the sleeve, which is the end towards the bench, comes last from left to right or from top to bottom.
    pub const fn sleeve_last(self) -> bool {
        matches!(self, Self::Left | Self::Above(_))
    }
}

/// A place for each adjuster, in the bench's order: where it stands, and below the plot where that is taken or not told.
pub fn places(bench: &Bench) -> Vec<Place> {
    let stand = |s: Stands| bench.adjusters.iter().position(|a| a.stands == Some(s));
    // What stands above everything is drawn above what stands at the far side.
    let above: Vec<usize> = [Stands::Top, Stands::Far].into_iter().filter_map(stand).collect();
    let near = stand(Stands::Near);
    let mut below = usize::from(near.is_some());
    let place = |(index, adjuster): (usize, &Adjuster)| {
        let first = adjuster.stands.and_then(stand) == Some(index);
        match adjuster.stands {
            Some(Stands::Left) if first => Place::Left,
            Some(Stands::Right) if first => Place::Right,
            Some(Stands::Near) if first => Place::Below(0),
            Some(Stands::Top | Stands::Far) if first => Place::Above(above.iter().position(|i| *i == index).unwrap_or(0)),
            _ => {
                below += 1;
                Place::Below(below - 1)
            }
        }
    };
    bench.adjusters.iter().enumerate().map(place).collect()
}

/// How a strip takes part in the moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn<'a> {
    pub adjuster: &'a Adjuster,
    /// `None` where it stays.
    pub one: Option<&'a Move>,
    /// Place in the order of moves, from 0.
    pub order: usize,
}

/// The part of the plan that one adjuster has.
pub fn turn<'a>(bench: &'a Bench, plan: &'a MovePlan, adjuster: usize) -> Option<Turn<'a>> {
    let order = plan.moves.iter().position(|m| m.adjuster == adjuster);
    let one = order.and_then(|i| plan.moves.get(i));
    Some(Turn { adjuster: bench.adjusters.get(adjuster)?, one, order: order.unwrap_or(usize::MAX) })
}

impl Turn<'_> {
    /// Only the first is bright: one thing at a time for the hands.
    const fn is_next(&self) -> bool {
        self.order == 0
    }

    fn title(&self) -> String {
        let word = match (self.one, self.order) {
            (None, _) => words::STAYS,
            (_, 0) => words::MOVE_FIRST,
            _ => words::THEN,
        };
        format!("{word}: {}", self.adjuster.name)
    }

    /// The number to turn and what it counts.
    pub fn amount(&self) -> Option<(String, String)> {
        Some(sentences::number_and_unit(self.one?.amount))
    }

    /// "to 3.53", where the reading is known.
    fn target(&self) -> Option<String> {
        self.one?.reading.map(|r| sentences::to_reading_short(r.then_turns, &self.adjuster.scale))
    }
}

/// Which way the face of the thimble moves on the sheet for a clockwise turn, +1 along the strip's axis (right or down).
///
/// The bench is seen from above with the operator at the sheet's lower edge; the hand looks along the adjuster's axis
/// towards the bench. A thimble that stands upright shows the operator its near face.
pub fn clockwise_moves(adjuster: &Adjuster, lies: Lies) -> f32 {
    match (adjuster.stands, lies) {
        // The top of a screw at the right goes away from the operator, which is up on the sheet; at the left it comes near.
        (Some(Stands::Right), Lies::Upright) => -1.0,
        (Some(Stands::Left), Lies::Upright) => 1.0,
        // The top of a screw at the far side, and the near face of an upright one, go left.
        (Some(Stands::Far | Stands::Top), Lies::Across) => -1.0,
        _ => 1.0,
    }
}

/// The number at the sleeve's line when a move is made, and the way in which numbers rise along the strip.
///
/// With a known reading the numbers are the thimble's own, else they count what is turned.
pub fn at_line(adjuster: &Adjuster, one: Option<&Move>, lies: Lies) -> (f64, f32) {
    let n = f64::from(adjuster.divisions.unwrap_or(0));
    let rises = match adjuster.reading_rises {
        Sense::Clockwise => 1.0,
        Sense::Anticlockwise => -1.0,
    };
    let clockwise = clockwise_moves(adjuster, lies);
    match (one.and_then(|m| m.reading), one) {
        (Some(reading), _) => (reading.then_turns * n, -clockwise * rises),
        (None, Some(one)) => (one.set_turns.abs() * n, -clockwise * one.set_turns.signum() as f32),
        (None, None) => (0.0, -clockwise * rises),
    }
}

/// One line on a thimble.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Graduation {
    /// Which it is; beyond one turn it goes on counting.
    pub number: i64,
    /// Where round the thimble, from the sleeve's line along the strip.
    pub angle_rad: f32,
    /// Its length, in widths of the strip.
    pub length_share: f32,
    /// Its number stands beside it.
    pub is_numbered: bool,
}

/// The graduations of a thimble with `now` at the sleeve's line, so many that they can be told apart where one division takes `space`
/// units of the size of a hair.
pub fn graduations(now: f32, rising: f32, divisions: u32, space: f32) -> impl Iterator<Item = Graduation> {
    let n = divisions.max(1) as f32;
    let step = [1, 2, 5, 10, 20, 50, 100].into_iter().find(|s| *s as f32 * space >= 3.6).unwrap_or(200);
    let numbered = [5, 10, 20, 25, 50, 100].into_iter().find(|s| s % step == 0 && *s as f32 * space >= 34.0).unwrap_or(10 * step);
    let (lowest, highest) = ((now - n / 2.0).floor() as i64, (now + n / 2.0).ceil() as i64);
    (lowest..=highest).filter(move |number| number.rem_euclid(step) == 0).map(move |number| {
        let is_numbered = number.rem_euclid(numbered) == 0;
        let length_share = if is_numbered {
            0.30
        } else if number.rem_euclid(5) == 0 {
            0.24
        } else {
            0.16
        };
        Graduation { number, angle_rad: (number as f32 - now) * TAU / n * rising, length_share, is_numbered }
    })
}

/// Draws one strip with its name, number and sense into its area.
pub fn draw(canvas: &mut Canvas, faces: &Faces, area: &Area, place: Place, unit_px: f32, turn: &Turn) {
    let u = unit_px;
    let (main, number, accent) = match (turn.one.is_some(), turn.is_next()) {
        (true, true) => (ink::PAPER, ink::MISS, ink::MISS),
        (true, false) => (ink::QUIET, ink::QUIET, ink::QUIET),
        (false, _) => (ink::FAINT, ink::FAINT, ink::FAINT),
    };
    let title = Type::text(17.0 * u, if turn.one.is_some() { main } else { ink::QUIET });
    let big = Type::digits(if turn.is_next() { 46.0 } else { 32.0 } * u, number);
    let small = Type::text(16.0 * u, main);
    match place.lies() {
        Lies::Upright => {
            let middle = area.centre().x;
            faces.draw_centred(canvas, title, Xy::new(middle, area.y + 12.0 * u), &turn.title());
            let strip = Area::new(middle - 30.0 * u, area.y + 30.0 * u, 60.0 * u, area.h - 150.0 * u);
            face(canvas, faces, &strip, place, u, turn, accent);
            let below = strip.bottom();
            let Some((count, thing)) = turn.amount() else { return };
            let big = fitted(faces, big, area.w, &count);
            faces.draw_centred(canvas, big, Xy::new(middle, below + 36.0 * u), &count);
            faces.draw_centred(canvas, small, Xy::new(middle, below + 74.0 * u), &thing);
            if let Some(one) = turn.one {
                let word = sentences::sense_word(one.sense);
                faces.draw_centred(canvas, fitted(faces, small, area.w, word), Xy::new(middle, below + 95.0 * u), word);
            }
            if let Some(target) = turn.target() {
                faces.draw_centred(canvas, small, Xy::new(middle, below + 115.0 * u), &target);
            }
        }
        Lies::Across => {
            faces.draw(canvas, title, Xy::new(area.x, area.y + 12.0 * u), &turn.title());
            let top = if place.sleeve_last() { 40.0 } else { 28.0 };
            let strip = Area::new(area.x, area.y + top * u, 0.58 * area.w, 60.0 * u);
            face(canvas, faces, &strip, place, u, turn, accent);
            let Some((count, thing)) = turn.amount() else { return };
            let x = strip.right() + 18.0 * u;
            let room = area.right() - x;
            let big = fitted(faces, big, room, &count);
            faces.draw(canvas, big, Xy::new(x, strip.y + 8.0 * u), &count);
            let thing = turn.target().map_or_else(|| thing.clone(), |t| format!("{thing} {t}"));
            faces.draw(canvas, fitted(faces, small, room, &thing), Xy::new(x, strip.y + 40.0 * u), &thing);
            if let Some(one) = turn.one {
                let word = sentences::sense_word(one.sense);
                faces.draw(canvas, fitted(faces, small, room, word), Xy::new(x, strip.y + 59.0 * u), word);
            }
        }
    }
}

/// The same type, smaller where the text would not fit.
fn fitted(faces: &Faces, look: Type, room_px: f32, text: &str) -> Type {
    let width = faces.width_px(look, text);
    if width <= room_px { look } else { Type { size_px: look.size_px * room_px / width, ..look } }
}

/// Half the angle of the thimble that the strip shows, radians.
pub const HALF_SEEN_RAD: f32 = 1.15;

/// The strip's own axes: `along` from the middle in the way the scale runs, `across` from the edge of the sleeve.
struct Axes {
    strip: Area,
    place: Place,
}

impl Axes {
    const fn half_length(&self) -> f32 {
        match self.place.lies() {
            Lies::Upright => self.strip.h / 2.0,
            Lies::Across => self.strip.w / 2.0,
        }
    }

    const fn width(&self) -> f32 {
        match self.place.lies() {
            Lies::Upright => self.strip.w,
            Lies::Across => self.strip.h,
        }
    }

    const fn at(&self, along: f32, across: f32) -> Xy {
        let c = self.strip.centre();
        let width = self.width();
        let across = if self.place.sleeve_last() { width - across } else { across };
        match self.place.lies() {
            Lies::Upright => Xy::new(self.strip.x + across, c.y + along),
            Lies::Across => Xy::new(c.x + along, self.strip.y + across),
        }
    }

    /// Where an angle from the middle of the face is seen.
    fn seen(&self, angle_rad: f32) -> Option<f32> {
        (angle_rad.abs() < HALF_SEEN_RAD).then(|| self.half_length() / HALF_SEEN_RAD.sin() * angle_rad.sin())
    }
}

fn face(canvas: &mut Canvas, faces: &Faces, strip: &Area, place: Place, u: f32, turn: &Turn, accent: Ink) {
    let axes = Axes { strip: *strip, place };
    let (width, half) = (axes.width(), axes.half_length());
    let sleeve = 0.24 * width;
    shade_round(canvas, &axes, half, sleeve, width);
    match (turn.adjuster.divisions, turn.one.map(|m| m.amount)) {
        (Some(n), Some(Amount::Thimble { .. }) | None) if n > 0 => graduate(canvas, faces, &axes, sleeve, width, u, turn, n),
        _ => knurl(canvas, &axes, sleeve, width, u),
    }
    // The line on the sleeve at which the thimble is read.
    canvas.line(axes.at(0.0, 0.0), axes.at(0.0, sleeve), Pen::new(accent, 3.0 * u));
    if let Some(one) = turn.one {
        way(canvas, &axes, width, u, turn, one, accent);
    }
}

/// A cylinder as light from above shows it: slices that darken towards the two edges.
fn shade_round(canvas: &mut Canvas, axes: &Axes, half: f32, sleeve: f32, width: f32) {
    let slices = (2.0 * half).ceil().max(1.0) as usize;
    for i in 0..slices {
        let along = -half + (i as f32 + 0.5) * 2.0 * half / slices as f32;
        let lit = (1.0 - (along / half * HALF_SEEN_RAD.sin()).powi(2)).max(0.0).sqrt();
        let (from, to) = (along - 0.75, along + 0.75);
        let band = |from_across: f32, to_across: f32| {
            [axes.at(from, from_across), axes.at(to, from_across), axes.at(to, to_across), axes.at(from, to_across)]
        };
        let grey = |k: f32| Ink::new([(k * lit) as u8 + 14, (k * lit) as u8 + 15, (k * lit) as u8 + 18]);
        canvas.fill(&band(0.0, sleeve), grey(26.0));
        canvas.fill(&band(sleeve, width), grey(52.0));
    }
}

/// Lines without numbers: a knob that cannot be read.
fn knurl(canvas: &mut Canvas, axes: &Axes, sleeve: f32, width: f32, u: f32) {
    for i in -12..=12 {
        if let Some(along) = axes.seen(i as f32 * 0.095) {
            canvas.line(axes.at(along, sleeve + 5.0 * u), axes.at(along, width - 5.0 * u), Pen::new(ink::FAINT, 1.2 * u));
        }
    }
}

/// Graduations and numbers. With a known reading they are the thimble's own, else they count from where it stands now.
#[allow(clippy::too_many_arguments, reason = "one drawing, its axes and its sizes")]
fn graduate(canvas: &mut Canvas, faces: &Faces, axes: &Axes, sleeve: f32, width: f32, u: f32, turn: &Turn, divisions: u32) {
    let reading = turn.one.and_then(|m| m.reading);
    let (at_line, rising) = at_line(turn.adjuster, turn.one, axes.place.lies());
    let space_px = TAU / divisions as f32 * axes.half_length() / HALF_SEEN_RAD.sin();
    let tone = if turn.one.is_some() { ink::PAPER } else { ink::QUIET };
    for Graduation { number, angle_rad, length_share, is_numbered } in graduations(at_line as f32, rising, divisions, space_px / u) {
        let Some(along) = axes.seen(angle_rad) else { continue };
        let lit = (1.0 - (along / axes.half_length()).powi(2) * 0.75).max(0.15) * if turn.is_next() { 1.0 } else { 0.62 };
        let length = length_share * width;
        canvas.line(axes.at(along, sleeve), axes.at(along, sleeve + length), Pen::new(tone.covering(lit), 1.4 * u));
        let edge = axes.half_length() - 9.0 * u;
        if is_numbered && along.abs() < edge && (reading.is_some() || turn.one.is_none() || number >= 0) {
            let shown = number.rem_euclid(i64::from(divisions));
            let look = Type::digits(14.0 * u, tone.covering(lit));
            faces.draw_centred(canvas, look, axes.at(along, 0.78 * width), &shown.to_string());
        }
    }
}

/// Along the outer edge, the way that the face has moved when the move is made: from where the line's place is now.
fn way(canvas: &mut Canvas, axes: &Axes, width: f32, u: f32, turn: &Turn, one: &Move, accent: Ink) {
    let goes = clockwise_moves(turn.adjuster, axes.place.lies()) * one.set_turns.signum() as f32;
    let by_rad = (one.set_turns.abs() as f32) * TAU;
    let beyond = by_rad > HALF_SEEN_RAD * 0.97;
    let end = axes.seen(by_rad.min(HALF_SEEN_RAD * 0.97) * goes).unwrap_or(0.0);
    let across = width + 7.0 * u;
    let pen = Pen::new(accent, 2.2 * u);
    let dashed = if beyond { pen.dashed(6.0 * u, 4.0 * u) } else { pen };
    canvas.line(axes.at(0.0, across), axes.at(end, across), dashed);
    canvas.line(axes.at(0.0, across - 4.0 * u), axes.at(0.0, across + 4.0 * u), pen);
    let (back, spread) = (8.0 * u * goes, 5.0 * u);
    let tip = end + 2.0 * u * goes;
    canvas.fill(&[axes.at(tip, across), axes.at(tip - back, across - spread), axes.at(tip - back, across + spread)], accent);
}
