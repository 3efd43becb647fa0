//! `landfit calibrate screws`: what the adjusters do, from the listing of a run.

use super::super::{Ended, print_json, print_lines, spare};
use super::bench_edit::{BenchEdit, date, day, hashes};
use super::shots::{self, SideArg};
use anyhow::{Context, bail};
use landfit_calibration::bench::{Motion, Sense};
use landfit_calibration::date::Date;
use landfit_calibration::history::Entry;
use landfit_calibration::record::{AdjusterUncertainty, Ruler};
use landfit_calibration::screws::listing::{Line, Place, parse};
use landfit_calibration::screws::positioning::evaluate_run;
use landfit_calibration::screws::reading::{Thimble, Unit};
use landfit_calibration::screws::rotation::{RotationFit, fit_rotation};
use landfit_calibration::screws::run::SHORT_RUN_CANNOT;
use landfit_calibration::screws::shift::{ShiftFit, SightUncertainty, fit_shift};
use landfit_calibration::screws::{Approach, Misnoted, Stop};
use landfit_calibration::target::Target;
use landfit_part::text_file::{load, save};
use landfit_part::{Existing, Part, PointMm, Pose, Side};
use landfit_stats::gum::rectangular;
use landfit_stats::positioning::Positioning;
use landfit_vision::Picture;
use landfit_vision::pose::fit_rigid;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Learn what the adjusters do from a run of readings and pictures
///
/// Takes the listing of `landfit calibrate run`. Tells what one turn moves, play, once-per-turn error and, of a full run, accuracy
/// and repeatability after ISO 230-2; names a reading that was noted wrongly instead of averaging it in.
#[derive(clap::Args)]
pub struct Args {
    /// The listing, CSV or TOML
    listing: PathBuf,
    /// The bench file, which is changed
    #[arg(long)]
    bench: PathBuf,
    /// The part file of what the pictures show (its lands, where the board is moved); not needed where the listing holds places
    #[arg(long, value_name = "PART.toml")]
    part: Option<PathBuf>,
    /// Which side of it moves with an adjuster that carries the board; lands as a rule
    #[arg(long, value_name = "SIDE")]
    shows: Option<SideArg>,
    /// The thimbles are the ruler: scale the views so that a turn moves what its thimble says (mm and inch thimbles only)
    #[arg(long)]
    as_ruler: bool,
    /// Write the chart of deviations here (SVG)
    #[arg(long, value_name = "FILE.svg")]
    chart: Option<PathBuf>,
    /// Only tell: leave the bench file as it is
    #[arg(long)]
    dry: bool,
    /// The date for the history, instead of today's
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
    /// Print one JSON object instead of sentences
    #[arg(long)]
    json: bool,
}

/// What came of one adjuster's run.
pub struct Learnt {
    name: String,
    thimble: Thimble,
    stops: Vec<Stop>,
    fit: Fit,
    /// Of a full run; else why there is none.
    positioning: Result<Positioning, String>,
}

/// What a run says of an adjuster.
pub enum Fit {
    Shift(ShiftFit),
    Rotation(RotationFit),
}

impl Fit {
    fn misnoted(&self) -> &[Misnoted] {
        match self {
            Self::Shift(f) => &f.misnoted,
            Self::Rotation(f) => &f.misnoted,
        }
    }

    fn deviations(&self) -> &[f64] {
        match self {
            Self::Shift(f) => &f.deviations_mm,
            Self::Rotation(f) => &f.deviations_rad,
        }
    }

