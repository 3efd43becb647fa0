//! The legend: every sign that the marks use in this picture, each beside its meaning.

use super::canvas::{Area, Canvas, Ends, Pen, Surface, Xy};
use super::ink;
use super::marks::{blade, cross};
use super::text::{Faces, Type};
use crate::commands::align::Answer;
use crate::words;
use crate::words::sentences;
use landfit_part::{Part, Side};
use landfit_vision::answer::{SiteState, SuspectKind};

/// A sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sign {
    Terminal,
    Loud,
    Land,
    MissLine,
    Absent,
    Hidden,
    Bridge,
    Size,
    Displaced,
    Odd,
}

/// One entry and where it stands, from the legend's upper left corner.
pub struct Entry {
    sign: Sign,
    pub text: String,
    pub area: Area,
}

/// Entries set into rows, with the height that they take.
pub struct Legend {
    pub entries: Vec<Entry>,
    pub height_px: f32,
}

const ROW: f32 = 30.0;
const SIGN: f32 = 40.0;
const SIZE: f32 = 15.0;

/// Sets the legend of an answer into rows no wider than `width_px`.
pub fn set(faces: &Faces, width_px: f32, unit_px: f32, answer: &Answer, part: &Part, magnification: u32) -> Legend {
    let u = unit_px;
    let look = Type::text(SIZE * u, ink::PAPER);
    let (mut x, mut row, mut entries) = (0.0, 0, Vec::new());
    for (sign, text) in told(answer, part, magnification) {
        let w = SIGN * u + faces.width_px(look, &text);
        if x > 0.0 && x + w > width_px {
            (x, row) = (0.0, row + 1);
        }
        entries.push(Entry { sign, text, area: Area::new(x, row as f32 * ROW * u, w, ROW * u) });
        x += w + 26.0 * u;
    }
    let height_px = if entries.is_empty() { 0.0 } else { (row + 1) as f32 * ROW * u };
    Legend { entries, height_px }
}

fn told(answer: &Answer, part: &Part, magnification: u32) -> Vec<(Sign, String)> {
    let thing = sentences::terminal_word(part);
    let mut told = vec![
        (Sign::Terminal, words::as_measured(thing)),
        (Sign::Land, words::LAND_AS_MEASURED.to_owned()),
        (Sign::MissLine, words::miss_lines_between(magnification, thing)),
        (Sign::Loud, words::LOUD.to_owned()),
    ];
    let states = || [Side::Part, Side::Board].into_iter().flat_map(|s| answer.alignment.side(s).sites.iter().map(|f| f.state));
    let mut when = |there: &dyn Fn(SiteState) -> bool, sign: Sign, text: &str| {
        if states().any(there) {
            told.push((sign, text.to_owned()));
        }
    };
    when(&|s| s == SiteState::Absent, Sign::Absent, words::MARK_ABSENT);
    when(&|s| s == SiteState::Hidden, Sign::Hidden, words::MARK_HIDDEN);
    when(&|s| s == SiteState::Suspect(SuspectKind::Bridge), Sign::Bridge, words::MARK_BRIDGE);
    when(&|s| matches!(s, SiteState::Suspect(SuspectKind::Small | SuspectKind::Large)), Sign::Size, words::MARK_SIZE);
    when(&|s| s == SiteState::Suspect(SuspectKind::Displaced), Sign::Displaced, words::MARK_DISPLACED);
    when(&|s| s == SiteState::Suspect(SuspectKind::Odd), Sign::Odd, words::MARK_ODD);
    told
}

/// Draws the legend with its upper left corner at that of `area`.
pub fn draw(canvas: &mut Canvas, faces: &Faces, area: &Area, unit_px: f32, legend: &Legend) {
    let u = unit_px;
    for entry in &legend.entries {
        let at = Xy::new(area.x + entry.area.x, area.y + entry.area.centre().y);
        sign(canvas, at.by(15.0 * u, 0.0), u, entry.sign);
        faces.draw(canvas, Type::text(SIZE * u, ink::PAPER), at.by(SIGN * u, 0.0), &entry.text);
    }
}

fn sign(canvas: &mut Canvas, at: Xy, u: f32, sign: Sign) {
    let bold = Pen::new(ink::IN_THE_WAY, 2.0 * u);
    let dashed = Pen::new(ink::IN_THE_WAY, 1.6 * u).dashed(4.0 * u, 3.0 * u);
    let r = 9.0 * u;
    match sign {
        Sign::Terminal => canvas.ring(at, r, Pen::new(ink::TERMINAL.covering(0.8), 1.2 * u)),
        Sign::Loud => canvas.ring(at, r, Pen::new(ink::TERMINAL, 2.8 * u)),
        Sign::Land => {
            canvas.ring(at, 0.85 * r, Pen::new(ink::LAND.covering(0.55), u));
            cross(canvas, at, 0.42 * r, Pen::new(ink::LAND, 1.4 * u));
        }
        Sign::MissLine => blade(canvas, at.by(-12.0 * u, 5.0 * u), at.by(14.0 * u, -6.0 * u), 3.4 * u, ink::MISS),
        Sign::Absent => {
            canvas.ring(at, r, dashed);
            canvas.line(at.by(-0.7 * r, 0.7 * r), at.by(0.7 * r, -0.7 * r), bold);
        }
        Sign::Hidden => {
            canvas.ring(at, r, dashed);
            for k in [-0.3, 0.0, 0.3] {
                let (dx, half) = (k * r, 0.45 * r);
                canvas.line(at.by(dx - half, dx + half), at.by(dx + half, dx - half), Pen::new(ink::IN_THE_WAY, u));
            }
        }
        Sign::Bridge => {
            for x in [-10.0, 10.0] {
                canvas.ring(at.by(x * u, 0.0), 5.5 * u, bold);
            }
            for y in [-2.0, 2.0] {
                canvas.line(at.by(-5.0 * u, y * u), at.by(5.0 * u, y * u), Pen::new(ink::IN_THE_WAY, 1.6 * u));
            }
        }
        Sign::Size => {
            canvas.ring(at, 0.55 * r, bold);
            canvas.ring(at, r, dashed);
        }
        Sign::Displaced => {
            canvas.ring(at.by(-4.0 * u, 0.0), 0.85 * r, dashed);
            canvas.ring(at.by(4.0 * u, 0.0), 0.85 * r, bold);
        }
        Sign::Odd => {
            canvas.ring(at, 0.6 * r, bold);
            for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
                let corner = at.by(sx * r, sy * r);
                canvas.polyline(&[corner.by(-sx * 0.5 * r, 0.0), corner, corner.by(0.0, -sy * 0.5 * r)], Ends::Open, bold);
            }
        }
    }
}
