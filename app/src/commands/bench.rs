//! `landfit bench`: make bench files, and tell what one says.

use super::print_lines;
use super::terminal::{Questions, STANDS, amount_of, counts, mm, mm_point, sense};
use anyhow::{anyhow, bail};
use landfit_calibration::bench::{Adjuster, Bench, CalibrationState, Motion, ReadingScale, Reads, Sense, Stands};
use landfit_calibration::bench_file;
use landfit_part::{Existing, FileError, PointMm, Pose, Side};
use landfit_rehearsal::scenario::Setting;
use landfit_vision::view::Sight;
use landfit_vision::{Frame, Optics, PointPx, ScaleSource, View};
use nalgebra::Matrix3;
use std::fmt::Write as _;
use std::io::BufRead;
use std::path::PathBuf;
use std::process::ExitCode;

/// Make bench files, and tell what one says
#[derive(clap::Args)]
#[command(arg_required_else_help = false)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    New(Box<New>),
    Show(Show),
}

/// Make a bench file by answering a few questions
///
/// Each question has a flag; what is given as a flag is not asked. An empty answer takes what stands in brackets.
/// Answers may be piped, a line each. The file says that nothing was calibrated yet: it is good enough to begin with.
#[derive(clap::Args)]
struct New {
    /// The bench file to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Write over a file of that name
    #[arg(long)]
    replace: bool,
    /// Ask nothing: take the usual value wherever no flag is given
    #[arg(long)]
    unasked: bool,
    /// Begin with a bench that comes with landfit instead of questions: its values, --name, not calibrated; change the
    /// file with any text editor. rotation-under-board, all-on-the-part, bare-knobs, inch-thimbles or amber-and-cyan
    #[arg(
        long,
        value_name = "BENCH",
        value_parser = shipped,
        conflicts_with_all = ["unasked", "size", "px_per_10mm", "um_per_px", "gamma", "pictures", "part_light", "board_light", "ScrewFlags"]
    )]
    like: Option<Setting>,
    #[command(flatten)]
    picture: PictureFlags,
    #[command(flatten)]
    screws: ScrewFlags,
}

#[derive(clap::Args)]
#[command(next_help_heading = "Camera and lights")]
struct PictureFlags {
    /// The bench's name
    #[arg(long)]
    name: Option<String>,
    /// Size of the camera's pictures in px: 1280x960
    #[arg(long, value_name = "WxH")]
    size: Option<String>,
    /// Length of 10 mm in the picture, px
    #[arg(long, value_name = "PX", conflicts_with = "um_per_px")]
    px_per_10mm: Option<String>,
    /// µm that one px shows; instead of --px-per-10mm
    #[arg(long, value_name = "UM")]
    um_per_px: Option<String>,
    /// Gamma of the camera's values: 1 for linear ones, 2.2 for most webcams
    #[arg(long)]
    gamma: Option<String>,
    /// Pictures of one alignment: 1 with both lights on, or 2 with the part lit in the first, the board in the second
    #[arg(long, value_name = "1|2")]
    pictures: Option<String>,
    /// Colour of the light on the part: amber, red, green, blue, cyan, white, or the camera's answer R,G,B
    #[arg(long, value_name = "COLOUR")]
    part_light: Option<String>,
    /// Colour of the light on the board, likewise
    #[arg(long, value_name = "COLOUR")]
    board_light: Option<String>,
}

