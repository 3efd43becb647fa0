//! `landfit part`: make part files from drawing values, and show them.

mod drawn;

use super::terminal::{counts, mm, mm_pair};
use super::{print_lines, spare};
use crate::part_drawing;
use anyhow::Context as _;
use landfit_part::defaults;
use landfit_part::generate::{Depopulation, DrawingError, GridDrawing, ball_grid, guessed_body_mm};
use landfit_part::grid::Grid;
use landfit_part::symmetry::{mirror_looks_the_same, turns_that_look_the_same};
use landfit_part::{AllowanceSource, Existing, FileError, Mark, Part, Piece, PointMm, Shape, Side, file, text_file};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Make and show part files
#[derive(clap::Args)]
#[command(arg_required_else_help = false)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    /// Make a part file from the values of a drawing
    ///
    /// What tells how a part is turned, where its terminals look the same turned: --part-mark (a mark on its underside, and
    /// --board-mark for one on the board), for grids --absent (a place without a ball), for QFN and DFN --cut-corner (the pad
    /// in the middle).
    #[command(arg_required_else_help = false)]
    New {
        #[command(subcommand)]
        kind: Box<Kind>,
    },
    /// Tell in words what a part file holds, or draw it to scale
    Show(Show),
    Check(Check),
}

#[derive(clap::Subcommand)]
enum Kind {
    Grid(NewGrid),
    Lga(drawn::NewLga),
    Qfp(drawn::NewQfp),
    Qfn(drawn::NewQfn),
    Dfn(drawn::NewDfn),
    So(drawn::NewSo),
    Chip(drawn::NewChip),
    Rows(drawn::NewRows),
}

/// Look for what in a part file can hardly be meant, and for what its pattern cannot tell
///
/// Prints count, pitches, extents and symmetry, then what is to be looked into: lands or terminals that overlap, terminals off
/// their lands, lands far outside the body, a pattern that looks the same turned (`landfit part new` settles that with
/// --part-mark, --absent or --cut-corner), and with --bench features too small for it.
///
/// Exit status: 0 nothing to look into; 1 something; 2 bad input (a site's name given twice is bad input, with both lines).
#[derive(clap::Args)]
struct Check {
    /// The part file
    #[arg(value_name = "PART")]
    part: PathBuf,
    /// The bench that is to see it
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// Print one JSON object instead of sentences
    #[arg(long)]
    json: bool,
}

/// Make a ball grid (BGA, CSP)
///
/// Lengths are in mm, with or without the unit. Where --ball or --land is left out, the usual size at the pitch is
/// taken from a published table and said; the figures of the part's own drawing are better.
#[derive(clap::Args)]
struct NewGrid {
    /// Rows of the full grid (A, B, …)
    #[arg(long, value_name = "N", value_parser = count)]
    rows: u32,
    /// Columns of the full grid (1, 2, …)
    #[arg(long, value_name = "N", value_parser = count)]
    columns: u32,
    /// Distance from ball to ball: 0.8, or 0.8x0.65 for columns and rows
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    pitch: Pair,
    /// Ball diameter
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    ball: Option<f64>,
    /// Land diameter on the board
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    land: Option<f64>,
    /// Sites without a ball: A1, or a block G7:K10; several with commas, or the flag again
    #[arg(long, value_name = "SITES", value_delimiter = ',')]
    absent: Vec<String>,
    /// Empty field in the middle, rows x columns: 4x4
    #[arg(long, value_name = "NxN", value_parser = counts_arg)]
    empty_middle: Option<Counts>,
    /// Only every other site, as on a chessboard, A1 among them: a staggered grid; --pitch is then that of the full grid
    #[arg(long)]
    staggered: bool,
    /// Balls missing along each edge from every corner: 1 leaves out the four corner balls, 2 three at each corner
    #[arg(long, value_name = "N", value_parser = count, default_value = "0", hide_default_value = true)]
    empty_corners: u32,
    #[command(flatten)]
    making: Making,
}

