//! `landfit part new` for parts with leads, bottom pads and rows.

use super::{Making, Pair, count, describe, look_into, short, size_mm, sizes_mm, write_part};
use crate::commands::print_lines;
use anyhow::bail;
use landfit_part::generate::leads::{ExposedPad, FilletGoals, LandDrawing, Numbering, SidesDrawing, row, sides};
use landfit_part::generate::{Depopulation, GridDrawing, ball_grid, guessed_body_mm};
use landfit_part::{Part, Piece};

/// What all of them take besides.
#[derive(clap::Args)]
pub struct Common {
    /// Land on the board, width along the side x length across it; by fillet goals where it is left out
    #[arg(long, value_name = "WxL", value_parser = sizes_mm, allow_hyphen_values = true)]
    land: Option<Pair>,
    /// From outer end to outer end of opposite lands, with --land: 16.8, or 16.8x22.8
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true, requires = "land")]
    land_span: Option<Pair>,
    #[command(flatten)]
    making: Making,
}

/// Make a quad package with gull-wing leads (QFP)
///
/// Lead 1 is the upper one at the left, seen from above; numbers run anticlockwise. Lengths are in mm.
#[derive(clap::Args)]
pub struct NewQfp {
    /// Leads in all, the same number on every side
    #[arg(long, value_name = "N", value_parser = count, required_unless_present = "per_side")]
    leads: Option<u32>,
    /// Leads on the left and right side x on the near and far side: 30x20
    #[arg(long, value_name = "NxN", value_parser = super::counts_arg, conflicts_with = "leads")]
    per_side: Option<super::Counts>,
    /// Distance from lead to lead
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    pitch: f64,
    /// From tip to tip of opposite leads: 16, or 17.2x23.2
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    span: Pair,
    /// The lead's foot, width x length; 0.44 of the pitch x 0.6 where it is left out
    #[arg(long, value_name = "WxL", value_parser = sizes_mm, allow_hyphen_values = true)]
    lead: Option<Pair>,
    /// Pad under the middle: 6, or 6x5
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    exposed: Option<Pair>,
    #[command(flatten)]
    common: Common,
}

/// Make a quad package without leads (QFN), with or without a pad in the middle
///
/// Pad 1 is the upper one at the left, seen from above; numbers run anticlockwise, and the pad in the middle comes last.
#[derive(clap::Args)]
pub struct NewQfn {
    /// Pads in all along the edges, the same number on every side
    #[arg(long, value_name = "N", value_parser = count, required_unless_present = "per_side")]
    pads: Option<u32>,
    /// Pads on the left and right side x on the near and far side: 12x8
    #[arg(long, value_name = "NxN", value_parser = super::counts_arg, conflicts_with = "pads")]
    per_side: Option<super::Counts>,
    #[command(flatten)]
    no_lead: NoLead,
    #[command(flatten)]
    common: Common,
}

/// Make a dual package without leads (DFN), with or without a pad in the middle
///
/// Pad 1 is the upper one at the left, seen from above; numbers run down the left side and up the right.
#[derive(clap::Args)]
pub struct NewDfn {
    /// Pads in all, half of them on each side
    #[arg(long, value_name = "N", value_parser = count)]
    pads: u32,
    #[command(flatten)]
    no_lead: NoLead,
    #[command(flatten)]
    common: Common,
}

#[derive(clap::Args)]
struct NoLead {
    /// Distance from pad to pad
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    pitch: f64,
    /// From outer end to outer end of opposite pads; the body's size where it is left out
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    span: Option<Pair>,
    /// The pad, width x length; half the pitch x 0.4 where it is left out
    #[arg(long, value_name = "WxL", value_parser = sizes_mm, allow_hyphen_values = true)]
    pad: Option<Pair>,
    /// Pad in the middle: 5.6, or 5.6x4
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    exposed: Option<Pair>,
    /// Its land; as large as the pad where it is left out
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true, requires = "exposed")]
    exposed_land: Option<Pair>,
    /// Its corner towards pad 1 is cut off by so much; that tells how the part is turned
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true, requires = "exposed")]
    cut_corner: Option<f64>,
}

/// Make a dual package with gull-wing leads (SO, SOIC, TSSOP)
///
/// Lead 1 is the upper one at the left, seen from above; numbers run down the left side and up the right.
#[derive(clap::Args)]
pub struct NewSo {
    /// Leads in all, half of them on each side
    #[arg(long, value_name = "N", value_parser = count)]
    leads: u32,
    /// Distance from lead to lead
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    pitch: f64,
    /// From tip to tip of opposite leads
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    span: f64,
    /// The lead's foot, width x length; 0.4 of the pitch x 0.6 where it is left out
    #[arg(long, value_name = "WxL", value_parser = sizes_mm, allow_hyphen_values = true)]
    lead: Option<Pair>,
    /// Pad under the middle: 3, or 2.4x3
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    exposed: Option<Pair>,
    #[command(flatten)]
    common: Common,
}

