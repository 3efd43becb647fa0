//! `landfit inspect`

use super::{Ended, print_json, print_lines};
use crate::pictures;
use landfit_part::{Part, Side};
use landfit_vision::answer::{Orientation, SiteState};
use landfit_vision::inspect::{Found, Inspection, NotFound, inspect};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Look at one plain picture of an underside or of bare lands
///
/// Finds the part's pattern in the picture at any scale and turn, counts its sites and names what is absent, bridged or odd.
/// No bench file is needed: the scale comes from the part's own pitch.
/// Exit status: 0 found and complete, 1 found but something is absent, hidden or suspect, 2 bad input, 3 no answer.
#[derive(clap::Args)]
pub struct Args {
    /// The picture: PNG, JPEG, TIFF, BMP or PNM
    picture: PathBuf,
    /// The part file
    #[arg(long, value_name = "PART.toml")]
    part: PathBuf,
    /// What the picture shows: the part's underside or the board's lands; without it both are tried
    #[arg(long)]
    side: Option<SideArg>,
    /// Print one JSON object and nothing else
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum SideArg {
    Part,
    Board,
}

/// Exit status of a found pattern with something to look at, and of no answer.
const NOT_COMPLETE: u8 = 1;
const NO_ANSWER: u8 = 3;

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let (part, picture) = (landfit_part::file::read(&args.part)?, pictures::read(&args.picture)?);
    let side = args.side.map(|s| match s {
        SideArg::Part => Side::Part,
        SideArg::Board => Side::Board,
    });
    let start = Instant::now();
    let inspection = inspect(&picture, &part, side);
    tracing::info!("looked for {:.0} ms", start.elapsed().as_secs_f64() * 1e3);
    match &inspection {
        Inspection::Found(found) if args.json => print_json(&json_of_found(found, &part))?,
        Inspection::Found(found) => print_lines(&lines_of_found(found, &part))?,
        Inspection::NotFound(none) if args.json => print_json(&json_of_none(none))?,
        Inspection::NotFound(none) => print_lines(&[format!("No answer ({}): {}", none.code.word(), none.text)])?,
    }
    Ok(match inspection {
        Inspection::Found(found) if found.sites.iter().all(|s| s.state == SiteState::Good) => ExitCode::SUCCESS,
        Inspection::Found(_) => ExitCode::from(NOT_COMPLETE),
        Inspection::NotFound(_) => ExitCode::from(NO_ANSWER),
    })
}

fn json_of_none(none: &NotFound) -> Value {
    json!({
        "schema": 1, "answer": "none", "reason": {"code": none.code.word(), "text": none.text}, "side": null, "mirrored": null,
        "um_per_px": null, "angle_deg": null, "tilt_deg": null, "orientation": null, "sites": null, "centres": []
    })
}

/// The ids of the sites in one state, in the part's order.
fn named<'a>(found: &Found, part: &'a Part, state: SiteState) -> Vec<&'a str> {
    found.sites.iter().filter(|s| s.state == state).map(|s| part.sites[s.site].id.as_str()).collect()
}

fn suspects<'a>(found: &Found, part: &'a Part) -> Vec<(&'a str, &'static str)> {
    found
        .sites
        .iter()
        .filter_map(|s| match s.state {
            SiteState::Suspect(kind) => Some((part.sites[s.site].id.as_str(), kind.word())),
            _ => None,
        })
        .collect()
}

fn json_of_found(found: &Found, part: &Part) -> Value {
    let round = |v: f64, digits: i32| (v * 10f64.powi(digits)).round() / 10f64.powi(digits);
    let (absent, hidden) = (named(found, part, SiteState::Absent), named(found, part, SiteState::Hidden));
    let suspect: Vec<Value> = suspects(found, part).into_iter().map(|(site, kind)| json!({"site": site, "kind": kind})).collect();
    let centres: Vec<Value> = found
        .sites
        .iter()
        .filter_map(|s| {
            let centre = s.centre?;
            Some(json!({
                "site": part.sites[s.site].id, "x_px": round(centre.x, 3), "y_px": round(centre.y, 3),
                "u_px": round(s.u_px, 3), "diameter_px": round(s.diameter_px, 2)
            }))
        })
        .collect();
    json!({
        "schema": 1,
        "answer": "found",
        "reason": null,
        "side": found.side.word(),
        "mirrored": found.mirrored,
        "um_per_px": found.um_per_px.map(|v| round(v, 4)),
        "angle_deg": round(found.angle_rad.to_degrees(), 3),
        "tilt_deg": found.tilt_rad.map(|t| round(t.to_degrees(), 1)),
        "orientation": match found.orientation { Orientation::Settled => "settled", Orientation::Open => "open" },
        "sites": {
            "expected": found.sites.len(), "found": found.sites.len() - absent.len() - hidden.len(),
            "absent": absent, "hidden": hidden, "suspect": suspect
        },
        "left_over": found.left_over,
        "rms_px": round(found.rms_px, 3),
        "centres": centres
    })
}

fn lines_of_found(found: &Found, part: &Part) -> Vec<String> {
    let noun = match found.side {
        Side::Part => "terminals",
        Side::Board => "lands",
    };
    let (absent, hidden) = (named(found, part, SiteState::Absent), named(found, part, SiteState::Hidden));
    let there = found.sites.len() - absent.len() - hidden.len();
    let mut lines = vec![format!("{}: {there} of {} {noun} found", part.name, found.sites.len())];
    let out_of_view = part.sites.len() - found.sites.len();
    if out_of_view > 0 {
        lines.push(format!("  {out_of_view} more lie out of the picture"));
    }
    for (word, ids) in [("absent", &absent), ("hidden", &hidden)] {
        if !ids.is_empty() {
            lines.push(format!("  {word}: {}", ids.join(" ")));
        }
    }
    for kind in ["bridge", "small", "large", "displaced", "odd"] {
        let ids: Vec<&str> = suspects(found, part).into_iter().filter(|(_, k)| *k == kind).map(|(id, _)| id).collect();
        if !ids.is_empty() {
            lines.push(format!("  look at ({kind}): {}", ids.join(" ")));
        }
    }
    if found.left_over > 0 {
        lines.push(format!("  {} more spots lie beside the pattern where this part has none", found.left_over));
    }
    let seen = match found.mirrored {
        Some(true) => "as seen from below",
        Some(false) => "as seen from above",
        None => "the pattern looks the same mirrored",
    };
    let [x, y] = found.um_per_px;
    lines.push(format!("  {x:.2} x {y:.2} µm per px, turned {:.1} degrees anticlockwise, {seen}", found.angle_rad.to_degrees()));
    if let Some(tilt_rad) = found.tilt_rad.filter(|t| t.to_degrees() >= 1.0) {
        lines.push(format!("  the camera looks {:.0} degrees from the side", tilt_rad.to_degrees()));
    }
    if found.orientation == Orientation::Open {
        lines.push("  the pattern looks the same turned round: look for A1 yourself".to_string());
    }
    lines
}
