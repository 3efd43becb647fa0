//! The desk: part, bench and job, and what the pages show of them. It takes looks and commands; time comes from outside.

use super::calibrating::{Calibrating, Order};
use super::files_shown::{panel_of_bench, panel_of_part, seen_of_part};
use super::job::{Finding, Job, JobState};
use super::shown::{AcceptedPanel, AfterPanel, BenchPanel, Exposure, PartPanel, PictureState, RehearsalPanel, Sentence, Shown, Tone};
use super::subject::{BenchFile, PartFile};
use super::{ground, panel, result};
use crate::commands::align::Answer;
use crate::commands::calibrate::undo::undo;
use crate::commands::calibrated;
use crate::overlay::text::Faces;
use crate::overlay::{self, MarkSize};
use crate::pictures;
use crate::settings::Settings;
use crate::sources::Needs;
use crate::words;
use crate::words::{answer, sentences};
use anyhow::Context;
use landfit_calibration::bench::{Adjuster, Bench, Reads};
use landfit_calibration::moves::Known;
use landfit_camera::Frame;
use landfit_part::text_file::save;
use landfit_part::{Existing, FileError, Part, Side};
use landfit_vision::answer::Alignment;
use landfit_vision::{Optics, Picture};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

/// How new the picture is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sight {
    /// Pictures come.
    Fresh,
    /// They do not come any more.
    Old,
}

/// How things stood when a look was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Repose {
    /// They move.
    Moving,
    /// The picture is still; whether part and board rest, two looks tell.
    Still,
    /// They rest: the look was taken when they did.
    AtRest,
}

/// What the pages ask for.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// The pedal.
    GoOn,
    /// The hold came to its end.
    Accept(Accepting),
    /// What was accepted is withdrawn.
    Withdraw,
    /// The job is over; the next part.
    NextPart,
    /// The person has set something.
    Settings(Box<Settings>),
    /// What of it is to be kept, and in which file.
    KeepSettings(Box<Settings>, PathBuf),
    /// Another part file.
    TakePart(PathBuf),
    /// A scanner's code: it chooses the part file of that name; any other is the serial number.
    Scanned(String),
    /// A part that was made on the Part page is written to a new file, and taken.
    WritePart {
        /// The file's text.
        text: String,
        /// Where.
        file: PathBuf,
    },
    /// Another bench file.
    TakeBench(PathBuf),
    /// The bench is written to a new file, and taken from there.
    WriteBench(PathBuf),
    /// Of a calibration.
    Calibrate(Order),
    /// What an adjuster reads now, in its own unit.
    Reading(String, Option<f64>),
    /// Measures stored pictures.
    Measure(Vec<PathBuf>),
    /// Measures the live picture for the After page.
    MeasureLive,
    /// How many screen px one px of the picture takes.
    PicturePx(f32),
    /// Says something that a page could not do.
    Say(String),
}

/// What goes with accepting.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Accepting {
    /// Why, where it is not within and clear.
    pub reason: String,
    /// Which piece.
    pub serial: String,
    /// Where the first terminal was seen: index into [`words::CORNERS`].
    pub first_seen: Option<usize>,
}

/// A look as it was measured.
#[derive(Clone)]
struct Look {
    frame: Arc<Frame>,
    answer: Answer,
}

/// What was accepted, with all that its record needs.
struct Accepted {
    said: result::Said,
    text: String,
    time: String,
    folder: Option<PathBuf>,
    trouble: Option<String>,
    /// The look that the record holds.
    recorded: Look,
    /// The newest look since that is at least as good, and the mean of its rest as far as it was taken: the record's, once the optics have left.
    last_good: Option<(Look, Option<Arc<Frame>>)>,
}

/// The desk.
pub struct Desk {
    /// The part file.
    pub part: PartFile,
    /// The bench file.
    pub bench: BenchFile,
    /// The job.
    job: Job,
    settings: Settings,
    faces: Faces,
    look: Option<Look>,
    exposures: Vec<Exposure>,
    picture_px: f32,
    sight: Sight,
    source: String,
    source_text: String,
    source_advice: String,
    accepted: Option<Accepted>,
    after: AfterPanel,
    /// The newest pictures do not go with the bench: said until some do.
    unfit: Option<String>,
    /// What came of the last command, said until the next.
    trouble: Option<String>,
    rehearsal: Option<RehearsalPanel>,
    /// What is shown of part and bench, made anew when one of them or the unit changes.
    part_panel: PartPanel,
    bench_panel: BenchPanel,
    average: Option<Arc<Frame>>,
    /// The newest pictures, whatever they show, and whether they have come to rest.
    newest: Option<Arc<Frame>>,
    is_still: bool,
    /// Another part or bench was taken since the newest pictures came.
    is_by_others: bool,
    calibrating: Option<Calibrating>,
    calibrated: Option<String>,
    serial: Option<(u64, String)>,
    prompt: Option<String>,
    /// Single pictures come, and a look only when it is asked for.
    previews: bool,
    number: u64,
}