/// Make a chip part with a terminal at each end, 1 at the left
#[derive(clap::Args)]
pub struct NewChip {
    /// Length of a terminal along the body
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    terminal: f64,
    #[command(flatten)]
    common: Common,
}

/// Make one or two rows of terminals (connectors)
///
/// One row runs from left to right. Two rows stand at the left and right, 1 at the upper left; 2 is opposite to it, or below
/// it with --around.
#[derive(clap::Args)]
pub struct NewRows {
    /// Terminals in all
    #[arg(long, value_name = "N", value_parser = count)]
    terminals: u32,
    /// Rows: 1 or 2
    #[arg(long, value_name = "1|2", value_parser = clap::value_parser!(u32).range(1..=2), default_value = "1")]
    rows: u32,
    /// Distance from terminal to terminal along a row
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true)]
    pitch: f64,
    /// From outer end to outer end of opposite terminals, for two rows
    #[arg(long, value_name = "MM", value_parser = size_mm, allow_hyphen_values = true, required_if_eq("rows", "2"))]
    span: Option<f64>,
    /// The terminal, width x length
    #[arg(long, value_name = "WxL", value_parser = sizes_mm, allow_hyphen_values = true)]
    terminal: Pair,
    /// Number two rows anticlockwise instead of across
    #[arg(long)]
    around: bool,
    #[command(flatten)]
    common: Common,
}

/// Make a grid of pads under the body (LGA)
///
/// Named like a ball grid: rows A, B, … towards you, columns to the right.
#[derive(clap::Args)]
pub struct NewLga {
    /// Rows of the full grid
    #[arg(long, value_name = "N", value_parser = count)]
    rows: u32,
    /// Columns of the full grid
    #[arg(long, value_name = "N", value_parser = count)]
    columns: u32,
    /// Distance from pad to pad: 0.8, or 0.8x0.65
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    pitch: Pair,
    /// The pad along x and y: 0.5 is square; with --round its diameter
    #[arg(long, value_name = "MM", value_parser = sizes_mm, allow_hyphen_values = true)]
    pad: Pair,
    /// Round pads
    #[arg(long)]
    round: bool,
    /// Sites without a pad: A1, or a block G7:K10
    #[arg(long, value_name = "SITES", value_delimiter = ',')]
    absent: Vec<String>,
    #[command(flatten)]
    common: Common,
}

/// Where a value comes from, for the lines below the part.
struct From {
    terminal: &'static str,
    land: String,
}

const AS_GIVEN: &str = "as given";
const PRACTICE: &str = "common practice, no source; the drawing's figure is better";

fn or_usual(given: Option<Pair>, usual: [f64; 2], source: &'static str) -> ([f64; 2], &'static str) {
    given.map_or((usual.map(short), source), |Pair(v)| (v, AS_GIVEN))
}

/// Lands as given, or by goals past the terminals.
fn land(common: &Common, goals: FilletGoals, terminal_mm: [f64; 2], span_mm: [f64; 2]) -> (LandDrawing, String) {
    match (common.land, common.land_span) {
        (Some(Pair(size_mm)), Some(Pair(span_mm))) => (LandDrawing::Given { size_mm, span_mm }, AS_GIVEN.to_owned()),
        // A land of a given size reaches past its terminal as much more at the toe as the goals say.
        (Some(Pair(size_mm)), None) => {
            let toe_mm = (size_mm[1] - terminal_mm[1] + goals.toe_mm - goals.heel_mm) / 2.0;
            let span_mm = span_mm.map(|s| short(s + 2.0 * toe_mm));
            (LandDrawing::Given { size_mm, span_mm }, format!("size as given, toe and heel as in {}", goals.source))
        }
        (None, _) => {
            let parts = format!("toe {} mm, heel {} mm, sides {} mm", goals.toe_mm, goals.heel_mm, goals.side_mm);
            (LandDrawing::Goals(goals), format!("{parts}: {}", goals.source))
        }
    }
}

fn quad(all: Option<u32>, per_side: Option<super::Counts>, thing: &str) -> anyhow::Result<[u32; 4]> {
    match (all, per_side) {
        (_, Some(super::Counts([upright, level]))) => Ok([upright, level, upright, level]),
        (Some(n), None) if n % 4 == 0 => Ok([n / 4; 4]),
        (Some(n), None) => bail!("{n} {thing}s do not share out over four sides; give --per-side, such as 12x8"),
        (None, None) => bail!("give --{thing}s or --per-side"),
    }
}