#[derive(clap::Args)]
#[command(next_help_heading = "Screws (X: right and left, Y: away and near, R: rotation)")]
struct ScrewFlags {
    /// What X carries: board or part
    #[arg(long, value_name = "SIDE")]
    x_carries: Option<String>,
    /// mm to the right for one clockwise turn of X; negative if it goes left, 0 if there is no such screw
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    x_mm: Option<String>,
    /// Divisions on the thimble of X; 0 for a bare knob
    #[arg(long, value_name = "N")]
    x_divisions: Option<String>,
    /// Where X stands: right, near, left, far or top
    #[arg(long, value_name = "PLACE")]
    x_stands: Option<String>,
    /// What Y carries: board or part
    #[arg(long, value_name = "SIDE")]
    y_carries: Option<String>,
    /// mm away from you for one clockwise turn of Y; negative if it comes nearer, 0 if there is no such screw
    #[arg(long, value_name = "MM", allow_hyphen_values = true)]
    y_mm: Option<String>,
    /// Divisions on the thimble of Y; 0 for a bare knob
    #[arg(long, value_name = "N")]
    y_divisions: Option<String>,
    /// Where Y stands
    #[arg(long, value_name = "PLACE")]
    y_stands: Option<String>,
    /// What R carries: board or part
    #[arg(long, value_name = "SIDE")]
    r_carries: Option<String>,
    /// Degrees anticlockwise, seen from above, for one clockwise turn (or one step) of R; 0 if there is no rotation
    #[arg(long, value_name = "DEG", allow_hyphen_values = true)]
    r_deg: Option<String>,
    /// Where the rotation's pivot is: mm right and mm away from the middle of the picture, 0,0
    #[arg(long, value_name = "X,Y", allow_hyphen_values = true)]
    r_pivot: Option<String>,
    /// Divisions on the thimble of R; 0 for a bare knob, steps for a jog control
    #[arg(long, value_name = "N|steps")]
    r_divisions: Option<String>,
    /// Where R stands
    #[arg(long, value_name = "PLACE")]
    r_stands: Option<String>,
    /// Play of the screws when their sense reverses, turns
    #[arg(long, value_name = "TURNS")]
    backlash: Option<String>,
}

/// Tell in words what a bench file says
#[derive(clap::Args)]
struct Show {
    /// The bench file
    #[arg(value_name = "BENCH")]
    bench: PathBuf,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    match &args.command {
        Command::New(new) => self::new(new),
        Command::Show(show) => print_lines(&[describe(&bench_file::read(&show.bench)?).trim_end().to_owned()]),
    }?;
    Ok(ExitCode::SUCCESS)
}

fn new(new: &New) -> anyhow::Result<()> {
    if !new.replace && new.out.exists() {
        // Said before the questions, so that no answer is given in vain.
        bail!("{} is there already; give --replace to write over it", new.out.display());
    }
    let bench = match &new.like {
        Some(setting) => like(setting, new.picture.name.as_ref())?,
        None => {
            let mut answers = Answers { questions: Questions::on_standard_input(new.unasked) };
            ask_for_bench(&mut answers, &new.picture, &new.screws)?
        }
    };
    let existing = if new.replace { Existing::Replace } else { Existing::Keep };
    bench_file::write(&new.out, &bench, existing).map_err(|error| match error {
        // The file was never written, so its lines would lead nowhere.
        FileError::Wrong { key, what, .. } => anyhow!("these answers make no bench: {key} {what}"),
        other => other.into(),
    })?;
    print_lines(&[format!(
        "{}\nwritten to {1}; change it with any text editor and look at it with: landfit bench show {1}",
        describe(&bench),
        new.out.display()
    )])
}

fn shipped(name: &str) -> Result<Setting, String> {
    Setting::named(name).ok_or_else(|| {
        let names: Vec<&str> = Setting::all().map(|s| s.name).collect();
        format!("no such bench comes with landfit; there are {}", names.join(", "))
    })
}

/// A shipped bench as one's own: under another name, and not calibrated, whatever the shipped file says.
fn like(setting: &Setting, name: Option<&String>) -> anyhow::Result<Bench> {
    let mut bench = setting.bench()?;
    bench.name = name.cloned().unwrap_or_else(|| "my bench".to_owned());
    bench.calibration = CalibrationState::NotCalibrated;
    Ok(bench)
}

/// A flag where it is given, else the answer to its question.
struct Answers<R> {
    questions: Questions<R>,
}