impl Desk {
    /// A desk with nothing seen yet.
    ///
    /// # Errors
    /// Only if the typefaces that the program carries are broken.
    pub fn new(part: PartFile, bench: BenchFile, settings: Settings) -> anyhow::Result<Self> {
        let mut job = Job::new(Arc::clone(&part.part), Arc::clone(&bench.bench), Known::default());
        job.tell_as(settings.turns);
        let (part_panel, bench_panel) = (panel_of_part(&part, settings.lengths), panel_of_bench(&bench));
        Ok(Self {
            part,
            bench,
            job,
            settings,
            faces: Faces::load()?,
            look: None,
            exposures: Vec::new(),
            picture_px: 0.6,
            sight: Sight::Fresh,
            source: String::new(),
            source_text: String::new(),
            source_advice: String::new(),
            accepted: None,
            after: AfterPanel::default(),
            unfit: None,
            trouble: None,
            rehearsal: None,
            part_panel,
            bench_panel,
            average: None,
            newest: None,
            is_still: false,
            is_by_others: false,
            calibrating: None,
            calibrated: None,
            serial: None,
            prompt: None,
            previews: false,
            number: 0,
        })
    }

    /// What the bench needs of its source.
    #[must_use]
    pub fn needs(&self) -> Needs {
        Needs::of(&self.bench.bench)
    }

    /// A single picture of a bench that takes several for one look: shown where nothing measured is, or where that has moved; never measured.
    pub fn preview(&mut self, frame: &Frame, moves: bool) {
        self.previews = true;
        if moves || self.prompt.is_some() || self.exposures.is_empty() {
            self.show_plain(frame);
        }
    }

    /// What the person is asked to do for the next look; tells whether that is new.
    pub fn prompt(&mut self, prompt: Option<String>) -> bool {
        let is_new = self.prompt != prompt;
        self.prompt = prompt;
        is_new
    }

    /// Takes in one look.
    pub fn look(&mut self, frame: &Arc<Frame>, repose: Repose, now_s: f64) {
        (self.newest, self.is_still, self.is_by_others) = (Some(Arc::clone(frame)), repose != Repose::Moving, false);
        let start = Instant::now();
        let fits = frame
            .pictures
            .iter()
            .try_for_each(|p| calibrated::check_kind(&self.bench.record, words::THIS_PICTURE, &pictures::kind(p, frame.from_jpeg)));
        let alignment = match fits.and_then(|()| measure(&frame.pictures, &self.part, &self.bench)) {
            Ok(alignment) => alignment,
            Err(error) => {
                // What was measured before is not of these pictures: it is neither shown nor accepted any more.
                let text = words::picture_does_not_fit(&format!("{error:#}"));
                self.look = None;
                self.job.lost(text.clone());
                self.unfit = Some(text);
                self.show_plain(frame);
                return;
            }
        };
        let took_ms = start.elapsed().as_secs_f64() * 1e3;
        self.take_in(frame, alignment, repose, took_ms, now_s);
    }

    /// The newest pictures, once after another part or bench was taken: where no others are to come, they are measured by these.
    #[must_use]
    pub fn take_unmeasured(&mut self) -> Option<Arc<Frame>> {
        if std::mem::take(&mut self.is_by_others) { self.newest.clone() } else { None }
    }

    /// Takes in a look that was measured.
    pub fn take_in(&mut self, frame: &Arc<Frame>, alignment: Alignment, repose: Repose, took_ms: f64, now_s: f64) {
        self.unfit = None;
        match repose {
            Repose::Moving => self.job.look(&alignment, false, now_s),
            Repose::Still => self.job.look(&alignment, true, now_s),
            Repose::AtRest => self.job.look_at_rest(&alignment, now_s),
        }
        let fit = self.job.found().map(|f| (f.advice.judgement, f.advice.plan.clone()));
        let answer = Answer { alignment, fit, total_ms: took_ms };
        self.show(frame, &answer);
        let look = Look { frame: Arc::clone(frame), answer };
        self.follow_accepted(look);
    }

