//! What the pages show: finished strings and shapes. A page draws them and asks for nothing else.

use super::job::JobState;
use crate::overlay::canvas::Strokes;
use crate::overlay::thimble::Place;
use crate::sources::Needs;
use eframe::egui::ColorImage;
use landfit_part::Part;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

/// Everything that the window shows.
#[derive(Debug, Clone)]
pub struct Shown {
    /// Counts what was shown: tests tell by it whether anything was asked for.
    #[cfg_attr(not(test), allow(dead_code, reason = "only tests ask"))]
    pub number: u64,
    /// When the picture came that was measured last, and its number.
    pub taken: Option<(Instant, u64)>,
    /// The picture's state.
    pub picture: PictureState,
    /// What it is called, with its reason where it has one.
    pub picture_text: String,
    /// What to do about it, where there is something.
    pub picture_advice: String,
    /// Where pictures come from.
    pub source: String,
    /// What the bench needs of its source.
    pub needs: Needs,
    /// What the person is asked to do for the next look: which light to switch on.
    pub prompt: Option<String>,
    /// The exposures.
    pub exposures: Vec<Exposure>,
    /// The Align page.
    pub align: AlignPanel,
    /// The Part page.
    pub part: PartPanel,
    /// The Bench page.
    pub bench: BenchPanel,
    /// The After page.
    pub after: AfterPanel,
    /// The rehearsal's own controls; `None` with any other source.
    pub rehearsal: Option<RehearsalPanel>,
    /// The serial number that was scanned last, and which scan of one it was.
    pub serial: Option<(u64, String)>,
    /// Something that went wrong and must be said on every page.
    pub trouble: Option<String>,
}

/// The states of the picture, in the words of the screens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureState {
    /// No picture yet, or things move.
    Looking,
    /// Pictures that settle nothing.
    CannotTell,
    /// Things rest.
    Still,
    /// No new picture comes.
    Old,
}

/// One exposure under its marks.
#[derive(Debug, Clone)]
pub struct Exposure {
    /// The toned picture.
    pub image: Arc<ColorImage>,
    /// Marks, in px of the picture.
    pub strokes: Arc<Strokes>,
    /// What it shows.
    pub caption: String,
}

/// What kind of sentence one is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// To be read first.
    Plain,
    /// Besides.
    Quiet,
    /// Did not go as told, or stands in the way.
    Mind,
}

/// A sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sentence {
    /// How it is to be read.
    pub tone: Tone,
    /// The sentence.
    pub text: String,
}

/// The move to make now.
#[derive(Debug, Clone, PartialEq)]
pub struct NextMove {
    /// "the rotation", "X".
    pub name: String,
    /// The number, large: "13", "1 + 8".
    pub digits: String,
    /// "divisions", "turn + divisions", "of a turn".
    pub unit: String,
    /// "clockwise".
    pub sense: String,
    /// Play, reading to turn to: what to know of this move.
    pub extra: Vec<String>,
}

/// The Align page.
#[derive(Debug, Clone, Default)]
pub struct AlignPanel {
    /// The job's state; `None` before the first look.
    pub state: Option<JobState>,
    /// Its word.
    pub state_text: String,
    /// The headline.
    pub headline: String,
    /// The move to make now.
    pub next: Option<NextMove>,
    /// The moves after it, one line each.
    pub then: Vec<String>,
    /// All else, the first first.
    pub sentences: Vec<Sentence>,
    /// The landing plot.
    pub landing: Option<Landing>,
    /// The thimble strips, in the bench's order.
    pub strips: Vec<Strip>,
    /// What stands in the way, enlarged.
    pub spots: Vec<Spot>,
    /// Views of parts of the pattern, at their places.
    pub corners: Vec<Corner>,
    /// What the person must look at before going on: "A1".
    pub confirm: Option<String>,
    /// What keeps from accepting; `None` where nothing does.
    pub not_acceptable: Option<String>,
    /// With a reason typed it may be accepted all the same.
    pub acceptable_with_reason: bool,
    /// What was accepted.
    pub accepted: Option<AcceptedPanel>,
    /// What to expect on the board.
    pub expected: String,
    /// How many times the miss lines are magnified.
    pub magnification: Option<u32>,
    /// Worst miss over the allowance, for the sound; and from which side it comes.
    pub nearness: Option<f64>,
}

/// What was accepted.
#[derive(Debug, Clone, PartialEq)]
pub struct AcceptedPanel {
    /// What was accepted, in a sentence.
    pub text: String,
    /// Where the result is.
    pub folder: Option<PathBuf>,
    /// Why it could not be kept.
    pub trouble: Option<String>,
}