impl<R: BufRead> Answers<R> {
    fn get<T>(
        &mut self,
        given: Option<&String>,
        flag: &str,
        question: &str,
        usual: &str,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> anyhow::Result<T> {
        match given {
            Some(text) => read(text).map_err(|problem| anyhow!("{flag}: {problem}")),
            None => self.questions.ask(flag, question, usual, read),
        }
    }
}

fn ask_for_bench<R: BufRead>(answers: &mut Answers<R>, picture: &PictureFlags, screws: &ScrewFlags) -> anyhow::Result<Bench> {
    let name = answers.get(picture.name.as_ref(), "--name", "Name of the bench", "my bench", |s| Ok(s.to_owned()))?;
    let size_px = answers.get(picture.size.as_ref(), "--size", "Size of the camera's pictures in px", "1280x960", counts)?;
    let px_per_mm = match &picture.um_per_px {
        Some(_) => 1000.0 / answers.get(picture.um_per_px.as_ref(), "--um-per-px", "", "", |s| positive(s, "µm per px"))?,
        None => {
            let question = "How many px is 10 mm in your picture (lay a ruler where the board lies)";
            answers.get(picture.px_per_10mm.as_ref(), "--px-per-10mm", question, "800", |s| positive(s, "px"))? / 10.0
        }
    };
    let gamma =
        answers.get(picture.gamma.as_ref(), "--gamma", "Gamma of the camera's values (1 linear, 2.2 for most webcams)", "1", |s| {
            positive(s, "gamma")
        })?;
    let pictures_question = "Pictures of one alignment: 1 with both lights on, 2 with each side lit in turn";
    let pictures = answers.get(picture.pictures.as_ref(), "--pictures", pictures_question, "1", |s| match s.trim() {
        "1" => Ok(1),
        "2" => Ok(2),
        other => Err(format!("\"{other}\" is neither 1 nor 2")),
    })?;
    let lights = "amber, red, green, blue, cyan, white or R,G,B";
    let usual = if pictures == 1 { ["amber", "cyan"] } else { ["white", "white"] };
    let part_question = format!("Colour of the light on the part ({lights})");
    let part_tint = answers.get(picture.part_light.as_ref(), "--part-light", &part_question, usual[0], tint)?;
    let board_question = format!("Colour of the light on the board ({lights})");
    let board_tint = answers.get(picture.board_light.as_ref(), "--board-light", &board_question, usual[1], tint)?;

    let middle = size_px.map(|n| (f64::from(n) - 1.0) / 2.0);
    let px_from_mm = Matrix3::new(px_per_mm, 0.0, middle[0], 0.0, -px_per_mm, middle[1], 0.0, 0.0, 1.0);
    let view = |shows: Side, exposure: usize, tint: [f64; 3]| View { shows, exposure, region_px: None, tint, px_from_mm };
    let views = vec![view(Side::Part, 0, part_tint), view(Side::Board, pictures - 1, board_tint)];
    let frame = Frame { size_px, black: 0.0, white: None, gamma };
    Ok(Bench {
        name,
        optics: Optics { frame, lens: None, views, scale: ScaleSource::Bench },
        adjusters: ask_for_adjusters(answers, screws)?,
        aim: Pose::IDENTITY,
        calibration: CalibrationState::NotCalibrated,
    })
}

fn ask_for_adjusters<R: BufRead>(answers: &mut Answers<R>, flags: &ScrewFlags) -> anyhow::Result<Vec<Adjuster>> {
    let x_mm_question = "Screw X: mm to the right for one clockwise turn (negative: left; 0: no such screw)";
    let x = Slide {
        name: "X",
        towards: PointMm::new(1.0, 0.0),
        step: (flags.x_mm.as_ref(), "--x-mm", x_mm_question),
        carries: (flags.x_carries.as_ref(), "--x-carries"),
        divisions: (flags.x_divisions.as_ref(), "--x-divisions"),
        stands: (flags.x_stands.as_ref(), "--x-stands", "right"),
    };
    let y_mm_question = "Screw Y: mm away from you for one clockwise turn (negative: nearer; 0: no such screw)";
    let y = Slide {
        name: "Y",
        towards: PointMm::new(0.0, 1.0),
        step: (flags.y_mm.as_ref(), "--y-mm", y_mm_question),
        carries: (flags.y_carries.as_ref(), "--y-carries"),
        divisions: (flags.y_divisions.as_ref(), "--y-divisions"),
        stands: (flags.y_stands.as_ref(), "--y-stands", "near"),
    };
    let slides = [ask_for_slide(answers, &x)?, ask_for_slide(answers, &y)?];
    let mut adjusters: Vec<Adjuster> = slides.into_iter().chain([ask_for_rotation(answers, flags)?]).flatten().collect();
    if !adjusters.is_empty() {
        let question = "Play of the screws when their sense reverses, turns";
        let backlash_turns = answers.get(flags.backlash.as_ref(), "--backlash", question, "0.02", |s| {
            amount_of(s).and_then(|v| if v >= 0.0 { Ok(v) } else { Err(format!("{v} turns of play cannot be; it is 0 or more")) })
        })?;
        adjusters.iter_mut().for_each(|a| a.backlash_turns = backlash_turns);
    }
    Ok(adjusters)
}

/// What is asked about a screw that moves along a line: each answer's flag, and where it matters the usual answer.
struct Slide<'a> {
    name: &'static str,
    towards: PointMm,
    step: (Option<&'a String>, &'static str, &'static str),
    carries: (Option<&'a String>, &'static str),
    divisions: (Option<&'a String>, &'static str),
    stands: (Option<&'a String>, &'static str, &'static str),
}

fn ask_for_slide<R: BufRead>(answers: &mut Answers<R>, slide: &Slide<'_>) -> anyhow::Result<Option<Adjuster>> {
    let name = slide.name;
    let (given, flag, question) = slide.step;
    let step_mm = answers.get(given, flag, question, "0.5", mm)?;
    if step_mm == 0.0 {
        return Ok(None);
    }
    let carries = answers.get(slide.carries.0, slide.carries.1, &format!("Screw {name}: what it carries, board or part"), "board", side)?;
    let question = format!("Screw {name}: divisions on its thimble (0: a bare knob)");
    let reading = answers.get(slide.divisions.0, slide.divisions.1, &question, "50", divisions)?;
    let (given, flag, usual) = slide.stands;
    let stands = answers.get(given, flag, &format!("Screw {name}: where it stands ({})", places()), usual, stands)?;
    Ok(Some(adjuster(name, carries, Motion::Shift { step_mm: slide.towards * step_mm }, reading, stands)))
}

fn ask_for_rotation<R: BufRead>(answers: &mut Answers<R>, flags: &ScrewFlags) -> anyhow::Result<Option<Adjuster>> {
    let question = "Rotation R: degrees anticlockwise, seen from above, for one clockwise turn or one step (0: no rotation)";
    let step_deg = answers.get(flags.r_deg.as_ref(), "--r-deg", question, "1.5", amount_of)?;
    if step_deg == 0.0 {
        return Ok(None);
    }
    let carries = answers.get(flags.r_carries.as_ref(), "--r-carries", "Rotation R: what it carries, board or part", "part", side)?;
    let question = "Rotation R: where its pivot is, mm right and mm away from the middle of the picture";
    let [x, y] = answers.get(flags.r_pivot.as_ref(), "--r-pivot", question, "0,0", mm_point)?;
    let question = "Rotation R: divisions on its thimble (0: a bare knob; steps: a jog control)";
    let reading = answers.get(flags.r_divisions.as_ref(), "--r-divisions", question, "30", |s| match s.trim() {
        "steps" => Ok((None, Reads::Steps)),
        other => divisions(other),
    })?;
    let question = format!("Rotation R: where it stands ({})", places());
    let stands = answers.get(flags.r_stands.as_ref(), "--r-stands", &question, "top", stands)?;
    let turn = Motion::Rotation { step_rad: step_deg.to_radians(), pivot_mm: PointMm::new(x, y) };
    Ok(Some(adjuster("R", carries, turn, reading, stands)))
}

fn adjuster(name: &str, carries: Side, turn: Motion, (divisions, reads): (Option<u32>, Reads), stands: Stands) -> Adjuster {
    Adjuster {
        name: name.to_owned(),
        carries,
        turn,
        divisions,
        backlash_turns: 0.0,
        readable_divisions: 1.0,
        reads,
        reading_rises: Sense::Clockwise,
        scale: ReadingScale::TURNS,
        travel_turns: None,
        stands: Some(stands),
        rides_on: None,
    }
}

fn positive(text: &str, what: &str) -> Result<f64, String> {
    let value = amount_of(text)?;
    if value > 0.0 { Ok(value) } else { Err(format!("{value} {what} cannot be; it must be above 0")) }
}

fn side(text: &str) -> Result<Side, String> {
    match text.trim() {
        "board" => Ok(Side::Board),
        "part" => Ok(Side::Part),
        other => Err(format!("\"{other}\" is neither board nor part")),
    }
}

fn divisions(text: &str) -> Result<(Option<u32>, Reads), String> {
    match text.trim().parse() {
        Ok(0) => Ok((None, Reads::None)),
        Ok(n) => Ok((Some(n), Reads::Divisions)),
        Err(_) => Err(format!("\"{}\" is no whole number of divisions", text.trim())),
    }
}

fn places() -> String {
    STANDS.map(|(word, _)| word).join(", ")
}

fn stands(text: &str) -> Result<Stands, String> {
    let found = STANDS.into_iter().find(|(word, _)| *word == text.trim());
    found.map(|(_, stands)| stands).ok_or_else(|| format!("\"{}\" is no place; write one of {}", text.trim(), places()))
}

/// What a usual colour camera answers to usual lights, linear (from memory, rounded): good enough to begin with, and
/// what a calibration measures first.
const LIGHTS: [(&str, [f64; 3]); 6] = [
    ("amber", [0.80, 0.55, 0.08]),
    ("red", [0.85, 0.12, 0.05]),
    ("green", [0.15, 0.80, 0.20]),
    ("blue", [0.05, 0.20, 0.80]),
    ("cyan", [0.06, 0.55, 0.75]),
    ("white", [1.0, 1.0, 1.0]),
];

fn tint(text: &str) -> Result<[f64; 3], String> {
    if let Some((_, tint)) = LIGHTS.into_iter().find(|(word, _)| *word == text.trim()) {
        return Ok(tint);
    }
    let wrong = || {
        let words = LIGHTS.map(|(word, _)| word).join(", ");
        format!("\"{}\" is no light; write one of {words}, or the camera's answer like 0.80,0.55,0.08", text.trim())
    };
    let values = text.split(',').map(|s| amount_of(s).ok().filter(|v| *v >= 0.0)).collect::<Option<Vec<f64>>>().ok_or_else(wrong)?;
    <[f64; 3]>::try_from(values).map_err(|_| wrong())
}

/// A bench in plain words.
fn describe(bench: &Bench) -> String {
    let optics = &bench.optics;
    let state = match bench.calibration {
        CalibrationState::NotCalibrated => "\nnot calibrated: offsets and turns are only as good as what was guessed here\n",
        CalibrationState::Calibrated => "\ncalibrated\n",
        CalibrationState::Unsaid => "\n",
    };
    let mut text = format!("{}{state}", bench.name);
    let [width, height] = optics.frame.size_px;
    let exposures = 1 + optics.views.iter().map(|v| v.exposure).max().unwrap_or(0);
    let white = optics.frame.white.map_or_else(|| "full scale".to_owned(), |w| w.to_string());
    let plural = if exposures == 1 { "picture" } else { "pictures" };
    let _ = writeln!(
        text,
        "pictures    {exposures} {plural} of {width} x {height} px for one alignment; black {}, white {white}, gamma {}",
        optics.frame.black, optics.frame.gamma
    );
    if let Some(lens) = &optics.lens {
        let _ = writeln!(text, "lens        distortion k1 {}, k2 {} at {} px from the centre", lens.k1, lens.k2, lens.norm_px);
    }
    for view in &optics.views {
        let _ = writeln!(text, "{}", view_in_words(view, optics));
    }
    if lights_look_the_same(&optics.views) {
        let _ = writeln!(text, "lights      the part's and the board's look alike to the camera: only shapes can tell the two sides apart");
    }
    if let ScaleSource::Pattern { may_differ } = optics.scale {
        let _ = writeln!(text, "scale       from the pattern's pitch; the two sides may differ from this file by {} %", may_differ * 100.0);
    }
    for adjuster in &bench.adjusters {
        let _ = writeln!(text, "{:<11} {}", adjuster.name, adjuster_in_words(adjuster));
    }
    let missing = missing_ways(&bench.adjusters);
    if !missing.is_empty() {
        let _ = writeln!(text, "not moved   {missing}: no adjuster reaches it, so what is off there stays off");
    }
    if bench.aim != Pose::IDENTITY {
        let aim = bench.aim;
        let _ = writeln!(text, "aim         x {} mm, y {} mm, rotation {}°", aim.x_mm, aim.y_mm, short(aim.theta_rad.to_degrees()));
    }
    text
}

fn view_in_words(view: &View, optics: &Optics) -> String {
    let [width, height] = optics.frame.size_px;
    let (region, where_to) = view.region_px.map_or(([0, 0, width, height], "all of it".to_owned()), |r| {
        ([r.x, r.y, r.width, r.height], format!("{} x {} px from column {} and row {}", r.width, r.height, r.x, r.y))
    });
    let [x, y, w, h] = region.map(f64::from);
    let middle = PointPx::new(x + (w - 1.0) / 2.0, y + (h - 1.0) / 2.0);
    let scale = Sight::new(view, optics.lens).map_or_else(String::new, |sight| {
        let at = sight.mm(middle);
        let per_mm = sight.px_per_mm(at);
        let um_per_px = 1000.0 / per_mm.determinant().abs().sqrt();
        format!("{um_per_px:.2} µm per px, its middle shows x {:.3} mm, y {:.3} mm", rid_of_minus(at.x), rid_of_minus(at.y))
    });
    let [r, g, b] = view.tint;
    format!("{:<11} picture {}, {where_to}; light R {r}, G {g}, B {b}; {scale}", format!("{} view", view.shows.word()), view.exposure + 1)
}

/// No "-0.000" where rounding leaves nothing.
fn rid_of_minus(value: f64) -> f64 {
    if value.abs() < 5e-4 { 0.0 } else { value }
}

/// What an adjuster is and does, without its name.
pub fn adjuster_in_words(adjuster: &Adjuster) -> String {
    let (what, per_division) = match adjuster.turn {
        Motion::Shift { step_mm } => {
            let way = |mm: f64, plus: &str, minus: &str| match mm {
                0.0 => None,
                mm => Some(format!("{} mm {}", short(mm.abs()), if mm > 0.0 { plus } else { minus })),
            };
            let ways: Vec<String> = [way(step_mm.x, "right", "left"), way(step_mm.y, "away", "near")].into_iter().flatten().collect();
            (format!("moves it {}", ways.join(" and ")), (step_mm.norm() * 1000.0, "µm"))
        }
        Motion::Rotation { step_rad, pivot_mm } => {
            let deg = short(step_rad.to_degrees());
            let way = if deg > 0.0 { "anticlockwise" } else { "clockwise" };
            (format!("turns it {}° {way} about ({}, {}) mm", deg.abs(), pivot_mm.x, pivot_mm.y), (deg.abs(), "°"))
        }
        Motion::Tilt { step_rad } => {
            let [x, y] = step_rad.map(|r| short(r.to_degrees()));
            (format!("tilts it {x}° about x and {y}° about y (an offset shows no tilt, so no move is told for it)"), (x.hypot(y), "°"))
        }
    };
    let reading = match (adjuster.divisions, adjuster.reads) {
        (_, Reads::Steps) => "a jog control, in whole steps".to_owned(),
        (Some(n), Reads::Divisions) => {
            format!("{n} divisions of {} {}", four_digits(per_division.0 / f64::from(n)), per_division.1).replace(" °", "°")
        }
        _ => "a bare knob".to_owned(),
    };
    let mut text =
        format!("carries the {}: one clockwise turn {what}; {reading}, play {} turns", adjuster.carries.word(), adjuster.backlash_turns);
    if adjuster.reading_rises == Sense::Anticlockwise {
        let _ = write!(text, ", its reading rises {}", sense(adjuster.reading_rises));
    }
    if adjuster.scale != ReadingScale::TURNS {
        let _ = write!(text, ", one turn reads {} {}", adjuster.scale.per_turn, adjuster.scale.unit);
    }
    if let Some([low, high]) = adjuster.travel_turns {
        let _ = write!(text, ", travel from {low} to {high} turns");
    }
    if let Some((word, _)) = STANDS.iter().find(|(_, s)| Some(*s) == adjuster.stands) {
        let _ = write!(text, ", stands {word}");
    }
    if let Some(carrier) = &adjuster.rides_on {
        let _ = write!(text, ", rides on {carrier}");
    }
    text
}

/// Ways that no adjuster reaches, in words; empty when x, y and rotation are all reached.
fn missing_ways(adjusters: &[Adjuster]) -> String {
    let shifts: Vec<PointMm> =
        adjusters.iter().filter_map(|a| if let Motion::Shift { step_mm } = a.turn { Some(step_mm) } else { None }).collect();
    let rotations = adjusters.iter().filter(|a| matches!(a.turn, Motion::Rotation { .. })).count();
    // A second rotation about another pivot moves along a line, too.
    let along_lines = shifts.len() + rotations.saturating_sub(1);
    let lines = match (along_lines, shifts.first()) {
        (0, _) => "right and left, away and near",
        (1, Some(step)) if step.x.abs() >= step.y.abs() => "away and near",
        (1, Some(_)) => "right and left",
        (1, None) => "one direction of shift",
        _ => "",
    };
    let rotation = if rotations == 0 { "rotation" } else { "" };
    [lines, rotation].into_iter().filter(|words| !words.is_empty()).collect::<Vec<_>>().join(", ")
}

/// Two views of one picture whose lights look the same to the camera, so that only shapes tell the sides apart.
fn lights_look_the_same(views: &[View]) -> bool {
    let unit = |t: [f64; 3]| {
        let norm = t.iter().map(|v| v * v).sum::<f64>().sqrt();
        t.map(|v| v / norm)
    };
    // Cosine 0.98: about 11 degrees between the two answers; below that the noise of the separated lights grows fivefold.
    let alike = |a: &View, b: &View| unit(a.tint).iter().zip(unit(b.tint)).map(|(x, y)| x * y).sum::<f64>() > 0.98;
    let (part, board): (Vec<&View>, Vec<&View>) = views.iter().partition(|v| v.shows == Side::Part);
    part.iter().any(|p| board.iter().any(|b| p.exposure == b.exposure && alike(p, b)))
}

/// To the four digits that count: no division is known better.
fn four_digits(value: f64) -> f64 {
    let scale = 10.0_f64.powi(3 - value.abs().max(1e-9).log10().floor() as i32);
    (value * scale).round() / scale
}

fn short(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_division_is_told_with_the_digits_that_count() {
        assert_eq!([10.00018, 0.05, 25.4, 0.012_345_6].map(four_digits), [10.0, 0.05, 25.4, 0.01235]);
        assert_eq!(four_digits(0.0), 0.0);
    }

    #[test]
    fn a_bench_made_unasked_is_complete_and_says_that_it_is_not_calibrated() {
        let folder = tempfile::tempdir().expect("folder");
        let out = folder.path().join("bench.toml");
        let picture = PictureFlags {
            name: None,
            size: None,
            px_per_10mm: None,
            um_per_px: Some("12.5".into()),
            gamma: None,
            pictures: None,
            part_light: None,
            board_light: None,
        };
        let new = New { out: out.clone(), replace: false, unasked: true, like: None, picture, screws: no_screw_flags() };
        self::new(&new).expect("written");
        let bench = bench_file::read(&out).expect("readable");
        assert_eq!(bench.calibration, CalibrationState::NotCalibrated);
        assert_eq!(bench.adjusters.iter().map(|a| a.name.as_str()).collect::<Vec<_>>(), ["X", "Y", "R"]);
        assert_eq!(bench.optics.views[0].px_from_mm[(0, 0)], 80.0);
        assert!(self::new(&new).expect_err("there already").to_string().contains("--replace"));
    }

    #[test]
    fn a_bench_may_begin_with_every_shipped_one() {
        for setting in Setting::all() {
            let bench = like(&shipped(setting.name).expect("shipped"), Some(&"ours".to_owned())).expect("readable");
            assert_eq!((bench.name.as_str(), bench.calibration), ("ours", CalibrationState::NotCalibrated));
            let read_again = bench_file::parse(&bench_file::to_toml(&bench), "bench.toml").expect("what is written can be read");
            assert_eq!(read_again.adjusters.len(), setting.bench().expect("readable").adjusters.len());
        }
        assert!(shipped("nobody's").expect_err("none").contains("inch-thimbles"));
    }

    fn no_screw_flags() -> ScrewFlags {
        ScrewFlags {
            x_carries: None,
            x_mm: None,
            x_divisions: None,
            x_stands: None,
            y_carries: None,
            y_mm: None,
            y_divisions: None,
            y_stands: None,
            r_carries: None,
            r_deg: None,
            r_pivot: None,
            r_divisions: None,
            r_stands: None,
            backlash: None,
        }
    }

    #[test]
    fn what_no_screw_reaches_is_said() {
        let shift = |x: f64, y: f64| Motion::Shift { step_mm: PointMm::new(x, y) };
        let make = |turn| adjuster("A", Side::Board, turn, (None, Reads::None), Stands::Near);
        assert_eq!(missing_ways(&[]), "right and left, away and near, rotation");
        assert_eq!(missing_ways(&[make(shift(0.5, 0.0))]), "away and near, rotation");
        assert_eq!(missing_ways(&[make(shift(0.5, 0.0)), make(shift(0.0, 0.5))]), "rotation");
    }

    #[test]
    fn lights_that_look_alike_are_told() {
        let bench = |part_tint: [f64; 3], board_exposure: usize| {
            let view = |shows, exposure, tint| View { shows, exposure, region_px: None, tint, px_from_mm: Matrix3::identity() };
            lights_look_the_same(&[view(Side::Part, 0, part_tint), view(Side::Board, board_exposure, [0.1, 0.5, 0.7])])
        };
        assert!(bench([0.2, 1.0, 1.4], 0), "a brighter light of the same colour");
        assert!(!bench([0.2, 1.0, 1.4], 1), "each in a picture of its own");
        assert!(!bench([0.8, 0.55, 0.08], 0));
    }

    #[test]
    fn lights_are_read_as_words_and_as_numbers() {
        assert_eq!(tint("cyan"), Ok([0.06, 0.55, 0.75]));
        assert_eq!(tint("0.1, 0.2,0.3"), Ok([0.1, 0.2, 0.3]));
        assert!(tint("pink").is_err() && tint("1,2").is_err() && tint("-1,0,0").is_err());
    }
}