    /// Tells how the source is doing.
    pub fn source(&mut self, name: &str, sight: Sight, text: &str, advice: &str) {
        name.clone_into(&mut self.source);
        text.clone_into(&mut self.source_text);
        advice.clone_into(&mut self.source_advice);
        self.sight = sight;
    }

    /// The job, to look at.
    #[must_use]
    pub const fn job(&self) -> &Job {
        &self.job
    }

    /// Pictures will come from somewhere else: what was seen so far, and what is known of the screws, is of another bench.
    pub fn change_source(&mut self) {
        self.finish_record();
        (self.average, self.newest, self.prompt, self.previews) = (None, None, None, false);
        self.exposures.clear();
        self.begin_anew(Known::default());
    }

    /// A camera sees nothing but the dark: its pictures never come as looks, but what was accepted is placed now.
    pub fn dark(&mut self) {
        self.job.dark();
        if self.job.state() == JobState::Placed {
            self.finish_record();
        }
    }

    /// The rehearsal's own controls, where it is the source.
    pub fn rehearsal(&mut self, optics_in: Option<bool>) {
        self.rehearsal = optics_in.map(|optics_in| RehearsalPanel {
            screws: self.bench.bench.adjusters.iter().map(|a| (a.name.clone(), click_turns(a))).collect(),
            optics_in,
        });
    }

    /// The mean of the looks of this rest: what is recorded, where it says the same as the last look and more surely.
    pub fn average(&mut self, average: Option<Arc<Frame>>) {
        self.average = average;
    }

    /// Whether the mean of a rest is wanted with every look: something is accepted, and the optics may leave.
    #[must_use]
    pub const fn wants_averages(&self) -> bool {
        self.accepted.is_some()
    }

    /// Whether there is a mean of this rest.
    #[must_use]
    pub const fn has_average(&self) -> bool {
        self.average.is_some()
    }

    /// The mean of a look's rest, measured; `None` where there is none, or where it would be judged otherwise than the look.
    fn steady(&self, average: Option<Arc<Frame>>, look: &Look) -> Option<Look> {
        let (frame, (judged, plan)) = (average?, look.answer.fit.as_ref()?);
        let alignment = measure(&frame.pictures, &self.part, &self.bench).ok()?;
        let mut job = self.job.anew();
        job.look(&alignment, true, 0.0);
        let steady = job.found()?;
        let same = steady.advice.judgement.decision == judged.decision && steady.clear == look.answer.alignment.is_clear();
        let fit = (steady.advice.judgement, plan.clone());
        same.then_some(Look { frame, answer: Answer { alignment, fit: Some(fit), total_ms: 0.0 } })
    }

