//! A calibration that the Bench page leads through, live: the library's steps over the newest look, and the bench file written by the
//! way that the commands take. No window, no clock.

use super::result::{hash, png};
use super::shown::{CalibratingPanel, Sentence, Tone};
use super::subject::BenchFile;
use crate::commands::calibrate::bench_edit::{BenchEdit, day};
use crate::commands::calibrate::shots::Asked;
use crate::commands::calibrate::{day as day_command, lights, scale, screws};
use crate::pictures;
use crate::words;
use anyhow::{Context, bail};
use landfit_calibration::bench::Motion;
use landfit_calibration::guide::{DayResult, DayStep, Lies, LightsStep, RunResult, RunStep, ScaleStep, Shot};
use landfit_calibration::history::{Entry, SCALE};
use landfit_calibration::record::Ruler;
use landfit_calibration::screws::reading::Thimble;
use landfit_calibration::screws::run::Extent;
use landfit_calibration::target::Target;
use landfit_camera::Frame;
use landfit_part::{Part, Side};
use landfit_stats::gum::rectangular;
use landfit_vision::Picture;

/// What is laid before the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TargetChoice {
    /// Dots in rows and columns, mm apart.
    Dots(f64),
    /// Every other row moved by half of the pitch, mm.
    Staggered(f64),
    /// Squares, mm.
    Checkerboard(f64),
    /// The part of the Part page: each view shows its own side of it.
    OwnSides,
    /// The part of the Part page: every view shows this side of it.
    OneSide(Side),
}

/// What a run is.
#[derive(Debug, Clone, PartialEq)]
pub struct RunChoice {
    /// The adjuster's name.
    pub adjuster: String,
    /// What its thimble shows, by the library's word; "turns": as the bench file has it.
    pub thimble: String,
    /// Lowest and highest reading, in the thimble's unit.
    pub between: [f64; 2],
    /// Short, or both ways five times.
    pub extent: Extent,
}

/// Which calibration begins.
#[derive(Debug, Clone, PartialEq)]
pub enum Begin {
    /// The lights, and what the camera does by itself.
    Lights,
    /// Scale, lens, and part view against board view; the ruler may be off by so many percent, where that is known.
    Scale(TargetChoice, Option<f64>),
    /// What an adjuster does.
    Run(RunChoice),
    /// Whether all of it still holds.
    Day(TargetChoice, Lies),
}

/// What the page asks of a calibration.
#[derive(Debug, Clone, PartialEq)]
pub enum Order {
    /// Begins one.
    Begin(Box<Begin>),
    /// Takes the newest look; of a run, what the thimble really reads, in its own unit.
    Take(Option<f64>),
    /// Does without the picture that is asked for.
    PassOver,
    /// Takes the last picture back.
    TakeBack,
    /// Writes what came of it into the bench file.
    Keep,
    /// Ends it without a trace.
    Leave,
    /// Brings the bench file back as it was before the last calibration.
    Undo,
}

/// The commands' sentences name their options; the window has none.
const NO_OPTION: &str = "";

/// A calibration under way.
pub struct Calibrating {
    edit: BenchEdit,
    step: Step,
    /// What came of the last picture.
    said: Vec<Sentence>,
    /// Names and hashes of what was taken, a list for each taking.
    taken: Vec<Vec<(String, String)>>,
    /// The pictures' kind: all must be of one.
    format: Option<String>,
    result: Vec<Sentence>,
    is_whole: bool,
}

enum Step {
    Lights { step: LightsStep, shots: Vec<(Shot, Option<Picture>)> },
    Scale { step: Box<ScaleStep>, ruler: Ruler },
    Run { step: RunStep, adjuster: String, carries: Side, thimble: Thimble, part: Box<Part> },
    Day { asked: Asked, is_common: bool, lies: Lies, result: Option<Box<DayResult>> },
}

fn plain(text: String) -> Sentence {
    Sentence { tone: Tone::Plain, text }
}

fn mind(text: String) -> Sentence {
    Sentence { tone: Tone::Mind, text }
}