/// The landing plot: mm about where each terminal should land, y away from the operator.
#[derive(Debug, Clone, PartialEq)]
pub struct Landing {
    /// Every terminal's miss.
    pub points_mm: Vec<[f64; 2]>,
    /// The worst one's.
    pub worst_mm: [f64; 2],
    /// Its uncertainty.
    pub u_mm: f64,
    /// Its name.
    pub worst: String,
    /// The allowance, as a circle.
    pub allowed_mm: f64,
    /// The allowance, as text.
    pub allowed_text: String,
    /// The way that the pattern's middle went, the oldest first.
    pub trail_mm: Vec<[f64; 2]>,
    /// The largest miss after the moves.
    pub left_mm: Option<f64>,
}

/// One thimble strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// Index into the bench's adjusters.
    pub adjuster: usize,
    /// Its name.
    pub name: String,
    /// Where it stands round the plot.
    pub place: Place,
    /// The only bright one.
    pub is_next: bool,
    /// "first", "then", "done", "stays".
    pub word: String,
    /// The number to turn still, and what it counts: "13", "divisions".
    pub amount: Option<[String; 2]>,
    /// "clockwise", where it is to be turned.
    pub sense: String,
    /// Graduations on the thimble; `None` for a knob or a jog control.
    pub divisions: Option<u32>,
    /// What is left to turn, clockwise positive.
    pub left_turns: f64,
    /// The number that stands at the line when the move is made, in divisions.
    pub target_division: f64,
    /// +1 where numbers rise along the strip (right or down), else -1.
    pub rising: f32,
    /// +1 where a clockwise turn moves the face along the strip, else -1.
    pub clockwise: f32,
}

/// Something that stands in the way, to be shown enlarged.
#[derive(Debug, Clone, PartialEq)]
pub struct Spot {
    /// "ball C4 absent".
    pub label: String,
    /// Of which exposure.
    pub exposure: usize,
    /// Its middle, px.
    pub centre_px: [f32; 2],
    /// Half the side of what is shown, px.
    pub half_px: f32,
}

/// A view that shows a part of the pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct Corner {
    /// Of which exposure.
    pub exposure: usize,
    /// What is shown of it, px: x, y, width, height.
    pub cut_px: [f32; 4],
    /// Its place on the part, mm from the body's middle, y away: x, y of the middle, width, height.
    pub place_mm: [f64; 4],
    /// Holds the worst site.
    pub is_worst: bool,
    /// "left far: ball A8 41 µm".
    pub label: String,
}

/// The Part page.
#[derive(Debug, Clone)]
pub struct PartPanel {
    /// The part, to be drawn.
    pub part: Arc<Part>,
    /// Where it is from.
    pub from: String,
    /// What it is, in lines.
    pub lines: Vec<String>,
    /// What can hardly be meant in its file.
    pub findings: Vec<String>,
    /// What was seen of this very part and board.
    pub seen: Vec<Sentence>,
    /// Index of sites that stand in the way, with a word each.
    pub marked: Vec<(usize, String)>,
}

/// The Bench page.
#[derive(Debug, Clone, Default)]
pub struct BenchPanel {
    /// Its name.
    pub name: String,
    /// Where it is from.
    pub from: String,
    /// What it is, in lines.
    pub lines: Vec<String>,
    /// Its calibration.
    pub calibration: Vec<Sentence>,
    /// The calibration under way.
    pub calibrating: Option<CalibratingPanel>,
    /// What came of the last one, or of bringing one back.
    pub calibrated: Option<String>,
    /// It has a file that can be changed.
    pub has_file: bool,
    /// The adjusters: name, what one turn does, and what it reads now where that was told.
    pub adjusters: Vec<AdjusterPanel>,
}

/// A calibration under way.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CalibratingPanel {
    /// Which.
    pub title: String,
    /// What is wanted next; `None` where nothing is.
    pub wanted: Option<String>,
    /// "stop 3 of 20".
    pub progress: String,
    /// The reading that is asked for, in the thimble's unit.
    pub reading: Option<f64>,
    /// What came of the last picture.
    pub said: Vec<Sentence>,
    /// What the pictures say so far.
    pub result: Vec<Sentence>,
    /// What is asked for may be left out.
    pub can_pass_over: bool,
    /// There is a picture to be taken back.
    pub can_take_back: bool,
    /// There is a result to be written.
    pub can_keep: bool,
}

/// One adjuster on the Bench page.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjusterPanel {
    /// Its name.
    pub name: String,
    /// What one turn does.
    pub text: String,
    /// What it reads now, in its own unit.
    pub reading: Option<String>,
    /// Whether it has a reading at all.
    pub has_reading: bool,
}

/// The After page.
#[derive(Debug, Clone, Default)]
pub struct AfterPanel {
    /// What came of measuring again.
    pub measured: Vec<Sentence>,
    /// What was kept in this sitting: what, and where.
    pub kept: Vec<(String, PathBuf)>,
}

/// The rehearsal's own controls.
#[derive(Debug, Clone, PartialEq)]
pub struct RehearsalPanel {
    /// Names of the screws, in the bench's order, and turns of one division (a step, a fiftieth of a turn).
    pub screws: Vec<(String, f64)>,
    /// Whether the optics are in.
    pub optics_in: bool,
}