    /// Does what a page asked for. `time`: now, as RFC 3339.
    pub fn command(&mut self, command: Command, now_s: f64, time: &str) {
        // Said until the person does something else: not what the window tells by itself, nor what is set while reading it.
        if !matches!(command, Command::PicturePx(_) | Command::Settings(_) | Command::KeepSettings(..)) {
            self.trouble = None;
        }
        match command {
            Command::GoOn => self.job.go_on(now_s),
            Command::Accept(accepting) => self.accept(&accepting, time),
            Command::Withdraw => self.withdraw(time),
            Command::NextPart => self.next_part(),
            Command::Settings(settings) => {
                self.settings = *settings;
                self.job.tell_as(self.settings.turns);
                self.part_panel = panel_of_part(&self.part, self.settings.lengths);
            }
            Command::KeepSettings(settings, file) => {
                if let Err(error) = settings.write(&file) {
                    self.trouble = Some(format!("{error:#}"));
                }
            }
            Command::TakePart(path) => match PartFile::read(&path) {
                Ok(part) => self.take_part(part),
                Err(error) => self.trouble = Some(format!("{error:#}")),
            },
            Command::Scanned(code) => match self.settings.parts.as_deref().and_then(|folder| part_file(folder, &code)) {
                Some(path) => self.command(Command::TakePart(path), now_s, time),
                None => self.serial = Some((self.serial.as_ref().map_or(1, |(n, _)| n + 1), code)),
            },
            Command::WritePart { text, file } => {
                match write_new(&file, &text).and_then(|()| PartFile::parse(text, file.display().to_string())) {
                    Ok(part) => self.take_part(part),
                    Err(error) => self.trouble = Some(format!("{error:#}")),
                }
            }
            Command::TakeBench(path) => match BenchFile::read(&path) {
                Ok(bench) => {
                    (self.calibrating, self.calibrated) = (None, None);
                    self.job.known = Known::default();
                    self.change_bench(bench);
                }
                Err(error) => self.trouble = Some(format!("{error:#}")),
            },
            Command::WriteBench(file) => match write_new(&file, &self.bench.text).and_then(|()| BenchFile::read(&file)) {
                Ok(bench) => self.change_bench(bench),
                Err(error) => self.trouble = Some(format!("{error:#}")),
            },
            Command::Calibrate(order) => {
                if let Err(error) = self.calibrate(order, time) {
                    self.trouble = Some(format!("{error:#}"));
                }
            }
            Command::Reading(name, shown) => {
                let adjuster = self.bench.bench.adjusters.iter().find(|a| a.name == name);
                let turns = shown.zip(adjuster).map(|(shown, adjuster)| adjuster.scale.turns(shown));
                self.job.set_reading(&name, turns);
            }
            Command::Measure(paths) => self.measure_stored(&paths),
            Command::MeasureLive => self.measure_live(),
            Command::PicturePx(px) => {
                self.picture_px = px.clamp(0.05, 20.0);
                // A stored look comes but once: its marks are drawn anew for the size at which it is shown now.
                if let Some(look) = self.look.clone().filter(|l| l.frame.pictures.len() == self.exposures.len()) {
                    self.show(&look.frame, &look.answer);
                }
            }
            Command::Say(text) => self.trouble = Some(text),
        }
    }

    /// Takes another part; what is known of the screws stays known.
    pub fn take_part(&mut self, part: PartFile) {
        // With the part that it was accepted with.
        self.finish_record();
        self.part = part;
        self.part_panel = panel_of_part(&self.part, self.settings.lengths);
        self.is_by_others = true;
        self.begin_anew(self.job.known.clone());
    }

    /// The same bench by another file, or by its file as it is now: what is known of the screws stays known.
    fn change_bench(&mut self, bench: BenchFile) {
        self.finish_record();
        self.bench = bench;
        self.bench_panel = panel_of_bench(&self.bench);
        self.is_by_others = true;
        self.begin_anew(self.job.known.clone());
    }

    fn calibrate(&mut self, order: Order, time: &str) -> anyhow::Result<()> {
        match (order, &mut self.calibrating) {
            (Order::Begin(begin), calibrating) => {
                *calibrating = Some(Calibrating::begin(&begin, &self.bench, &self.part.part)?);
                self.calibrated = None;
            }
            (Order::Take(reading), Some(calibrating)) => {
                let frame = self.average.as_ref().or(self.newest.as_ref()).context(words::NO_LOOK_YET)?;
                anyhow::ensure!(self.is_still && self.sight == Sight::Fresh, words::NOT_STILL);
                calibrating.take(frame, reading, time);
            }
            (Order::PassOver, Some(calibrating)) => calibrating.pass_over(),
            (Order::TakeBack, Some(calibrating)) => calibrating.take_back(),
            (Order::Keep, Some(calibrating)) => {
                let kept = calibrating.keep(time)?;
                self.calibrating = None;
                self.read_bench_again(kept)?;
            }
            (Order::Leave, calibrating) => *calibrating = None,
            (Order::Undo, _) => {
                let path = self.bench.path.as_deref().context(words::BENCH_HAS_NO_FILE)?;
                let undone = undo(path)?;
                self.calibrating = None;
                self.read_bench_again(undone)?;
            }
            (_, None) => {}
        }
        Ok(())
    }

    fn read_bench_again(&mut self, said: String) -> anyhow::Result<()> {
        let path = self.bench.path.clone().context(words::BENCH_HAS_NO_FILE)?;
        self.change_bench(BenchFile::read(&path)?);
        self.calibrated = Some(said);
        Ok(())
    }

    fn begin_anew(&mut self, known: Known) {
        self.job = Job::new(Arc::clone(&self.part.part), Arc::clone(&self.bench.bench), known);
        self.job.tell_as(self.settings.turns);
        self.accepted = None;
        self.look = None;
        self.unfit = None;
    }