impl Calibrating {
    /// Begins one on the bench as its file has it; `part` is the target where the pattern is one.
    ///
    /// # Errors
    /// One sentence: the bench has no file, or what was asked for cannot be.
    pub fn begin(begin: &Begin, bench: &BenchFile, part: &Part) -> anyhow::Result<Self> {
        let path = bench.path.as_deref().context(words::BENCH_HAS_NO_FILE)?;
        let edit = BenchEdit::open(path)?;
        let step = match begin {
            Begin::Lights => Step::Lights { step: LightsStep::new(edit.bench.optics.clone()), shots: Vec::new() },
            Begin::Scale(choice, limit) => {
                let relative = limit.map(|percent| rectangular(percent / 100.0));
                if limit.is_some_and(|percent| !(0.0..=20.0).contains(&percent)) {
                    bail!(words::RULER_LIMIT);
                }
                let ruler = Ruler { name: words::ruler_of(*choice).to_owned(), relative, ..Ruler::default() };
                let target = target(*choice, part)?.context(words::ONE_TARGET)?;
                let step = ScaleStep::new(edit.bench.optics.clone(), &edit.record, target, relative.unwrap_or(0.0));
                Step::Scale { step: Box::new(step), ruler }
            }
            Begin::Run(run) => {
                let adjuster = edit.bench.adjusters.iter().find(|a| a.name == run.adjuster).context(words::WHICH_SCREW)?;
                let as_filed = Thimble::turns(adjuster.divisions.unwrap_or(8));
                let thimble = if run.thimble == words::AS_FILED { Some(as_filed) } else { Thimble::named(&run.thimble) };
                let thimble = thimble.context(words::WHICH_THIMBLE)?;
                let [from, to] = run.between;
                if !(from.is_finite() && to.is_finite()) || (to - from).abs() < 1e-9 {
                    bail!(words::TWO_READINGS);
                }
                let between = [from, to].map(|r| thimble.turns_from_reading(r));
                let step = match adjuster.turn {
                    Motion::Rotation { .. } => RunStep::of_rotation(thimble, run.extent, between),
                    Motion::Shift { .. } => RunStep::of_shift(thimble, run.extent, between),
                    Motion::Tilt { .. } => bail!(words::TILT_DOES_NOT_SHOW),
                };
                let (adjuster, carries) = (adjuster.name.clone(), adjuster.carries);
                Step::Run { step, adjuster, carries, thimble, part: Box::new(part.clone()) }
            }
            Begin::Day(choice, lies) => {
                let common = target(*choice, part)?;
                let is_common = common.is_some();
                let asked = common.map_or_else(|| Asked::pattern(part.clone(), None), Asked::plain);
                Step::Day { asked, is_common, lies: *lies, result: None }
            }
        };
        Ok(Self { edit, step, said: Vec::new(), taken: Vec::new(), format: None, result: Vec::new(), is_whole: false })
    }

    /// Takes a look. One that cannot be used changes nothing and is said.
    /// `time`: now, as RFC 3339.
    pub fn take(&mut self, frame: &Frame, reading: Option<f64>, time: &str) {
        self.said = match self.take_in(frame, reading, time) {
            Ok(said) => said,
            Err(error) => vec![mind(words::not_taken(&format!("{error:#}")))],
        };
        self.see_result();
    }

    fn take_in(&mut self, frame: &Frame, reading: Option<f64>, time: &str) -> anyhow::Result<Vec<Sentence>> {
        let optics = &self.edit.bench.optics;
        let format = pictures::kind(frame.pictures.first().context(words::NO_LOOK_YET)?, frame.from_jpeg);
        if self.format.as_ref().is_some_and(|f| *f != format) {
            bail!(words::another_format(&format, self.format.as_deref().unwrap_or_default()));
        }
        frame.pictures.iter().enumerate().try_for_each(|(index, picture)| optics.frame.fitting(picture, index))?;
        let said = match &mut self.step {
            Step::Lights { step, shots } => {
                let (shot, _) = step.next().context(words::NOTHING_MORE)?;
                let side = if shot == Shot::BoardLight { Side::Board } else { Side::Part };
                let exposure = optics.views.iter().find(|v| v.shows == side).map_or(0, |v| v.exposure);
                let picture = frame.pictures.get(exposure).or(frame.pictures.first()).context(words::NO_LOOK_YET)?;
                step.take(shot, picture.clone());
                shots.push((shot, Some(picture.clone())));
                vec![plain(words::TAKEN.to_owned())]
            }
            Step::Scale { step, .. } => {
                let laid = step.lay(&frame.pictures)?;
                vec![plain(words::laid_down(&laid.marks, laid.covered_share))]
            }
            Step::Run { step, carries, thimble, part, .. } => {
                let stated = step.next().context(words::NOTHING_MORE)?;
                let pose = screws::pose_in(&self.edit, &frame.pictures, *carries, *carries, part)?;
                let turns = reading.map_or(stated.planned.reading_turns, |r| thimble.turns_from_reading(r));
                step.note(turns, pose);
                vec![plain(words::noted(stated.stop + 1, stated.of, &thimble.shown(turns)))]
            }
            Step::Day { asked, is_common, lies, result } => {
                let history = self.edit.history()?;
                let step = DayStep { optics, record: &self.edit.record, history: &history, lies: *lies };
                let today = day(&date_of(time))?;
                *result = Some(Box::new(step.check(&frame.pictures, &|side| asked.of(side), *is_common, today)?));
                Vec::new()
            }
        };
        self.format = Some(format);
        let number = self.taken.len() + 1;
        let named = |(i, p): (usize, &Picture)| Ok((words::live_picture(number, i), hash(&png(p)?)));
        self.taken.push(frame.pictures.iter().enumerate().map(named).collect::<anyhow::Result<_>>()?);
        Ok(said)
    }