/// What every new part file takes.
#[derive(clap::Args)]
struct Making {
    /// Body size: 14, or 14x12
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    body: Option<Pair>,
    /// Round mark on the part's underside, place seen from above the board, and diameter: -6.3,6.3,0.3
    #[arg(long, value_name = "X,Y,MM", value_parser = part_mark, allow_hyphen_values = true)]
    part_mark: Vec<Mark>,
    /// Round mark on the board, likewise
    #[arg(long, value_name = "X,Y,MM", value_parser = board_mark, allow_hyphen_values = true)]
    board_mark: Vec<Mark>,
    /// Largest allowed miss; a quarter of the smallest land (round), or of the terminal's width, where it is left out
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    accept: Option<f64>,
    /// The part's name
    #[arg(long)]
    name: Option<String>,
    /// The part file to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Write over a file of that name
    #[arg(long)]
    replace: bool,
}

impl Making {
    fn marks(&self) -> Vec<Mark> {
        self.part_mark.iter().chain(&self.board_mark).cloned().collect()
    }
}

/// Tell in words what a part file holds, or draw it to scale
#[derive(clap::Args)]
struct Show {
    /// The part file
    #[arg(value_name = "PART")]
    part: PathBuf,
    /// Draw it to scale, from above and from below, into this SVG file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write over a file of that name
    #[arg(long)]
    replace: bool,
}

// clap takes an array for a list of values, so pairs need names of their own.
#[derive(Clone, Copy)]
struct Pair([f64; 2]);
#[derive(Clone, Copy)]
struct Counts([u32; 2]);

fn count(text: &str) -> Result<u32, String> {
    text.trim().parse().map_err(|_| "write a whole number, like 16".to_owned())
}

fn size_mm(text: &str) -> Result<f64, String> {
    mm(text).and_then(size)
}

fn sizes_mm(text: &str) -> Result<Pair, String> {
    let [x, y] = mm_pair(text)?;
    Ok(Pair([size(x)?, size(y)?]))
}

fn size(value_mm: f64) -> Result<f64, String> {
    if value_mm > 0.0 && value_mm <= 1000.0 { Ok(value_mm) } else { Err("a size is above 0 and at most 1000 mm".to_owned()) }
}

fn counts_arg(text: &str) -> Result<Counts, String> {
    counts(text).map(Counts)
}

fn part_mark(text: &str) -> Result<Mark, String> {
    mark(text, Side::Part)
}

fn board_mark(text: &str) -> Result<Mark, String> {
    mark(text, Side::Board)
}

fn mark(text: &str, side: Side) -> Result<Mark, String> {
    let values = text.split(',').map(mm).collect::<Result<Vec<_>, _>>()?;
    let [x, y, diameter_mm] = values[..] else {
        return Err(format!("\"{text}\" is no mark; write x, y and diameter in mm, like -6.3,6.3,0.3"));
    };
    if diameter_mm <= 0.0 {
        return Err(format!("a mark of {diameter_mm} mm cannot be seen; the diameter must be above 0"));
    }
    Ok(Mark { side, at_mm: PointMm::new(x, y), angle_rad: 0.0, piece: Piece::round(diameter_mm) })
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    match &args.command {
        Command::New { kind } => match kind.as_ref() {
            Kind::Grid(new) => new_grid(new),
            Kind::Lga(new) => drawn::lga(new),
            Kind::Qfp(new) => drawn::qfp(new),
            Kind::Qfn(new) => drawn::qfn(new),
            Kind::Dfn(new) => drawn::dfn(new),
            Kind::So(new) => drawn::so(new),
            Kind::Chip(new) => drawn::chip(new),
            Kind::Rows(new) => drawn::rows(new),
        },
        Command::Show(show) => self::show(show),
        Command::Check(check) => return self::check(check),
    }?;
    Ok(ExitCode::SUCCESS)
}