    /// The job is over.
    fn next_part(&mut self) {
        self.finish_record();
        self.job.begin_again();
        self.accepted = None;
    }

    /// Index into [`words::CORNERS`] of where the first terminal is to be seen, where there is a fit.
    #[must_use]
    pub fn expected_first(&self) -> Option<usize> {
        expected_corner(&self.part.part, &self.job.found()?.fit.bench_from_part)
    }

    fn accept(&mut self, accepting: &Accepting, time: &str) {
        let reason = accepting.reason.trim();
        let (Some(look), Some(found)) = (&self.look, self.job.found()) else { return };
        let with_reason = panel::not_acceptable(&self.job, self.sight).is_some();
        let reason_counts = panel::is_acceptable_with_reason(&self.job, self.sight) && reason.chars().count() >= LEAST_REASON;
        if with_reason && !reason_counts {
            return;
        }
        if found.open {
            let expected = self.expected_first();
            let first = answer::first_name(&self.part.part);
            match accepting.first_seen {
                None => return,
                Some(seen) if Some(seen) != expected => {
                    let [seen, expected] = [Some(seen), expected].map(|c| c.and_then(|c| words::CORNERS.get(c)).copied().unwrap_or("?"));
                    self.trouble = Some(words::turned_round(first, seen, expected));
                    return;
                }
                Some(_) => {}
            }
        }
        let judgement = &found.advice.judgement;
        let units = self.settings.lengths;
        let clock = time.get(11..16).unwrap_or(time);
        let mut text = words::accepted(
            sentences::terminal_word(&self.part.part),
            sentences::site_name(&self.part.part, judgement.site),
            &units.text(judgement.miss_mm),
            &units.fine_text(judgement.u_mm),
            clock,
        );
        if with_reason {
            text = format!("{text} {}", words::accepted_with(reason));
        }
        let said = result::Said {
            initials: self.settings.initials.trim().to_owned(),
            serial: accepting.serial.trim().to_owned(),
            reason: with_reason.then(|| reason.to_owned()),
            first_seen: accepting.first_seen.and_then(|c| words::CORNERS.get(c)).copied(),
        };
        let recorded = self.steady(self.average.clone(), look).unwrap_or_else(|| look.clone());
        let kept = self.keep(&recorded, &said, time, "accepted", None);
        let (folder, trouble) = match kept {
            Ok(folder) => (Some(folder), None),
            Err(error) => (None, Some(format!("{error:#}"))),
        };
        if let Some(folder) = &folder {
            self.after.kept.push((text.clone(), folder.clone()));
        }
        self.accepted = Some(Accepted { said, text, time: time.to_owned(), folder, trouble, recorded, last_good: None });
        self.job.accept();
    }

    fn keep(&self, look: &Look, said: &result::Said, time: &str, state: &str, again: Option<&Path>) -> anyhow::Result<PathBuf> {
        let whole = result::Whole {
            pictures: &look.frame.pictures,
            answer: &look.answer,
            part: &self.part,
            bench: &self.bench,
            said,
            source: (&self.source, look.frame.number),
            time,
            state,
        };
        result::keep(&self.settings.results_folder(), again, &whole)
    }

    fn withdraw(&mut self, time: &str) {
        let Some(accepted) = self.accepted.take() else { return };
        self.job.withdraw();
        // Only its state changes: the pictures that were accepted stay what they were, whatever is seen by now.
        if let Some(folder) = &accepted.folder
            && let Err(error) = self.keep(&accepted.recorded, &accepted.said, &accepted.time, &format!("withdrawn {time}"), Some(folder))
        {
            self.trouble = Some(format!("{error:#}"));
        }
    }

    /// Keeps the newest look; one that is still good after accepting is the one to be recorded once the optics leave.
    fn follow_accepted(&mut self, look: Look) {
        let state = self.job.state();
        let good = state == JobState::GoodToPlace && self.job.is_at_rest();
        let left = state == JobState::Placed;
        if let Some(accepted) = &mut self.accepted {
            if good && accepted.said.reason.is_none() {
                accepted.last_good = Some((look.clone(), self.average.clone()));
            }
            if left {
                self.finish_record();
            }
        }
        self.look = Some(look);
    }

