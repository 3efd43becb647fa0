//! The layout of the marked picture: every block's place, known before anything is drawn. Blocks never overlap, and the
//! sheet is as high as its text needs.

use super::canvas::Area;
use super::column::{self, Column};
use super::legend::{self, Legend};
use super::misses::Misses;
use super::shots::Zoom;
use super::text::Faces;
use super::thimble::{self, Lies, Place};
use crate::commands::align::Answer;
use landfit_calibration::bench::Bench;
use landfit_calibration::judgement::Judgement;
use landfit_calibration::moves::MovePlan;
use landfit_part::Part;
use landfit_vision::Picture;
use landfit_vision::answer::Outcome;

/// Where everything stands.
pub struct Sheet<'a> {
    pub size_px: [u32; 2],
    /// A pixel of a sheet of ordinary width: text and lines grow with the sheet, so that they stay readable when it is
    /// shown whole.
    pub unit_px: f32,
    pub zoom: Zoom,
    pub title: Area,
    pub title_text: String,
    pub panels: Vec<Area>,
    pub captions: Vec<Area>,
    pub desk: Desk<'a>,
}

/// What stands below the exposures.
pub enum Desk<'a> {
    Fit(Box<FitDesk<'a>>),
    Refused { words: Column<'a>, area: Area },
}

/// Below a fit.
pub struct FitDesk<'a> {
    pub misses: Misses<'a>,
    pub judgement: &'a Judgement,
    pub plan: &'a MovePlan,
    pub magnification: u32,
    pub legend: Legend,
    pub legend_area: Area,
    pub seen: Column<'a>,
    pub seen_area: Area,
    pub plot: Area,
    pub strips: Vec<Strip>,
    pub to_do: Column<'a>,
    pub to_do_area: Area,
}

/// One adjuster's place.
pub struct Strip {
    pub adjuster: usize,
    pub place: Place,
    pub area: Area,
}

const MARGIN: f32 = 24.0;
const TITLE: f32 = 44.0;
const CAPTION: f32 = 34.0;
const PLOT: f32 = 372.0;
const STRIP_WIDE: f32 = 128.0;
const STRIP_HIGH: f32 = 116.0;
/// Text, in units, of an ordinary sheet of this width has its plain size, px.
const ORDINARY_PX: f32 = 1328.0;

impl<'a> Sheet<'a> {
    /// Sets the sheet for an answer.
    pub fn set(faces: &'a Faces, shots: &[Picture], answer: &'a Answer, part: &Part, bench: &Bench) -> Self {
        let (w, h) = shots.iter().fold((1, 1), |(w, h), s| (s.width_px.max(w), s.height_px.max(h)));
        let n = shots.len().max(1);
        let zoom = Zoom::of_row(w, h, n);
        let [panel_w, panel_h] = zoom.size_px(w, h);
        let row_px = (panel_w * n as u32) as f32;
        // Less than in proportion: a wide sheet has more room, not only larger letters.
        let u = (row_px / ORDINARY_PX).max(1.0).powf(0.75);
        let (margin, gap) = ((MARGIN * u).round(), (12.0 * u).round());
        let row_px = row_px + gap * (n as f32 - 1.0);
        let width = (row_px + 2.0 * margin).max(ORDINARY_PX * u * 0.96).ceil();
        let title = Area::new(margin, 0.0, width - 2.0 * margin, (TITLE * u).round());
        let left = ((width - row_px) / 2.0).round();
        let panels: Vec<Area> =
            (0..n).map(|i| Area::new(left + i as f32 * (panel_w as f32 + gap), title.bottom(), panel_w as f32, panel_h as f32)).collect();
        let captions: Vec<Area> = panels.iter().map(|p| Area::new(p.x, p.bottom(), p.w, (CAPTION * u).round())).collect();
        let top = title.bottom() + panel_h as f32 + (CAPTION * u).round();
        let below = Area::new(margin, top + 8.0 * u, width - 2.0 * margin, 0.0);
        let (desk, bottom) = desk(faces, &below, u, answer, part, bench);
        let title_text = fitted(faces, u, title.w, &format!("{} on {}", part.name, bench.name));
        let size_px = [width as u32, (bottom + margin).ceil() as u32];
        Self { size_px, unit_px: u, zoom, title, title_text, panels, captions, desk }
    }

