//! `landfit calibrate scale`: views, lens and registration from pictures of a target.

use super::super::{Ended, print_json, print_lines, spare};
use super::bench_edit::{BenchEdit, date, day, hashes};
use super::residual_picture::{self, Panel};
use super::shots::{self, SideArg, TargetFlags};
use crate::pictures as picture_files;
use anyhow::{Context, bail};
use landfit_calibration::date::Date;
use landfit_calibration::history::{Entry, SCALE};
use landfit_calibration::record::{Height, Ruler};
use landfit_calibration::scale::{LensKnowledge, ScaleFit, Shot, Spot, Tilt, ViewReport, applied, fit, remember, reports, seat};
use landfit_calibration::target::{FindError, Nominal, agree};
use landfit_part::Side;
use landfit_stats::gum::rectangular;
use landfit_vision::Picture;
use landfit_vision::answer::{Outcome, SiteFinding, SiteState};
use serde_json::{Value, json};
use std::ops::RangeInclusive;
use std::path::PathBuf;
use std::process::ExitCode;

/// Calibrate scale, tilt and lens of the views from pictures of a target, and the views against each other
///
/// The target may lie anywhere and be partly out of view; several pictures, with it moved and turned between them, are better
/// than one. Where the part view and the board view see the same target in the same pictures, they are registered as well.
/// The bench's frame stays where it was.
#[derive(clap::Args)]
pub struct Args {
    /// The pictures; of a bench with several exposures, one after the other for every laying down
    #[arg(required = true)]
    pictures: Vec<PathBuf>,
    /// The bench file, which is changed
    #[arg(long)]
    bench: PathBuf,
    #[command(flatten)]
    target: TargetFlags,
    /// After a change of optics or camera: about what one px shows, in µm (the pixel's size over the magnification); without it the bench
    /// file is asked. A target that says otherwise is refused, for it has another pitch
    #[arg(long, value_name = "UM", value_parser = um_per_px)]
    about: Option<f64>,
    /// Only the views of this side
    #[arg(long, value_name = "SIDE")]
    only: Option<SideArg>,
    /// What gives the scale, as every report shall name it: "glass grid"
    #[arg(long, value_name = "TEXT")]
    ruler: Option<String>,
    /// The ruler's serial number
    #[arg(long, value_name = "TEXT", requires = "ruler")]
    ruler_serial: Option<String>,
    /// The number of the ruler's certificate
    #[arg(long, value_name = "TEXT", requires = "ruler")]
    ruler_certificate: Option<String>,
    /// The day until which that certificate holds
    #[arg(long, value_name = "DATE", requires = "ruler")]
    ruler_due: Option<String>,
    /// The ruler may be long or short by no more than this, in percent; left out, its own error counts as nothing
    #[arg(long, value_name = "PERCENT")]
    ruler_limit: Option<f64>,
    /// The sheet of `landfit calibrate target`: limit 0.3 percent
    #[arg(long, conflicts_with = "ruler_limit")]
    printed: bool,
    /// From the lens to the board, mm: tells the tilt more closely, and the parallax of heights
    #[arg(long, value_name = "MM", value_parser = distance_mm)]
    distance: Option<f64>,
    /// Terminals and lands lie no more than this above or below where the target lay, mm
    #[arg(long, value_name = "MM", requires = "distance", value_parser = heights_mm)]
    heights: Option<f64>,
    /// Days after which this calibration is due again
    #[arg(long, value_name = "DAYS", value_parser = due_days)]
    due: Option<f64>,
    /// Draw what is left of every mark here (PNG)
    #[arg(long, value_name = "FILE")]
    residuals: Option<PathBuf>,
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

fn um_per_px(text: &str) -> Result<f64, String> {
    number(text, 0.01..=1000.0, "write µm per px, from 0.01 to 1000, as in 14.5")
}

fn distance_mm(text: &str) -> Result<f64, String> {
    number(text, 1.0..=10_000.0, "write mm, from 1 to 10000")
}

fn heights_mm(text: &str) -> Result<f64, String> {
    number(text, 0.0..=100.0, "write mm, from 0 to 100")
}

fn due_days(text: &str) -> Result<f64, String> {
    number(text, 1.0..=1e5, "write a number of days, from 1 to 100000; landfit calibrate due 0 takes the rule away")
}

fn number(text: &str, range: RangeInclusive<f64>, mend: &str) -> Result<f64, String> {
    text.parse().ok().filter(|value| range.contains(value)).ok_or_else(|| mend.to_owned())
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    if let Some(path) = &args.residuals {
        spare("--residuals", path, args.pictures.iter().chain([&args.bench]))?;
    }
    let mut edit = BenchEdit::open(&args.bench)?;
    let date = date(args.date.as_deref())?;
    let ruler = ruler(args)?;
    let ruler_relative = ruler.relative.unwrap_or(0.0);
    let mut seen = see(args, &edit)?;
    let norm_px = edit.bench.optics.lens.map_or_else(|| half_diagonal_px(&edit), |l| l.norm_px);
    let size_px = edit.bench.optics.frame.size_px;
    let mut found = fit(&seen.shots, size_px, LensKnowledge::Open { norm_px }, ruler_relative)
        .with_context(|| format!("{}", args.pictures[0].display()))?;
    seat(&mut found, &edit.bench.optics, &seen.views)?;
    if let Some(shots) = as_align_sees(args, &edit, &seen, &found)? {
        seen.shots = shots;
        found = fit(&seen.shots, size_px, LensKnowledge::Open { norm_px }, ruler_relative)
            .with_context(|| format!("{}", args.pictures[0].display()))?;
        seat(&mut found, &edit.bench.optics, &seen.views)?;
    }
    let reports = reports(&found, &edit.bench.optics, &seen.views)?;
    if let Some(path) = &args.residuals {
        let panel = |(view, report): (&usize, &'_ ViewReport)| Panel {
            title: format!("{} view {}", edit.bench.optics.views[*view].shows.word(), view + 1),
            region: shots::region(&edit, *view),
            windows: report.windows.clone(),
        };
        let panels: Vec<Panel> = seen.views.iter().zip(&reports).map(panel).collect();
        residual_picture::write(path, &found.residuals(), &panels)?;
    }
    edit.bench.optics = applied(&found, &edit.bench.optics, &seen.views)?;
    let today = day(&date)?;
    remember(&mut edit.record, &found, &edit.bench.optics, (&seen.views, &reports), &seen.format, today);
    edit.record.due_days = args.due.or(edit.record.due_days);
    if let (Some(distance_mm), Some(differs_mm)) = (args.distance, args.heights) {
        edit.record.height = Some(Height { distance_mm, differs_mm });
    }
    edit.record.ruler = Some(ruler.clone());
    let entry = Entry { date, what: SCALE.to_owned(), ruler: ruler.words(), pictures: hashes(&args.pictures)?, figures: figures(&reports) };
    if !args.dry {
        edit.write(&entry)?;
    }
    if args.json {
        print_json(&answer(&edit, &seen, &found, &reports, &ruler))?;
    } else {
        let mut lines = lines(args, &edit, &seen, &found, &reports, &ruler, today);
        lines.extend(args.residuals.as_ref().map(|path| format!("wrote {}", path.display())));
        lines.push(if args.dry {
            "nothing was written (--dry)".to_owned()
        } else {
            format!("wrote {}; the former file is in its history", args.bench.display())
        });
        print_lines(&lines)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// What gives the scale, as it was named.
fn ruler(args: &Args) -> anyhow::Result<Ruler> {
    let limit = match (args.printed, args.ruler_limit) {
        (true, _) => Some(landfit_calibration::target::sheet::PRINTED_LIMIT),
        (false, Some(percent)) => Some(percent / 100.0),
        (false, None) => None,
    };
    if limit.is_some_and(|l| !(0.0..=0.2).contains(&l)) {
        bail!("--ruler-limit {}: write percent, from 0 to 20", args.ruler_limit.unwrap_or(0.0));
    }
    let due = match args.ruler_due.as_deref() {
        None => None,
        Some(text) => Some(Date::parse(text).with_context(|| format!("--ruler-due {text}: write year-month-day, as in 2027-03-31"))?),
    };
    let usual = || if args.printed { "a printed target (0.3 %)".to_owned() } else { args.target.usual_ruler() };
    let name = args.ruler.clone().unwrap_or_else(usual);
    let (serial, certificate) = (args.ruler_serial.clone(), args.ruler_certificate.clone());
    Ok(Ruler { name, serial, certificate, due, relative: limit.map(rectangular) })
}

fn half_diagonal_px(edit: &BenchEdit) -> f64 {
    let [w, h] = edit.bench.optics.frame.size_px;
    (f64::from(w).hypot(f64::from(h)) / 2.0).round().max(1.0)
}

/// The marks, and which of the bench's views each number of the fit stands for.
struct SeenMarks {
    shots: Vec<Shot>,
    views: Vec<usize>,
    format: String,
    pictures: Vec<Picture>,
}

fn see(args: &Args, edit: &BenchEdit) -> anyhow::Result<SeenMarks> {
    let optics = &edit.bench.optics;
    let asked = args.target.read()?;
    let views: Vec<usize> = (0..optics.views.len()).filter(|v| args.only.is_none_or(|s| optics.views[*v].shows == Side::from(s))).collect();
    if views.is_empty() {
        bail!("{}: no view shows that side", args.bench.display());
    }
    // Only the exposures of the views asked for are needed.
    let mut exposures: Vec<usize> = views.iter().map(|v| optics.views[*v].exposure).collect();
    exposures.sort_unstable();
    exposures.dedup();
    if !args.pictures.len().is_multiple_of(exposures.len()) {
        bail!(
            "the target needs {} pictures for every laying down, one of each exposure, and was given {} in all: give every laying down its own",
            exposures.len(),
            args.pictures.len()
        );
    }
    let pictures = shots::read(edit, &args.pictures)?;
    let format = the_one_format(&args.pictures, &pictures)?;
    let mut shots_found = Vec::new();
    for (laying, set) in pictures.chunks(exposures.len()).enumerate() {
        let mut first: Option<(usize, landfit_calibration::target::Found)> = None;
        for (number, view) in views.iter().enumerate() {
            let exposure = exposures.iter().position(|e| *e == optics.views[*view].exposure).unwrap_or(0);
            let path = &args.pictures[laying * exposures.len() + exposure];
            let target = asked.of(optics.views[*view].shows);
            let mut found =
                shots::find_in_view(edit, *view, path, &set[exposure], &target, args.about.map(Nominal::stated)).map_err(after_a_change)?;
            if let (true, Some((other, marks))) = (asked.is_common(), &first) {
                agree(optics, (*view, &mut found), (*other, marks)).with_context(|| format!("{}", path.display()))?;
            }
            tracing::info!("{}: view {} shows {} marks", path.display(), view + 1, found.spots.len());
            // Each side's own pattern lies in a place of its own; views of one side share it.
            let placement = if asked.is_common() { laying } else { 2 * laying + usize::from(optics.views[*view].shows == Side::Board) };
            shots_found.push(Shot { view: number, placement, disc_mm: found.disc_mm, spots: found.spots.clone() });
            first.get_or_insert((*view, found));
        }
    }
    // Placement numbers without gaps.
    let mut used: Vec<usize> = shots_found.iter().map(|s| s.placement).collect();
    used.sort_unstable();
    used.dedup();
    for s in &mut shots_found {
        s.placement = used.iter().position(|u| *u == s.placement).unwrap_or(0);
    }
    Ok(SeenMarks { shots: shots_found, views, format, pictures })
}

/// What can be done where the target speaks of another scale than the bench file, and rightly so.
fn after_a_change(error: anyhow::Error) -> anyhow::Error {
    match error.downcast_ref() {
        Some(FindError::OtherScale { .. }) => {
            anyhow::anyhow!("{error:#} If optics or camera were changed, say what is to be expected: --about UM")
        }
        _ => error,
    }
}

/// The format of all pictures; the views lie differently in another.
fn the_one_format(paths: &[PathBuf], pictures: &[Picture]) -> anyhow::Result<String> {
    let mut first: Option<(&PathBuf, String)> = None;
    for (path, picture) in paths.iter().zip(pictures) {
        let format = picture_files::format(path, picture);
        match &first {
            Some((other, formerly)) if *formerly != format => bail!(
                "{} has the format {format}, but {} has {formerly}: take all of them in the format that you work in, for the views lie differently in another",
                path.display(),
                other.display()
            ),
            Some(_) => {}
            None => first = Some((path, format)),
        }
    }
    first.map(|(_, format)| format).context("no picture was given")
}

/// A pattern's marks once more, measured as `align` will measure them: uneven light moves the middle that any finder finds, and what
/// moves it in calibration and in the job alike does not matter. `None` for other targets, for some of the views only, and where
/// `align` gives no answer.
fn as_align_sees(args: &Args, edit: &BenchEdit, seen: &SeenMarks, found: &ScaleFit) -> anyhow::Result<Option<Vec<Shot>>> {
    let optics = &edit.bench.optics;
    let (Some(part), true) = (args.target.part()?, seen.views.len() == optics.views.len()) else { return Ok(None) };
    let mut changed = edit.bench.clone();
    for (i, v) in seen.views.iter().enumerate() {
        changed.optics.views[*v].px_from_mm = found.px_from_mm(i);
    }
    changed.optics.lens = Some(found.lens());
    let exposures = optics.exposures();
    let mut shots = seen.shots.clone();
    for (laying, set) in seen.pictures.chunks(exposures).enumerate() {
        let Ok(alignment) = landfit_vision::align(set, &part, &changed.optics) else { return Ok(None) };
        if !matches!(alignment.outcome, Outcome::Fit(_)) {
            return Ok(None);
        }
        for (i, v) in seen.views.iter().enumerate() {
            let side = optics.views[*v].shows;
            let spot = |f: &SiteFinding| {
                // All alike: a trace that touches a land puts it further off than its own noise says.
                let spot = Spot { at_mm: part.sites[f.site].centre_mm(side), seen_px: f.centre_px?, u_px: 0.1 };
                (f.view == *v && f.state == SiteState::Good).then_some(spot)
            };
            let spots: Vec<Spot> = alignment.side(side).sites.iter().filter_map(spot).collect();
            // Shots stand laying by laying, view by view.
            if let Some(shot) = shots.get_mut(laying * seen.views.len() + i).filter(|s| 2 * spots.len() > s.spots.len()) {
                shot.spots = spots;
            } else {
                return Ok(None);
            }
        }
    }
    Ok(Some(shots))
}

/// What the bench's history keeps of it.
pub fn figures(reports: &[ViewReport]) -> Vec<(String, f64)> {
    let of = |(i, r): (usize, &ViewReport)| {
        vec![
            (format!("view{i}_um_per_px_x"), r.um_per_px[0]),
            (format!("view{i}_um_per_px_y"), r.um_per_px[1]),
            (format!("view{i}_angle_deg"), r.angle_rad.to_degrees()),
            (format!("view{i}_rms_px"), r.rms_px),
        ]
    };
    reports.iter().enumerate().flat_map(of).collect()
}

/// Degrees of tilt about the bench's axes from the growth of the magnification, which goes with 1.5 sin(tilt) / distance.
fn tilt_deg(r: &ViewReport, distance_mm: f64) -> f64 {
    (r.growth_per_mm[0].hypot(r.growth_per_mm[1]) * distance_mm / 1.5).clamp(-1.0, 1.0).asin().to_degrees()
}

fn lines(
    args: &Args,
    edit: &BenchEdit,
    seen: &SeenMarks,
    found: &ScaleFit,
    reports: &[ViewReport],
    ruler: &Ruler,
    today: Date,
) -> Vec<String> {
    let mut lines = Vec::new();
    lines.push(match ruler.relative {
        Some(relative) => format!("ruler: {}, scale good to {:.3} % (k = 2)", ruler.words(), 200.0 * relative),
        None => format!("ruler: {}; how good it is was not stated (--ruler-limit), so its own error counts as nothing", ruler.words()),
    });
    if let (true, Some(due)) = (ruler.is_overdue(today), ruler.due) {
        lines.push(format!(
            "  its certificate ran out on {due}, {} days ago: have it certified, then calibrate scale again. Until then every answer says so",
            today.days_since(due)
        ));
    }
    for (view, r) in seen.views.iter().zip(reports) {
        lines.extend(view_lines(*view, edit.bench.optics.views[*view].shows, r, args.distance, DISTANCE_OPTION));
    }
    lines.extend(lens_line(found));
    let mut registered = false;
    for r in &edit.record.registrations {
        let (Some(i), Some(j)) = (position(seen, r.part_view), position(seen, r.board_view)) else { continue };
        if found.are_registered(i, j) {
            registered = true;
            let u = |k: usize| 2.0 * r.covariance[(k, k)].max(0.0).sqrt();
            lines.push(format!(
                "part view {} against board view {}: known to ± {:.2} µm, {:.2} µm, {:.4} degrees (k = 2), for {} pictures",
                r.part_view + 1,
                r.board_view + 1,
                1e3 * u(0),
                1e3 * u(1),
                u(2).to_degrees(),
                seen.format
            ));
        }
    }
    if !registered && args.only.is_none() {
        lines.push("part view against board view: not calibrated here, the two did not see the same target".to_owned());
    }
    lines
}

/// How the tilt is told more closely by this command.
const DISTANCE_OPTION: &str = "; with --distance MM it is told more closely";

/// What one view's calibration says, line by line, counting views from 1 as the file's first; with the distance from the lens to the board, mm, its tilt is told more closely:
/// `by_option` says how the caller takes it.
pub fn view_lines(view: usize, side: Side, r: &ViewReport, distance_mm: Option<f64>, by_option: &str) -> Vec<String> {
    let (side, mut lines) = (side.word(), Vec::new());
    lines.push(format!(
        "{side} view {}: {:.4} ± {:.4} µm per px along x, {:.4} ± {:.4} along y (k = 2), turned {:.3} ± {:.3} degrees",
        view + 1,
        r.um_per_px[0],
        2.0 * r.u_um_per_px[0],
        r.um_per_px[1],
        2.0 * r.u_um_per_px[1],
        r.angle_rad.to_degrees(),
        2.0 * r.u_angle_rad.to_degrees()
    ));
    let growth = r.growth_per_mm.map(|g| 1e3 * g);
    let tilt = match (distance_mm, r.tilt) {
        (Some(d), _) => format!("(a tilt of {:.2} degrees at {d:.0} mm)", tilt_deg(r, d)),
        (None, Tilt::Told { rad, u_rad }) => {
            format!("(a tilt of {:.2} ± {:.2} degrees, pixels taken for square)", rad.to_degrees(), 2.0 * u_rad.to_degrees())
        }
        (None, Tilt::AtMost { rad }) => {
            format!("(a tilt of {:.2} degrees at most{by_option})", rad.to_degrees())
        }
    };
    lines.push(format!(
        "  tilt: the magnification grows by {:.2} % in 10 mm to the right and {:.2} % in 10 mm away from you {tilt}",
        growth[0], growth[1]
    ));
    lines.push(format!(
        "  {} marks, {} left out; residuals {:.3} px (RMS), marks that the fit had not seen {:.3} px",
        r.marks[0], r.marks[1], r.rms_px, r.held_out_px
    ));
    lines.push(format!(
        "  largest error of a position in the field: {:.2} µm (k = 2), at column {:.0}, row {:.0}",
        2e3 * r.field.largest_mm,
        r.field.at_px.x,
        r.field.at_px.y
    ));
    let open = r.windows.uncovered();
    if !open.is_empty() {
        lines.push(format!(
            "  not covered: {} of the field ({:.0} % is); there the calibration is only carried on. Move the target there for another picture",
            open.join(", "),
            100.0 * r.windows.covered_share()
        ));
    }
    lines
}

/// What the lens does, where the pictures tell.
pub fn lens_line(found: &ScaleFit) -> Option<String> {
    let [k1, k2, x, y] = found.lens_figures()?;
    let told =
        if found.centre_is_supported() { "" } else { "; where its centre lies the pictures hardly tell: taken to be near the middle" };
    Some(format!(
        "lens: k1 {:.5} ± {:.5}, k2 {:.5} ± {:.5}, centre {:.0} ± {:.0}, {:.0} ± {:.0} px (k = 2){told}",
        k1.0,
        2.0 * k1.1,
        k2.0,
        2.0 * k2.1,
        x.0,
        2.0 * x.1,
        y.0,
        2.0 * y.1
    ))
}

fn position(seen: &SeenMarks, view: usize) -> Option<usize> {
    seen.views.iter().position(|v| *v == view)
}

fn answer(edit: &BenchEdit, seen: &SeenMarks, found: &ScaleFit, reports: &[ViewReport], ruler: &Ruler) -> Value {
    let tilt = |t: Tilt| match t {
        Tilt::Told { rad, u_rad } => json!({"deg": rad.to_degrees(), "u_deg": u_rad.to_degrees()}),
        Tilt::AtMost { rad } => json!({"at_most_deg": rad.to_degrees()}),
    };
    let views: Vec<Value> = seen
        .views
        .iter()
        .zip(reports)
        .map(|(view, r)| {
            json!({
                "view": view, "shows": edit.bench.optics.views[*view].shows.word(), "um_per_px": r.um_per_px, "u_um_per_px": r.u_um_per_px,
                "angle_deg": r.angle_rad.to_degrees(), "u_angle_deg": r.u_angle_rad.to_degrees(),
                "growth_per_mm": r.growth_per_mm, "u_growth_per_mm": r.u_growth_per_mm, "tilt": tilt(r.tilt), "rms_px": r.rms_px, "held_out_px": r.held_out_px,
                "marks": r.marks[0], "left_out": r.marks[1], "largest_error_mm": r.field.largest_mm, "not_covered": r.windows.uncovered(),
                "covered_share": r.windows.covered_share()
            })
        })
        .collect();
    let lens = found.lens_figures().map(|f| {
        json!({"k1": f[0].0, "u_k1": f[0].1, "k2": f[1].0, "u_k2": f[1].1, "centre_px": [f[2].0, f[3].0], "u_centre_px": [f[2].1, f[3].1]})
    });
    let registration: Vec<Value> = edit
        .record
        .registrations
        .iter()
        .map(|r| {
            let u = |k: usize| r.covariance[(k, k)].max(0.0).sqrt();
            json!({"part_view": r.part_view, "board_view": r.board_view, "u_x_mm": u(0), "u_y_mm": u(1), "u_theta_deg": u(2).to_degrees()})
        })
        .collect();
    let due = ruler.due.map(|d| d.to_string());
    let named =
        json!({"name": ruler.name, "serial": ruler.serial, "certificate": ruler.certificate, "due": due, "relative": ruler.relative});
    json!({"schema": 1, "ruler": named, "views": views, "lens": lens, "registration": registration, "k": 1})
}