    /// The optics have left: the record becomes that of the last good picture, the mean of its rest where that says the same.
    fn finish_record(&mut self) {
        let Some(accepted) = &mut self.accepted else { return };
        let (Some((look, average)), Some(folder)) = (accepted.last_good.take(), accepted.folder.clone()) else { return };
        let (said, time) = (accepted.said.clone(), accepted.time.clone());
        let look = self.steady(average, &look).unwrap_or(look);
        let kept = self.keep(&look, &said, &time, "accepted", Some(&folder));
        match (kept, &mut self.accepted) {
            (Ok(_), Some(accepted)) => accepted.recorded = look,
            (Ok(_), None) => {}
            (Err(error), _) => self.trouble = Some(format!("{error:#}")),
        }
    }

    fn measure_stored(&mut self, paths: &[PathBuf]) {
        let read = paths.iter().map(|p| pictures::read(p)).collect::<anyhow::Result<Vec<_>>>();
        let fitting = read.and_then(|shots| calibrated::check_format(&self.bench.record, paths, &shots).map(|()| shots));
        self.after.measured = match fitting {
            Ok(pictures) => self.measured_again(&pictures),
            Err(error) => vec![Sentence { tone: Tone::Mind, text: format!("{error:#}") }],
        };
    }

    fn measure_live(&mut self) {
        self.after.measured = match self.look.as_ref().map(|l| Arc::clone(&l.frame)) {
            Some(frame) => self.measured_again(&frame.pictures),
            None => vec![Sentence { tone: Tone::Mind, text: words::NO_LOOK_YET.to_owned() }],
        };
    }

    /// A measurement of its own: no job follows it.
    fn measured_again(&self, pictures: &[Picture]) -> Vec<Sentence> {
        let alignment = match measure(pictures, &self.part, &self.bench) {
            Ok(alignment) => alignment,
            Err(error) => return vec![Sentence { tone: Tone::Mind, text: format!("{error:#}") }],
        };
        let mut job = self.job.anew();
        job.look(&alignment, true, 0.0);
        let fit = job.found().map(|f| (f.advice.judgement, f.advice.plan.clone()));
        let answer = Answer { alignment, fit, total_ms: 0.0 };
        let shown = panel::align(&job, Some(&answer), Sight::Fresh, self.settings.lengths);
        shown.sentences
    }

    fn show_plain(&mut self, frame: &Frame) {
        let frame_of_bench = &self.bench.bench.optics.frame;
        self.exposures = frame
            .pictures
            .iter()
            .map(|p| Exposure { image: Arc::new(ground::ground(p, frame_of_bench)), strokes: Arc::default(), caption: String::new() })
            .collect();
    }

    fn show(&mut self, frame: &Frame, answer: &Answer) {
        let bench = &*self.bench.bench;
        let scales = [&answer.alignment.terminals, &answer.alignment.lands].map(|side| side.scale.unwrap_or(1.0));
        let seen_through = Bench { optics: landfit_vision::at_scales(&bench.optics, scales), ..bench.clone() };
        let size = MarkSize { line_px: (1.25 / self.picture_px).clamp(0.6, 4.0), label_px: (15.0 / self.picture_px).clamp(8.0, 60.0) };
        let n = frame.pictures.len();
        self.exposures = frame
            .pictures
            .iter()
            .enumerate()
            .map(|(i, picture)| {
                let px = [picture.width_px as u32, picture.height_px as u32];
                let strokes = overlay::strokes(&self.faces, i, px, answer, &self.part.part, &seen_through, size).map(|(s, _)| s);
                Exposure {
                    image: Arc::new(ground::ground(picture, &bench.optics.frame)),
                    strokes: Arc::new(strokes.unwrap_or_default()),
                    caption: overlay::caption_text(i, n, bench),
                }
            })
            .collect();
    }