    /// Width of a thin mark, px.
    pub fn line_px(&self) -> f32 {
        self.unit_px.max(0.9) * 1.25
    }
}

/// The text, cut with an ellipsis where it is longer than the sheet.
fn fitted(faces: &Faces, u: f32, room_px: f32, text: &str) -> String {
    let look = super::text::Type::text(17.0 * u, super::ink::QUIET);
    let mut shown = text.to_owned();
    while faces.width_px(look, &shown) > room_px && shown.chars().count() > 2 {
        shown = shown.trim_end_matches('…').to_owned();
        shown.pop();
        shown.push('…');
    }
    shown
}

/// Sets what stands below the exposures; returns it with its lower end.
fn desk<'a>(faces: &'a Faces, below: &Area, u: f32, answer: &'a Answer, part: &Part, bench: &Bench) -> (Desk<'a>, f32) {
    let fit = match (&answer.alignment.outcome, &answer.fit, Misses::of(answer, part, &bench.aim)) {
        (Outcome::Fit(fit), Some((judgement, plan)), Some(misses)) => (fit, judgement, plan, misses),
        (Outcome::Refused(refusal), ..) => {
            let words = column::refused(Column::new(faces, below.w, u), answer, refusal, bench);
            let area = Area { h: words.height_px(), ..*below };
            return (Desk::Refused { words, area }, area.bottom());
        }
        _ => return (Desk::Refused { words: Column::new(faces, below.w, u), area: *below }, below.bottom()),
    };
    let (fit, judgement, plan, misses) = fit;
    let magnification = misses.magnification(part);
    let legend = legend::set(faces, below.w, u, answer, part, magnification);
    let legend_area = Area { h: legend.height_px, ..*below };
    let top = legend_area.bottom() + 22.0 * u;
    let (plot, strips) = plot_and_strips(below, top, u, bench);
    let gap = 30.0 * u;
    let (from, to) = strips.iter().fold((plot.x, plot.right()), |(from, to), s| (s.area.x.min(from), s.area.right().max(to)));
    let (seen_w, to_do_w) = (from - gap - below.x, below.right() - to - gap);
    let seen = column::seen(Column::new(faces, seen_w, u), answer, fit, judgement, part, bench);
    let to_do = column::to_do(Column::new(faces, to_do_w, u), answer, plan, part, bench);
    let seen_area = Area::new(below.x, top, seen_w, seen.height_px());
    let to_do_area = Area::new(to + gap, top, to_do_w, to_do.height_px());
    let blocks = strips.iter().map(|s| s.area).chain([plot, seen_area, to_do_area]);
    let bottom = blocks.map(|a| a.bottom()).fold(top, f32::max);
    let desk = FitDesk { misses, judgement, plan, magnification, legend, legend_area, seen, seen_area, plot, strips, to_do, to_do_area };
    (Desk::Fit(Box::new(desk)), bottom)
}

/// The landing plot in the middle of the sheet, and the strips round it where the adjusters stand.
fn plot_and_strips(below: &Area, top: f32, u: f32, bench: &Bench) -> (Area, Vec<Strip>) {
    let places = thimble::places(bench);
    let above = places.iter().filter(|p| matches!(p, Place::Above(_))).count();
    let (side, high, wide) = (PLOT * u, STRIP_HIGH * u, STRIP_WIDE * u);
    let plot = Area::new((below.centre().x - side / 2.0).round(), (top + above as f32 * high).round(), side, side);
    let gap = 14.0 * u;
    let strips = places.into_iter().enumerate().map(|(adjuster, place)| {
        let area = match place {
            Place::Left => Area::new(plot.x - gap - wide, plot.y, wide, side),
            Place::Right => Area::new(plot.right() + gap, plot.y, wide, side),
            Place::Above(row) => Area::new(plot.x, top + row as f32 * high, side, high - gap),
            Place::Below(row) => Area::new(plot.x, plot.bottom() + gap + row as f32 * high, side, high - gap),
        };
        debug_assert!(place.lies() == Lies::Upright || area.w >= area.h);
        Strip { adjuster, place, area }
    });
    (plot, strips.collect())
}