    /// Does without the picture that is asked for, where it may.
    pub fn pass_over(&mut self) {
        if let Step::Lights { step, shots } = &mut self.step
            && let Some((shot, wanted)) = step.next()
            && wanted.is_optional
        {
            step.pass_over(shot);
            shots.push((shot, None));
            self.taken.push(Vec::new());
        }
        self.said.clear();
        self.see_result();
    }

    /// Takes the last picture back.
    pub fn take_back(&mut self) {
        if self.taken.pop().is_none() {
            return;
        }
        match &mut self.step {
            Step::Lights { step, shots } => {
                shots.pop();
                *step = LightsStep::new(self.edit.bench.optics.clone());
                for (shot, picture) in shots.iter() {
                    match picture {
                        Some(picture) => step.take(*shot, picture.clone()),
                        None => step.pass_over(*shot),
                    }
                }
            }
            Step::Scale { step, .. } => step.take_back(),
            Step::Run { step, .. } => step.take_back(),
            Step::Day { result, .. } => *result = None,
        }
        if self.taken.is_empty() {
            self.format = None;
        }
        self.said = vec![plain(words::TAKEN_BACK.to_owned())];
        self.see_result();
    }

    /// What the pictures say so far, in sentences.
    fn see_result(&mut self) {
        let optics = &self.edit.bench.optics;
        let told: Result<Vec<String>, String> = match &self.step {
            Step::Lights { step, .. } => match step.result() {
                None => Ok(Vec::new()),
                Some(Ok(learnt)) => Ok(lights::told(&learnt, &words::LIGHT_PICTURES.map(str::to_owned), &optics.frame)),
                Some(Err(error)) => Err(error.to_string()),
            },
            Step::Scale { step, .. } if step.layings() == 0 => Ok(Vec::new()),
            Step::Scale { step, .. } => step.result().map_err(|e| e.to_string()).map(|result| {
                let of = |(i, r)| scale::view_lines(i, optics.views[i].shows, r, None, NO_OPTION);
                let mut lines: Vec<String> = result.views.iter().enumerate().flat_map(of).collect();
                lines.extend(scale::lens_line(&result.fit));
                lines
            }),
            Step::Run { step, .. } if step.stops().len() < LEAST_STOPS => Ok(Vec::new()),
            Step::Run { .. } => self.learnt().map(|l| screws::sentences(&l)).map_err(|e| format!("{e:#}")),
            Step::Day { lies, result, .. } => Ok(result.as_ref().map_or_else(Vec::new, |r| day_command::told(r, optics, *lies, NO_OPTION))),
        };
        self.is_whole = told.as_ref().is_ok_and(|lines| !lines.is_empty());
        self.result = match told {
            Ok(lines) => lines.into_iter().map(|l| plain(l.trim().to_owned())).collect(),
            Err(error) => vec![mind(error)],
        };
        if let Step::Day { result: Some(result), .. } = &self.step {
            let holds = result.holds();
            let verdict = if holds { words::DAY_HOLDS } else { words::DAY_HOLDS_NOT };
            self.result.insert(0, Sentence { tone: if holds { Tone::Plain } else { Tone::Mind }, text: verdict.to_owned() });
        }
    }

    fn learnt(&self) -> anyhow::Result<screws::Learnt> {
        let Step::Run { step, adjuster, carries, thimble, .. } = &self.step else { bail!(words::NOTHING_MORE) };
        let fit = match step.result(screws::sight_uncertainty(&self.edit, *carries))? {
            RunResult::Shift(fit) => screws::Fit::Shift(*fit),
            RunResult::Rotation(fit) => screws::Fit::Rotation(*fit),
        };
        Ok(screws::Learnt::new(adjuster, *thimble, step.stops().to_vec(), fit))
    }