fn new_grid(new: &NewGrid) -> anyhow::Result<()> {
    let pitch_mm = new.pitch.0;
    let smaller_mm = pitch_mm[0].min(pitch_mm[1]);
    let (ball_mm, ball_source) = match new.ball {
        Some(ball_mm) => (ball_mm, "as given".to_owned()),
        None => {
            // Of a chessboard, the nearest neighbour of a site stands across, or two steps along.
            let choice = match new.staggered {
                true => defaults::for_distance(pitch_mm[0].hypot(pitch_mm[1]).min(2.0 * smaller_mm)),
                false => defaults::for_pitch(smaller_mm),
            };
            choice.map(|choice| (choice.ball_mm, choice.source)).context("--ball is needed")?
        }
    };
    let (land_mm, land_source) = match new.land {
        Some(land_mm) => (land_mm, "as given".to_owned()),
        None => {
            let choice = defaults::for_ball(ball_mm).context("--land is needed")?;
            let same_table = format!("the usual land of a {ball_mm} mm ball, from the same table");
            (choice.land_mm, if new.ball.is_some() { choice.source } else { same_table })
        }
    };
    let (body_mm, body_source) = match new.making.body {
        Some(Pair(body_mm)) => (body_mm, "as given"),
        None => (
            guessed_body_mm(new.rows.min(500), new.columns.min(500), pitch_mm),
            "a guess for the drawing's sake; nothing is measured against it",
        ),
    };
    let mut part = ball_grid(&GridDrawing {
        name: String::new(),
        rows: new.rows,
        columns: new.columns,
        pitch_mm,
        ball_mm,
        land_mm,
        body_mm,
        depopulation: Depopulation {
            absent: new.absent.iter().filter(|s| !s.trim().is_empty()).cloned().collect(),
            empty_middle: new.empty_middle.map(|c| c.0),
            staggered: new.staggered,
            empty_corners: new.empty_corners,
        },
        marks: new.making.marks(),
        accept_miss_mm: new.making.accept,
    })
    .map_err(|error| match error {
        DrawingError::Absent(place) => anyhow::anyhow!("--absent: {place}"),
        other => other.into(),
    })?;
    part.name = new.making.name.clone().unwrap_or_else(|| format!("BGA{} {smaller_mm} mm", part.sites.len()));
    write_part(&new.making.out, &part, new.making.replace)?;
    let mut text = format!("{}\n\n", describe(&part));
    text += &format!("ball         {ball_mm} mm: {ball_source}\n");
    text += &format!("land         {land_mm} mm: {land_source}\n");
    text += &format!("body         {} x {} mm: {body_source}\n", body_mm[0], body_mm[1]);
    text += &look_into(&part, &new.making.out);
    text += &format!("\nwritten to {0}; look at it with: landfit part show {0} --out part.svg\n", new.making.out.display());
    print_lines(&[text.trim_end().to_owned()])
}

fn write_part(path: &Path, part: &Part, replace: bool) -> anyhow::Result<()> {
    let existing = if replace { Existing::Replace } else { Existing::Keep };
    file::write(path, part, existing).map_err(|error| match error {
        // The file was never written, so its lines would lead nowhere.
        FileError::Wrong { key, what, .. } => anyhow::anyhow!("these values make no part: {key} {what}"),
        other => with_way_out(other),
    })
}

/// Says how to write over a file that is in the way.
fn with_way_out(error: FileError) -> anyhow::Error {
    match error {
        FileError::Exists { .. } => anyhow::anyhow!("{error}; give --replace to write over it"),
        other => other.into(),
    }
}

fn show(show: &Show) -> anyhow::Result<()> {
    let part = file::read(&show.part)?;
    let Some(out) = &show.out else {
        let others = file::tables_of_others(&text_file::load(&show.part)?, &show.part.display().to_string())?;
        let mut text = describe(&part) + "\n";
        if !others.is_empty() {
            let list: Vec<String> = others.iter().map(|(name, line)| format!("{name} (line {line})")).collect();
            text += &format!("not read     {}: tables that part files do not know\n", list.join(", "));
        }
        return print_lines(&[text.trim_end().to_owned()]);
    };
    spare("--out", out, [&show.part])?;
    let existing = if show.replace { Existing::Replace } else { Existing::Keep };
    text_file::save(out, &part_drawing::svg(&part), existing).map_err(with_way_out)?;
    print_lines(&[format!("drawn to scale, from above and from below: {}", out.display())])
}