    /// What the pages show now.
    pub fn shown(&mut self) -> Shown {
        self.number += 1;
        let answer = self.look.as_ref().map(|l| &l.answer);
        let mut align = panel::align(&self.job, answer, self.sight, self.settings.lengths);
        if let Some(accepted) = &self.accepted {
            align.accepted =
                Some(AcceptedPanel { text: accepted.text.clone(), folder: accepted.folder.clone(), trouble: accepted.trouble.clone() });
        }
        if self.previews && self.prompt.is_none() && self.job.finding().is_none() {
            words::GO_ON_TAKES_A_LOOK.clone_into(&mut align.headline);
        }
        let picture = match (self.sight, self.job.finding()) {
            (Sight::Old, _) => PictureState::Old,
            (_, Some(Finding::Refused(_) | Finding::Unusable(_))) => PictureState::CannotTell,
            (_, Some(Finding::Fit(_))) if self.job.is_at_rest() => PictureState::Still,
            _ => PictureState::Looking,
        };
        let picture_text = if picture == PictureState::Old { self.source_text.clone() } else { words::picture_state(picture).to_owned() };
        Shown {
            number: self.number,
            taken: self.look.as_ref().map(|l| (l.frame.taken, l.frame.number)),
            needs: self.needs(),
            prompt: self.prompt.clone(),
            picture,
            picture_text,
            picture_advice: self.source_advice.clone(),
            source: self.source.clone(),
            exposures: self.exposures.clone(),
            part: self.part_panel(),
            bench: self.bench_panel(),
            after: self.after.clone(),
            rehearsal: self.rehearsal.clone(),
            serial: self.serial.clone(),
            trouble: self.unfit.clone().or_else(|| self.trouble.clone()),
            align,
        }
    }

    fn part_panel(&self) -> PartPanel {
        let (seen, marked) = self.look.as_ref().map_or_else(Default::default, |l| seen_of_part(&l.answer.alignment, &self.part.part));
        PartPanel { seen, marked, ..self.part_panel.clone() }
    }

    fn bench_panel(&self) -> BenchPanel {
        let mut panel = BenchPanel {
            calibrating: self.calibrating.as_ref().map(Calibrating::panel),
            calibrated: self.calibrated.clone(),
            ..self.bench_panel.clone()
        };
        for (shown, adjuster) in panel.adjusters.iter_mut().zip(&self.bench.bench.adjusters) {
            let reading = self.job.known.reading_turns.get(&adjuster.name);
            shown.reading = reading.map(|t| sentences::reading_number(adjuster.scale.shown(*t)));
        }
        panel
    }
}

/// A reason is some letters at least.
pub const LEAST_REASON: usize = 3;

/// Measures; what the calibration does not know is counted in.
///
/// # Errors
/// One sentence when pictures and bench do not go together.
pub fn measure(pictures: &[Picture], part: &PartFile, bench: &BenchFile) -> anyhow::Result<Alignment> {
    let optics: &Optics = &bench.bench.optics;
    let mut alignment = landfit_vision::align(pictures, &part.part, optics)?;
    calibrated::widen(&mut alignment, &part.part, optics, &bench.record);
    alignment.warnings.extend(bench.unread.clone());
    Ok(alignment)
}

/// Writes a file that is not there yet.
fn write_new(file: &Path, text: &str) -> anyhow::Result<()> {
    save(file, text, Existing::Keep).map_err(|error| match error {
        FileError::Exists { .. } => anyhow::anyhow!(words::another_name(&error.to_string())),
        other => other.into(),
    })
}

/// The part file in `folder` that a scanned code names: by its whole name, or without its ending. Only what lies in the folder itself.
fn part_file(folder: &Path, code: &str) -> Option<PathBuf> {
    let files = std::fs::read_dir(folder).ok()?;
    let mut paths: Vec<PathBuf> = files.flatten().map(|f| f.path()).filter(|p| p.extension().is_some_and(|e| e == "toml")).collect();
    paths.sort();
    paths.into_iter().find(|p| p.file_stem().is_some_and(|s| s == code) || p.file_name().is_some_and(|n| n == code))
}

/// Index into [`words::CORNERS`] of the corner at which the first terminal is to be seen.
#[must_use]
pub fn expected_corner(part: &Part, bench_from_part: &landfit_part::Pose) -> Option<usize> {
    let (_, at_mm) = overlay::first_site(part, Side::Part)?;
    let out = (at_mm - part.body_centre_mm).rotated(bench_from_part.theta_rad);
    Some(usize::from(out.x > 0.0) + 2 * usize::from(out.y < 0.0))
}

/// One click of the rehearsal's screws, turns.
#[must_use]
pub fn click_turns(adjuster: &Adjuster) -> f64 {
    match (adjuster.reads, adjuster.divisions) {
        (Reads::Divisions, Some(n)) => 1.0 / f64::from(n.max(1)),
        (Reads::Steps, _) => 1.0,
        _ => 0.02,
    }
}