fn halves(n: u32, thing: &str) -> anyhow::Result<[u32; 4]> {
    if n % 2 == 1 {
        bail!("{n} {thing}s do not share out over two sides; their number must be even");
    }
    Ok([n / 2, 0, n / 2, 0])
}

/// The parts of a drawing that all have alike.
fn drawing(common: &Common, per_side: [u32; 4], pitch_mm: f64, terminal_mm: [f64; 2], span_mm: [f64; 2]) -> SidesDrawing {
    SidesDrawing {
        name: String::new(),
        per_side,
        pitch_mm,
        span_mm,
        terminal_mm,
        land: LandDrawing::Goals(FilletGoals::NO_LEAD),
        body_mm: span_mm,
        exposed: None,
        numbering: Numbering::Around,
        marks: common.making.marks(),
        accept_miss_mm: common.making.accept,
    }
}

fn pad(terminal: Option<Pair>, land: Option<Pair>, cut_corner: Option<f64>) -> Option<ExposedPad> {
    terminal.map(|Pair(terminal_mm)| ExposedPad {
        terminal_mm,
        land_mm: land.map_or(terminal_mm, |Pair(v)| v),
        cut_corner_mm: cut_corner.unwrap_or(0.0),
    })
}

pub fn qfp(new: &NewQfp) -> anyhow::Result<()> {
    let per_side = quad(new.leads, new.per_side, "lead")?;
    let (terminal_mm, terminal) = or_usual(new.lead, [0.44 * new.pitch, 0.6], PRACTICE);
    let mut made = drawing(&new.common, per_side, new.pitch, terminal_mm, new.span.0);
    let source;
    (made.land, source) = land(&new.common, FilletGoals::gull_wing(new.pitch), terminal_mm, new.span.0);
    made.body_mm = new.common.making.body.map_or(new.span.0.map(|s| short((s - 2.0).max(s / 2.0))), |b| b.0);
    made.exposed = pad(new.exposed, None, None);
    finish(&new.common, &sides(&made)?, "QFP", new.pitch, &From { terminal, land: source })
}

pub fn qfn(new: &NewQfn) -> anyhow::Result<()> {
    no_lead(&new.common, &new.no_lead, quad(new.pads, new.per_side, "pad")?, "QFN")
}

pub fn dfn(new: &NewDfn) -> anyhow::Result<()> {
    no_lead(&new.common, &new.no_lead, halves(new.pads, "pad")?, "DFN")
}

fn no_lead(common: &Common, new: &NoLead, per_side: [u32; 4], family: &str) -> anyhow::Result<()> {
    let Some(Pair(span_mm)) = new.span.or(common.making.body) else { bail!("give --body (or --span): where the pads end follows from it") };
    let middle = "the middle of a published drawing's range at 0.5 mm pitch (0.20-0.30 x 0.30-0.50); the drawing's figure is better";
    let (terminal_mm, terminal) = or_usual(new.pad, [0.5 * new.pitch, 0.4], middle);
    let mut made = drawing(common, per_side, new.pitch, terminal_mm, span_mm);
    let source;
    (made.land, source) = land(common, FilletGoals::NO_LEAD, terminal_mm, span_mm);
    made.body_mm = common.making.body.map_or(span_mm, |b| b.0);
    made.exposed = pad(new.exposed, new.exposed_land, new.cut_corner);
    finish(common, &sides(&made)?, family, new.pitch, &From { terminal, land: source })
}

pub fn so(new: &NewSo) -> anyhow::Result<()> {
    let per_side = halves(new.leads, "lead")?;
    let (terminal_mm, terminal) = or_usual(new.lead, [0.4 * new.pitch, 0.6], PRACTICE);
    let length_mm = f64::from(per_side[0]) * new.pitch;
    let mut made = drawing(&new.common, per_side, new.pitch, terminal_mm, [new.span, length_mm]);
    let source;
    (made.land, source) = land(&new.common, FilletGoals::gull_wing(new.pitch), terminal_mm, made.span_mm);
    made.body_mm = new.common.making.body.map_or([short((new.span - 2.0).max(new.span / 2.0)), short(length_mm)], |b| b.0);
    made.exposed = pad(new.exposed, None, None);
    finish(&new.common, &sides(&made)?, "SO", new.pitch, &From { terminal, land: source })
}

pub fn chip(new: &NewChip) -> anyhow::Result<()> {
    let Some(Pair([length_mm, width_mm])) = new.common.making.body else {
        bail!("give --body LENGTHxWIDTH: the terminals stand at its ends")
    };
    if 2.0 * new.terminal >= length_mm {
        bail!("two terminals of {} mm do not fit a body of {length_mm} mm", new.terminal);
    }
    let terminal_mm = [width_mm, new.terminal];
    let mut made = drawing(&new.common, [1, 0, 1, 0], length_mm, terminal_mm, [length_mm, width_mm]);
    let source;
    (made.land, source) = land(&new.common, FilletGoals::CHIP, terminal_mm, made.span_mm);
    finish(&new.common, &sides(&made)?, "Chip", length_mm, &From { terminal: AS_GIVEN, land: source })
}