fn check(check: &Check) -> anyhow::Result<ExitCode> {
    let part = file::read(&check.part)?;
    let mut findings = landfit_part::check::findings(&part);
    if let Some(path) = &check.bench {
        let bench = landfit_calibration::bench_file::read(path)?;
        for side in [Side::Part, Side::Board] {
            // The view that shows the least px per mm decides.
            let scales = bench.optics.views.iter().filter(|v| v.shows == side).filter_map(|v| {
                let sight = landfit_vision::view::Sight::new(v, bench.optics.lens)?;
                let [w, h] = v.region_px.map_or(bench.optics.frame.size_px, |r| [r.width, r.height]).map(f64::from);
                let [x, y] = v.region_px.map_or([0, 0], |r| [r.x, r.y]).map(f64::from);
                let middle = sight.mm(landfit_vision::PointPx::new(x + (w - 1.0) / 2.0, y + (h - 1.0) / 2.0));
                Some(sight.px_per_mm(middle).determinant().abs().sqrt())
            });
            let px_per_mm = scales.fold(f64::INFINITY, f64::min);
            findings.extend(landfit_part::check::too_fine(&part, side, px_per_mm, landfit_vision::LEAST_RADIUS_PX));
        }
    }
    let status = ExitCode::from(u8::from(!findings.is_empty()));
    if check.json {
        let [width_mm, length_mm] = reach_mm(&part);
        let found: Vec<_> = findings.iter().map(|f| serde_json::json!({"kind": f.kind.word(), "sites": f.sites, "text": f.text})).collect();
        let pitches: Vec<_> = landfit_part::check::pitches_mm(&part, Side::Part).into_iter().map(|(mm, _)| mm).collect();
        super::print_json(&serde_json::json!({
            "schema": 1,
            "name": part.name,
            "sites": part.sites.len(),
            "pitches_mm": pitches,
            "extent_mm": [short(width_mm), short(length_mm)],
            "turns_that_look_the_same_deg": turns_that_look_the_same(&part, Side::Part).iter().map(|t| u32::from(*t) * 90).collect::<Vec<_>>(),
            "findings": found,
        }))?;
        return Ok(status);
    }
    let mut lines = vec![describe(&part), String::new()];
    if findings.is_empty() {
        lines.push("nothing to look into".to_owned());
    } else {
        const MOST: usize = 20;
        lines.push(format!("to look into ({}):", findings.len()));
        lines.extend(findings.iter().take(MOST).map(|f| format!("  {}", f.text)));
        if findings.len() > MOST {
            lines.push(format!("  and {} more", findings.len() - MOST));
        }
    }
    print_lines(&[lines.join("\n")])?;
    Ok(status)
}

/// A line about what can hardly be meant, or nothing. What looks the same turned is not in it: [`describe`] tells that.
fn look_into(part: &Part, file: &Path) -> String {
    use landfit_part::check::Kind;
    let found: Vec<_> = landfit_part::check::findings(part).into_iter().filter(|f| f.kind != Kind::LooksTheSame).collect();
    let Some(first) = found.first() else { return String::new() };
    let others = if found.len() > 1 { format!(", and {} more", found.len() - 1) } else { String::new() };
    format!("look into    {}{others}: landfit part check {}\n", first.text, file.display())
}

/// A part in a few lines.
fn describe(part: &Part) -> String {
    let mut lines = vec![format!("{}: {}", part.name, sites(part))];
    let pitches: Vec<String> = landfit_part::check::pitches_mm(part, Side::Part)
        .into_iter()
        .take(4)
        .map(|(mm, count)| format!("{} mm at {count}", short(mm)))
        .collect();
    if !pitches.is_empty() {
        lines.push(format!("pitch        {} terminals: from each to its nearest neighbour", pitches.join(", ")));
    }
    lines.push(format!("terminals    {}", shapes(part, Side::Part)));
    lines.push(format!("lands        {}", shapes(part, Side::Board)));
    let [width_mm, length_mm] = reach_mm(part);
    lines.push(format!(
        "reach        {} x {} mm over the terminals' centres, body {} x {} mm",
        short(width_mm),
        short(length_mm),
        part.body_mm[0],
        part.body_mm[1]
    ));
    let allowance = part.allowance();
    let source = match allowance.source {
        AllowanceSource::PartFile => "[accept] of the part file",
        AllowanceSource::QuarterOfLand => "25 % of the smallest land, a choice of this project; [accept] miss_mm sets another",
        AllowanceSource::QuarterOfTerminal => {
            "25 % of the smallest terminal's width, a choice of this project; [accept] miss_mm sets another"
        }
    };
    lines.push(format!("allowed miss {} mm: {source}", short(allowance.miss_mm)));
    if !part.marks.is_empty() {
        let of = |side: Side| part.marks.iter().filter(|m| m.side == side).count();
        lines.push(format!("marks        {} on the part, {} on the board", of(Side::Part), of(Side::Board)));
    }
    lines.push(format!("orientation  {}", orientation(part)));
    lines.join("\n")
}