    /// Writes what came of it into the bench file, whole, the former one in its history; of the day's check a note. `time`: RFC 3339.
    ///
    /// # Errors
    /// One sentence; the file is then as it was.
    pub fn keep(&mut self, time: &str) -> anyhow::Result<String> {
        let date = date_of(time);
        let today = day(&date)?;
        let pictures: Vec<(String, String)> = self.taken.iter().flatten().cloned().collect();
        let ruler_of = |edit: &BenchEdit| edit.record.ruler.as_ref().map_or_else(String::new, Ruler::words);
        match &self.step {
            Step::Lights { step, .. } => {
                let learnt = step.result().context(words::NOTHING_MORE)??;
                let entry = Entry { date, what: "lights".to_owned(), ruler: String::new(), pictures, figures: lights::figures(&learnt) };
                learnt.apply(&mut self.edit.bench.optics);
                self.edit.write(&entry)?;
            }
            Step::Scale { step, ruler } => {
                let result = step.result().map_err(|e| anyhow::anyhow!("{e}"))?;
                self.edit.bench.optics = result.optics.clone();
                result.remember(&mut self.edit.record, self.format.as_deref().unwrap_or_default(), today);
                self.edit.record.ruler = Some(ruler.clone());
                let figures = scale::figures(&result.views);
                self.edit.write(&Entry { date, what: SCALE.to_owned(), ruler: ruler.words(), pictures, figures })?;
            }
            Step::Run { adjuster, .. } => {
                let learnt = self.learnt()?;
                let what = format!("screws {adjuster}");
                screws::apply(&mut self.edit, &learnt, today);
                let entry = Entry { date, what, ruler: ruler_of(&self.edit), pictures, figures: screws::figures(&learnt) };
                self.edit.write(&entry)?;
            }
            Step::Day { lies, result, .. } => {
                let result = result.as_ref().context(words::NOTHING_MORE)?;
                self.edit.note(&day_command::entry(result, *lies, date, pictures))?;
            }
        }
        Ok(words::kept_in(&self.edit.path().display().to_string()))
    }

    /// What the page shows.
    #[must_use]
    pub fn panel(&self) -> CalibratingPanel {
        let mut panel = CalibratingPanel {
            said: self.said.clone(),
            result: self.result.clone(),
            can_take_back: !self.taken.is_empty(),
            can_keep: self.is_whole,
            ..CalibratingPanel::default()
        };
        let wanted = match &self.step {
            Step::Lights { step, .. } => {
                panel.title = words::CALIBRATE_LIGHTS.to_owned();
                step.next().map(|(_, wanted)| wanted)
            }
            Step::Scale { step, .. } => {
                panel.title = words::CALIBRATE_SCALE.to_owned();
                step.next()
            }
            Step::Run { step, adjuster, thimble, .. } => {
                panel.title = words::calibrate_screw(adjuster);
                let stated = step.next();
                if let Some(stated) = &stated {
                    panel.progress = words::stop_of(stated.stop + 1, stated.of);
                    panel.reading = Some(thimble.reading_from_turns(stated.planned.reading_turns));
                }
                panel.wanted = stated.map(|s| s.words);
                None
            }
            Step::Day { lies, result, .. } => {
                panel.title = words::CHECK_OF_DAY.to_owned();
                let step = DayStep { optics: &self.edit.bench.optics, record: &self.edit.record, history: &[], lies: *lies };
                result.is_none().then(|| step.next())
            }
        };
        if let Some(wanted) = wanted {
            panel.can_pass_over = wanted.is_optional && matches!(self.step, Step::Lights { .. });
            panel.wanted = Some(if wanted.is_optional { words::optional(&wanted.words) } else { wanted.words });
        }
        panel
    }
}

/// Before so many stops of a run there is nothing to say.
const LEAST_STOPS: usize = 8;

/// The target that all views see; `None` where each shows its own side of the part.
fn target(choice: TargetChoice, part: &Part) -> anyhow::Result<Option<Target>> {
    let length = |mm: f64| if (0.01..=1000.0).contains(&mm) { Ok(mm) } else { Err(anyhow::anyhow!(words::TARGET_MM)) };
    Ok(match choice {
        TargetChoice::Dots(mm) => Some(Target::square(length(mm)?)),
        TargetChoice::Staggered(mm) => Some(Target::staggered(length(mm)?, mm / 2.0)),
        TargetChoice::Checkerboard(mm) => Some(Target::Checkerboard { square_mm: length(mm)? }),
        TargetChoice::OwnSides => None,
        TargetChoice::OneSide(side) => Some(Target::Pattern { part: Box::new(part.clone()), side }),
    })
}

/// "2026-11-26 13:40" of "2026-11-26T13:40:12Z", as the history writes it.
fn date_of(time: &str) -> String {
    time.get(..16).unwrap_or(time).replace('T', " ")
}