pub fn rows(new: &NewRows) -> anyhow::Result<()> {
    let terminal_mm = new.terminal.0;
    let goals = FilletGoals { toe_mm: 0.3, heel_mm: 0.3, side_mm: 0.0, source: PRACTICE };
    let per_side = if new.rows == 1 { [0, new.terminals, 0, 0] } else { halves(new.terminals, "terminal")? };
    let length_mm = short(f64::from(new.terminals.div_ceil(new.rows)) * new.pitch + new.pitch);
    let across_mm = new.span.unwrap_or(terminal_mm[1]);
    let span_mm = if new.rows == 1 { [length_mm, across_mm] } else { [across_mm, length_mm] };
    let mut made = drawing(&new.common, per_side, new.pitch, terminal_mm, span_mm);
    let source;
    (made.land, source) = land(&new.common, goals, terminal_mm, span_mm);
    made.body_mm = new.common.making.body.map_or(span_mm, |b| b.0);
    if !new.around {
        made.numbering = Numbering::Across;
    }
    let part = if new.rows == 1 { row(&made)? } else { sides(&made)? };
    finish(&new.common, &part, "Row", new.pitch, &From { terminal: AS_GIVEN, land: source })
}

pub fn lga(new: &NewLga) -> anyhow::Result<()> {
    let (Pair(pitch_mm), Pair(pad_mm)) = (new.pitch, new.pad);
    if new.common.land_span.is_some() {
        bail!("--land-span is for lands along the sides; a grid's lands lie under its pads");
    }
    let land_mm = new.common.land.map_or(pad_mm, |Pair(v)| v);
    let piece = |[x, y]: [f64; 2]| if new.round { Piece::round(x) } else { Piece::rect(x, y) };
    for (what, size) in [("pads", pad_mm), ("lands", land_mm)] {
        if size[0] >= pitch_mm[0] || size[1] >= pitch_mm[1] {
            bail!("{what} of {} x {} mm touch each other at a pitch of {} x {} mm", size[0], size[1], pitch_mm[0], pitch_mm[1]);
        }
    }
    let least = |size: [f64; 2]| size[0].min(size[1]).min(pitch_mm[0].min(pitch_mm[1]) * 0.99);
    let body_mm = new.common.making.body.map_or_else(|| guessed_body_mm(new.rows.min(500), new.columns.min(500), pitch_mm), |b| b.0);
    let mut part = ball_grid(&GridDrawing {
        name: String::new(),
        rows: new.rows,
        columns: new.columns,
        pitch_mm,
        ball_mm: least(pad_mm),
        land_mm: least(land_mm),
        body_mm,
        depopulation: Depopulation {
            absent: new.absent.iter().filter(|s| !s.trim().is_empty()).cloned().collect(),
            ..Depopulation::default()
        },
        marks: new.common.making.marks(),
        accept_miss_mm: new.common.making.accept,
    })?;
    for site in &mut part.sites {
        (site.terminal, site.land) = (vec![piece(pad_mm)], vec![piece(land_mm)]);
    }
    let source = if new.common.land.is_some() { AS_GIVEN.to_owned() } else { format!("as large as the pad: {PRACTICE}") };
    finish(&new.common, &part, "LGA", pitch_mm[0].min(pitch_mm[1]), &From { terminal: AS_GIVEN, land: source })
}

/// Names, writes and tells a part.
fn finish(common: &Common, part: &Part, family: &str, pitch_mm: f64, from: &From) -> anyhow::Result<()> {
    let mut part = part.clone();
    part.name = common.making.name.clone().unwrap_or_else(|| match family {
        "Chip" => format!("Chip {} x {} mm", part.body_mm[0], part.body_mm[1]),
        _ => format!("{family}{} {pitch_mm} mm", part.sites.len()),
    });
    write_part(&common.making.out, &part, common.making.replace)?;
    let body = if common.making.body.is_some() { AS_GIVEN } else { "a guess for the drawing's sake; nothing is measured against it" };
    let [width_mm, length_mm] = part.body_mm;
    let text = format!(
        "{}\n\nterminal     {}\nland         {}\nbody         {width_mm} x {length_mm} mm: {body}\n{}\nwritten to {out}; look at it with: landfit part show {out} --out part.svg",
        describe(&part),
        from.terminal,
        from.land,
        look_into(&part, &common.making.out),
        out = common.making.out.display()
    );
    print_lines(&[text])
}