fn sites(part: &Part) -> String {
    match Grid::of_sites(&part.sites) {
        Some((grid, count)) if count == part.sites.len() => {
            let absent = grid.absent.len();
            let rest = if absent == 0 { String::new() } else { format!(", {absent} left out") };
            let sites = if count == 1 { "site" } else { "sites" };
            format!("{count} {sites} in a grid of {} rows and {} columns{rest}", grid.rows, grid.columns)
        }
        _ if part.sites.len() == 1 => "1 site".to_owned(),
        _ => format!("{} sites", part.sites.len()),
    }
}

/// Count and size of each shape on one side, the most frequent first.
fn shapes(part: &Part, side: Side) -> String {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for piece in part.sites.iter().flat_map(|s| s.pieces(side)) {
        *counts.entry(shape_in_words(&piece.shape)).or_default() += 1;
    }
    let mut list: Vec<(String, usize)> = counts.into_iter().collect();
    list.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    let more = list.len().saturating_sub(4);
    let mut words: Vec<String> = list.into_iter().take(4).map(|(shape, count)| format!("{count} {shape}")).collect();
    if more > 0 {
        words.push(format!("{more} other shapes"));
    }
    if words.is_empty() { "none".to_owned() } else { words.join(", ") }
}

fn shape_in_words(shape: &Shape) -> String {
    let [width_mm, length_mm] = shape.extent_mm().map(short);
    match shape {
        Shape::Round { .. } => format!("round, {width_mm} mm"),
        Shape::Rect { .. } => format!("rectangular, {width_mm} x {length_mm} mm"),
        Shape::Rounded { .. } => format!("with rounded corners, {width_mm} x {length_mm} mm"),
        Shape::Oval { .. } => format!("oval, {width_mm} x {length_mm} mm"),
        Shape::Outline { .. } => format!("of their own outline, within {width_mm} x {length_mm} mm"),
    }
}

fn reach_mm(part: &Part) -> [f64; 2] {
    let span = |get: fn(&PointMm) -> f64| {
        let centres = part.sites.iter().map(|s| get(&s.centre_mm(Side::Part)));
        let (low, high) = centres.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
        (high - low).max(0.0)
    };
    [span(|p| p.x), span(|p| p.y)]
}

fn orientation(part: &Part) -> String {
    let turns = turns_that_look_the_same(part, Side::Part);
    let mirror = if mirror_looks_the_same(part, Side::Part) { "" } else { "; the mirror image is told apart" };
    let turned = match turns[..] {
        [] => return format!("told by the pattern itself, whichever way the part is turned{mirror}"),
        [2] => "half way round",
        _ => "by every quarter turn",
    };
    let first = match Grid::of_sites(&part.sites) {
        Some(_) => "A1",
        None => part.sites.first().map_or("the first site", |s| s.id.as_str()),
    };
    let mark = if part.marks.iter().any(|m| m.side == Side::Part) {
        "a mark has to tell it"
    } else {
        "look where it lies before you place the part"
    };
    format!("the pattern looks the same turned {turned}, so it cannot tell where {first} is: {mark}{mirror}")
}

/// A number of mm without the rounding of its last bits.
fn short(value_mm: f64) -> f64 {
    (value_mm * 1e6).round() / 1e6
}