    /// In what the deviations are told, and by what to multiply them.
    const fn unit(&self) -> (&'static str, f64) {
        match self {
            Self::Shift(_) => ("µm", 1e3),
            Self::Rotation(_) => ("degrees", 180.0 / std::f64::consts::PI),
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    if let Some(path) = &args.chart {
        spare("--chart", path, [&args.listing, &args.bench].into_iter().chain(&args.part))?;
    }
    let mut edit = BenchEdit::open(&args.bench)?;
    let date = date(args.date.as_deref())?;
    let file = args.listing.display().to_string();
    let lines = parse(&load(&args.listing)?, &file)?;
    let part = args.part.as_deref().map(landfit_part::file::read).transpose()?;
    let mut names: Vec<String> = Vec::new();
    for line in &lines {
        if !edit.bench.adjusters.iter().any(|a| a.name == line.adjuster) {
            let all: Vec<&str> = edit.bench.adjusters.iter().map(|a| a.name.as_str()).collect();
            bail!("{file}: the bench has no adjuster {} (there are {})", line.adjuster, all.join(", "));
        }
        if !names.contains(&line.adjuster) {
            names.push(line.adjuster.clone());
        }
    }
    let mut learnt = Vec::new();
    for name in &names {
        let of: Vec<&Line> = lines.iter().filter(|l| l.adjuster == *name).collect();
        learnt.push(learn(args, &edit, name, &of, part.as_ref()).with_context(|| format!("{file}: adjuster {name}"))?);
    }
    let mut told: Vec<String> = Vec::new();
    if args.as_ruler {
        told.push(take_as_ruler(&mut edit, &mut learnt)?);
    }
    for one in &learnt {
        apply(&mut edit, one, day(&date)?);
        told.extend(sentences(one));
    }
    if let Some(path) = &args.chart {
        save(path, &chart(&learnt), Existing::Replace)?;
        told.push(format!("wrote {}", path.display()));
    }
    let what = format!("screws {}", names.join(", "));
    let entry = Entry {
        date,
        what,
        ruler: edit.record.ruler.as_ref().map_or_else(String::new, Ruler::words),
        pictures: hashes(&picture_paths(&args.listing, &lines))?,
        figures: learnt.iter().flat_map(figures).collect(),
    };
    if args.dry {
        told.push("nothing was written (--dry)".to_owned());
    } else {
        edit.write(&entry)?;
        told.push(format!("wrote {}; the former file is in its history", args.bench.display()));
    }
    if args.json {
        print_json(&json!({"schema": 1, "adjusters": learnt.iter().map(answer).collect::<Vec<_>>()}))?;
    } else {
        print_lines(&told)?;
    }
    Ok(ExitCode::SUCCESS)
}

fn picture_paths(listing: &Path, lines: &[Line]) -> Vec<PathBuf> {
    let folder = listing.parent().unwrap_or(Path::new(""));
    let of = |l: &Line| match &l.place {
        Place::Pictures(names) => names.iter().map(|n| folder.join(n)).collect(),
        Place::Pose(_) => Vec::new(),
    };
    lines.iter().flat_map(of).collect()
}

fn learn(args: &Args, edit: &BenchEdit, name: &str, lines: &[&Line], part: Option<&Part>) -> anyhow::Result<Learnt> {
    let adjuster = edit.bench.adjusters.iter().find(|a| a.name == name).context("is not in the bench file")?;
    let folder = args.listing.parent().unwrap_or(Path::new(""));
    let side = args.shows.map_or(adjuster.carries, Side::from);
    let stops: Vec<Stop> = lines
        .iter()
        .map(|line| {
            let pose = match &line.place {
                Place::Pose([x, y, deg]) => Pose::new(*x, *y, deg.to_radians()),
                Place::Pictures(names) => {
                    let part = part.context("needs --part PART.toml, so that the pictures can be measured")?;
                    let paths: Vec<PathBuf> = names.iter().map(|n| folder.join(n)).collect();
                    pose_in_pictures(edit, &paths, adjuster.carries, side, part)?
                }
            };
            Ok(Stop { reading_turns: line.reading_turns, approach: line.approach, pose })
        })
        .collect::<anyhow::Result<_>>()?;
    // Readings in turns are on the thimble that the bench file has.
    let is_plain = lines[0].thimble.unit == Unit::Turn && lines[0].thimble != Thimble::KNOB;
    let thimble = if is_plain { Thimble::turns(adjuster.divisions.unwrap_or(8)) } else { lines[0].thimble };
    let graduation = thimble.graduation();
    let fit = if matches!(adjuster.turn, Motion::Rotation { .. }) {
        Fit::Rotation(fit_rotation(&stops, graduation)?)
    } else {
        Fit::Shift(fit_shift(&stops, graduation, sight_uncertainty(edit, adjuster.carries))?)
    };
    Ok(Learnt::new(name, thimble, stops, fit))
}

impl Learnt {
    /// Of one adjuster's stops and what they say.
    pub fn new(name: &str, thimble: Thimble, stops: Vec<Stop>, fit: Fit) -> Self {
        let left_out: Vec<usize> = fit.misnoted().iter().map(|m| m.stop).collect();
        let positioning = evaluate_run(&stops, fit.deviations(), &left_out).map_err(|e| e.to_string());
        Self { name: name.to_owned(), thimble, stops, fit, positioning }
    }
}

/// How well the bench file knows the views that show what moves.
pub fn sight_uncertainty(edit: &BenchEdit, carries: Side) -> SightUncertainty {
    let views = (0..edit.bench.optics.views.len()).filter(|v| edit.bench.optics.views[*v].shows == carries);
    let known = views.filter_map(|v| edit.record.view(v)).fold((0.0f64, 0.0f64), |(s, a), v| (s.max(v.scale_relative), a.max(v.angle_rad)));
    SightUncertainty { scale_relative: known.0.hypot(edit.record.ruler_relative()), angle_rad: known.1 }
}

/// Where the pattern lies, from all views that show what the adjuster carries.
fn pose_in_pictures(edit: &BenchEdit, paths: &[PathBuf], carries: Side, side: Side, part: &Part) -> anyhow::Result<Pose> {
    let pictures = shots::read(edit, paths)?;
    let first = || paths.first().map_or_else(String::new, |p| p.display().to_string());
    pose_in(edit, &pictures, carries, side, part).with_context(first)
}

/// See [`pose_in_pictures`]: in pictures that were read, one of the view's exposure or all of the bench's.
pub fn pose_in(edit: &BenchEdit, pictures: &[Picture], carries: Side, side: Side, part: &Part) -> anyhow::Result<Pose> {
    let optics = &edit.bench.optics;
    let views: Vec<usize> = (0..optics.views.len()).filter(|v| optics.views[*v].shows == carries).collect();
    let exposures = optics.exposures();
    let target = Target::Pattern { part: Box::new(part.clone()), side };
    let (mut from, mut to): (Vec<PointMm>, Vec<PointMm>) = (Vec::new(), Vec::new());
    for view in views {
        // One picture where one exposure is enough, or all of the bench's.
        let index = if pictures.len() == exposures { optics.views[view].exposure } else { 0 };
        let picture = pictures.get(index).context("names too few pictures")?;
        let sight = shots::sight(edit, view)?;
        let found = shots::found_in_view(edit, view, picture, &target, None)?;
        from.extend(found.spots.iter().map(|s| s.at_mm));
        to.extend(found.spots.iter().map(|s| sight.mm(s.seen_px)));
    }
    Ok(fit_rigid(&from, &to)?)
}

/// What a turn moves by the thimble's own graduation.
fn nominal_mm(thimble: &Thimble) -> Option<f64> {
    match thimble.unit {
        Unit::Millimetre => Some(thimble.per_turn),
        Unit::Inch => Some(thimble.per_turn * 25.4),
        Unit::Turn | Unit::Step => None,
    }
}

/// Scales the views about the field's middle so that turns move what the thimbles say; returns what was done in words.
fn take_as_ruler(edit: &mut BenchEdit, learnt: &mut [Learnt]) -> anyhow::Result<String> {
    /// Typical error of a micrometer head over its travel, from memory: ±2 µm.
    const HEAD_ERROR_MM: f64 = 0.002;
    let mut factors = Vec::new();
    for one in learnt.iter() {
        let Fit::Shift(f) = &one.fit else { continue };
        let Some(nominal_mm) = nominal_mm(&one.thimble) else { continue };
        let length = f.step_mm.norm();
        let u = rectangular(HEAD_ERROR_MM) / (f.travel_turns * nominal_mm);
        factors.push((nominal_mm / length, u.hypot(f.u_step_mm / length)));
    }
    if factors.is_empty() {
        bail!("--as-ruler: no adjuster of this listing moves along a line with a thimble in mm or inch");
    }
    let n = factors.len() as f64;
    let factor = factors.iter().map(|f| f.0).sum::<f64>() / n;
    let u = factors.iter().map(|f| f.1 * f.1).sum::<f64>().sqrt() / n;
    if (factor - 1.0).abs() > 0.3 {
        bail!("--as-ruler: the pictures say that a turn moves {:.1} times what its thimble says; is it the right thimble?", 1.0 / factor);
    }
    let middle = shots::sight(edit, 0)?.mm(shots::region(edit, 0).middle());
    // True mm are `factor` times the file's: mm_old = mm_new / factor about the middle.
    let old_from_new = nalgebra::Matrix3::new(
        1.0 / factor,
        0.0,
        middle.x * (1.0 - 1.0 / factor),
        0.0,
        1.0 / factor,
        middle.y * (1.0 - 1.0 / factor),
        0.0,
        0.0,
        1.0,
    );
    for view in &mut edit.bench.optics.views {
        let h = view.px_from_mm * old_from_new;
        view.px_from_mm = h / h[(2, 2)];
    }
    for one in learnt.iter_mut() {
        match &mut one.fit {
            Fit::Shift(f) => {
                f.step_mm = f.step_mm * factor;
                f.step_covariance_mm2 *= factor * factor;
                f.deviations_mm.iter_mut().for_each(|d| *d *= factor);
                f.sd_along_mm *= factor;
            }
            Fit::Rotation(f) => f.pivot_mm = middle + (f.pivot_mm - middle) * factor,
        }
    }
    let names: Vec<&str> = learnt.iter().filter(|l| matches!(l.fit, Fit::Shift(_))).map(|l| l.name.as_str()).collect();
    let ruler = format!("the screws {}", names.join(", "));
    edit.record.ruler = Some(Ruler { name: ruler.clone(), relative: Some(u), ..Ruler::default() });
    Ok(format!("ruler: {ruler}: every view's scale changed by {:+.4} %, now known to ± {:.4} % (k = 2)", 100.0 * (factor - 1.0), 200.0 * u))
}

/// Puts what was learnt into the bench and its record.
pub fn apply(edit: &mut BenchEdit, one: &Learnt, today: Date) {
    let Some(adjuster) = edit.bench.adjusters.iter_mut().find(|a| a.name == one.name) else { return };
    let clockwise = if adjuster.reading_rises == Sense::Clockwise { 1.0 } else { -1.0 };
    let run = if one.positioning.is_ok() { "full" } else { "short" }.to_owned();
    let name = one.name.clone();
    let known = match &one.fit {
        Fit::Shift(f) => {
            adjuster.turn = Motion::Shift { step_mm: f.step_mm * clockwise };
            adjuster.backlash_turns = f.backlash_turns.max(0.0);
            AdjusterUncertainty {
                name,
                step: f.step_covariance_mm2.symmetric_eigenvalues().max().max(0.0).sqrt(),
                pivot_mm: 0.0,
                backlash_turns: f.u_backlash_turns,
                once_per_turn: f.once_per_turn.map_or(0.0, |w| w.amplitude()),
                repeatability: f.sd_along_mm,
                run,
                date: Some(today),
            }
        }
        Fit::Rotation(f) => {
            adjuster.turn = Motion::Rotation { step_rad: f.step_rad * clockwise, pivot_mm: f.pivot_mm };
            adjuster.backlash_turns = f.backlash_turns.max(0.0);
            AdjusterUncertainty {
                name,
                step: f.u_step_rad,
                pivot_mm: f.pivot_covariance_mm2.symmetric_eigenvalues().max().max(0.0).sqrt(),
                backlash_turns: f.u_backlash_turns,
                once_per_turn: f.once_per_turn.map_or(0.0, |w| w.amplitude()),
                repeatability: f.sd_rad,
                run,
                date: Some(today),
            }
        }
    };
    edit.record.set_adjuster(known);
}

/// What was learnt, line by line.
pub fn sentences(one: &Learnt) -> Vec<String> {
    let mut lines = Vec::new();
    let name = &one.name;
    match &one.fit {
        Fit::Shift(f) => {
            let c = &f.step_covariance_mm2;
            lines.push(format!(
                "{name}: one turn that makes the reading rise moves {:+.6} ± {:.6} mm right and {:+.6} ± {:.6} mm away from you ({:.6} mm in all)",
                f.step_mm.x,
                f.k * c[(0, 0)].max(0.0).sqrt(),
                f.step_mm.y,
                f.k * c[(1, 1)].max(0.0).sqrt(),
                f.step_mm.norm()
            ));
            lines.extend(against_thimble(f.step_mm.norm(), &one.thimble));
            lines.push(play(f.backlash_turns, f.k * f.u_backlash_turns, &one.thimble));
            if let Some(w) = f.once_per_turn {
                lines.push(format!(
                    "  once-per-turn error: ± {:.2} µm (known to ± {:.2} µm)",
                    1e3 * w.amplitude(),
                    1e3 * f.k * w.u[0].max(w.u[1])
                ));
            }
            lines.push(format!(
                "  stops come back to ± {:.2} µm along and {:.2} µm across (one standard deviation)",
                1e3 * f.sd_along_mm,
                1e3 * f.sd_across_mm
            ));
        }
        Fit::Rotation(f) => {
            let c = &f.pivot_covariance_mm2;
            lines.push(format!(
                "{name}: one turn that makes the reading rise turns {:+.6} ± {:.6} degrees (anticlockwise plus, from above)",
                f.step_rad.to_degrees(),
                (f.k * f.u_step_rad).to_degrees()
            ));
            lines.push(format!(
                "  pivot at {:+.4} ± {:.4}, {:+.4} ± {:.4} mm",
                f.pivot_mm.x,
                f.k * c[(0, 0)].max(0.0).sqrt(),
                f.pivot_mm.y,
                f.k * c[(1, 1)].max(0.0).sqrt()
            ));
            lines.push(play(f.backlash_turns, f.k * f.u_backlash_turns, &one.thimble));
            if let Some(w) = f.once_per_turn {
                lines.push(format!(
                    "  once-per-turn error: ± {:.4} degrees (known to ± {:.4})",
                    w.amplitude().to_degrees(),
                    (f.k * w.u[0].max(w.u[1])).to_degrees()
                ));
            }
            lines.push(format!("  stops come back to ± {:.4} degrees (one standard deviation)", f.sd_rad.to_degrees()));
        }
    }
    lines.push(format!("  the reading can be told to {:.4} of a turn", one.thimble.resolution_turns()));
    for m in one.fit.misnoted() {
        lines.push(format!(
            "  stop {} was noted as {}, but the picture says {}: {}. It was left out; correct the listing",
            m.stop + 1,
            one.thimble.shown(m.noted_turns),
            one.thimble.shown(m.likely_turns),
            one.thimble.slip(m.noted_turns, m.likely_turns)
        ));
    }
    match &one.positioning {
        Ok(p) => lines.extend(standard(p, one.fit.unit())),
        Err(_) => lines.push(format!("  {SHORT_RUN_CANNOT}")),
    }
    lines
}

/// A thimble that says otherwise than the pictures: micrometer heads are good to a few 0.01 %, so it is not the screw. One per cent, for
/// what moves may stand off the head's direction by some degrees.
fn against_thimble(step_mm: f64, thimble: &Thimble) -> Option<String> {
    const MOST_OFF: f64 = 0.01;
    let nominal_mm = nominal_mm(thimble)?;
    let off = step_mm / nominal_mm - 1.0;
    (off.abs() > MOST_OFF).then(|| {
        format!(
            "  that is {:+.1} % against the {nominal_mm:.4} mm of its thimble: was scale calibrated with the right pitch? If so, it is another thimble, or a lever lies between; if not, --as-ruler mends the scale",
            100.0 * off
        )
    })
}

fn play(turns: f64, half: f64, thimble: &Thimble) -> String {
    let divisions = if thimble.divisions > 0 { format!(" ({:.2} divisions)", turns * f64::from(thimble.divisions)) } else { String::new() };
    format!("  play {turns:.4} ± {half:.4} turns{divisions}")
}

fn standard(p: &Positioning, (unit, scale): (&str, f64)) -> Vec<String> {
    vec![
        format!("  after ISO 230-2, {} targets, about the line of the turns:", p.targets.len()),
        format!(
            "    mean bidirectional deviation M {:.3} {unit}, reversal value B {:.3} (mean {:.3})",
            scale * p.mean_bidirectional,
            scale * p.reversal,
            scale * p.mean_reversal
        ),
        format!(
            "    repeatability R {:.3} {unit} (up {:.3}, down {:.3}), systematic deviation E {:.3}, accuracy A {:.3}",
            scale * p.repeatability,
            scale * p.repeatability_one_way[0],
            scale * p.repeatability_one_way[1],
            scale * p.systematic,
            scale * p.accuracy
        ),
    ]
}

/// What the bench's history keeps of it.
pub fn figures(one: &Learnt) -> Vec<(String, f64)> {
    let n = &one.name;
    match &one.fit {
        Fit::Shift(f) => vec![
            (format!("{n}_mm_x"), f.step_mm.x),
            (format!("{n}_mm_y"), f.step_mm.y),
            (format!("{n}_backlash_turns"), f.backlash_turns),
            (format!("{n}_sd_mm"), f.sd_along_mm),
        ],
        Fit::Rotation(f) => vec![
            (format!("{n}_deg"), f.step_rad.to_degrees()),
            (format!("{n}_pivot_x_mm"), f.pivot_mm.x),
            (format!("{n}_pivot_y_mm"), f.pivot_mm.y),
            (format!("{n}_backlash_turns"), f.backlash_turns),
        ],
    }
}

fn answer(one: &Learnt) -> Value {
    let misnoted: Vec<Value> = one
        .fit
        .misnoted()
        .iter()
        .map(|m| json!({"stop": m.stop + 1, "noted_turns": m.noted_turns, "likely_turns": m.likely_turns, "slip": one.thimble.slip(m.noted_turns, m.likely_turns)}))
        .collect();
    let iso = one.positioning.as_ref().ok().map(|p| {
        json!({"B": p.reversal, "mean_B": p.mean_reversal, "M": p.mean_bidirectional, "R": p.repeatability, "R_up": p.repeatability_one_way[0],
               "R_down": p.repeatability_one_way[1], "E": p.systematic, "A": p.accuracy})
    });
    let wave = |w: Option<landfit_calibration::screws::OncePerTurn>| w.map(|w| json!({"cos": w.cos, "sin": w.sin, "u": w.u}));
    let mut value = match &one.fit {
        Fit::Shift(f) => json!({
            "mm": [f.step_mm.x, f.step_mm.y],
            "u_mm": [f.step_covariance_mm2[(0, 0)].max(0.0).sqrt(), f.step_covariance_mm2[(1, 1)].max(0.0).sqrt()],
            "backlash_turns": f.backlash_turns, "u_backlash_turns": f.u_backlash_turns, "once_per_turn_mm": wave(f.once_per_turn),
            "sd_mm": f.sd_along_mm, "k": f.k
        }),
        Fit::Rotation(f) => json!({
            "deg": f.step_rad.to_degrees(), "u_deg": f.u_step_rad.to_degrees(), "pivot_mm": [f.pivot_mm.x, f.pivot_mm.y],
            "u_pivot_mm": [f.pivot_covariance_mm2[(0, 0)].max(0.0).sqrt(), f.pivot_covariance_mm2[(1, 1)].max(0.0).sqrt()],
            "backlash_turns": f.backlash_turns, "u_backlash_turns": f.u_backlash_turns, "once_per_turn_rad": wave(f.once_per_turn),
            "sd_deg": f.sd_rad.to_degrees(), "k": f.k
        }),
    };
    if let Some(object) = value.as_object_mut() {
        object.insert("adjuster".to_owned(), json!(one.name));
        object.insert("misnoted".to_owned(), json!(misnoted));
        object.insert("iso_230_2".to_owned(), json!(iso));
    }
    value
}

/// Deviations over readings, up and down apart, one panel below the other.
fn chart(learnt: &[Learnt]) -> String {
    let (width, panel) = (720.0, 240.0);
    let height = panel * learnt.len() as f64;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\" font-size=\"12\">\n<rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>\n"
    );
    for (i, one) in learnt.iter().enumerate() {
        let top = panel * i as f64;
        let (unit, scale) = one.fit.unit();
        let extent =
            |values: &mut dyn Iterator<Item = f64>| values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        let left_out: Vec<usize> = one.fit.misnoted().iter().map(|m| m.stop).collect();
        let shown: Vec<usize> = (0..one.stops.len()).filter(|s| !left_out.contains(s)).collect();
        let (lo, hi) = extent(&mut one.stops.iter().map(|s| s.reading_turns));
        let (down, up) = extent(&mut shown.iter().map(|s| scale * one.fit.deviations()[*s]));
        let x = |t: f64| 60.0 + (width - 90.0) * (t - lo) / (hi - lo).max(1e-9);
        let y = |d: f64| top + panel - 40.0 - (panel - 80.0) * (d - down) / (up - down).max(1e-9);
        let _ = writeln!(
            svg,
            "<text x=\"60\" y=\"{:.0}\">{}: deviation, {unit}, over reading, turns (filled: reading rose, open: it fell)</text>",
            top + 20.0,
            one.name
        );
        for value in [down, 0.0, up] {
            if (down..=up).contains(&value) {
                let _ = writeln!(
                    svg,
                    "<line x1=\"60\" x2=\"{:.1}\" y1=\"{1:.1}\" y2=\"{1:.1}\" stroke=\"#999\"/><text x=\"4\" y=\"{1:.1}\">{value:.2}</text>",
                    width - 30.0,
                    y(value)
                );
            }
        }
        for s in shown {
            let stop = &one.stops[s];
            let fill = if stop.approach == Approach::Up { "#0072B2" } else { "white" };
            let (cx, cy) = (x(stop.reading_turns), y(scale * one.fit.deviations()[s]));
            let _ =
                writeln!(svg, "<circle cx=\"{cx:.1}\" cy=\"{cy:.1}\" r=\"4\" fill=\"{fill}\" stroke=\"#0072B2\" stroke-width=\"1.5\"/>");
        }
        let _ = writeln!(
            svg,
            "<text x=\"60\" y=\"{0:.0}\">{lo:.2}</text><text x=\"{1:.0}\" y=\"{0:.0}\">{hi:.2}</text>",
            top + panel - 20.0,
            width - 60.0
        );
    }
    svg.push_str("</svg>\n");
    svg
}
