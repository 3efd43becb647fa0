//! `landfit inspect`

use anyhow::Context;
use landfit_part::{Part, Side};
use landfit_vision::Picture;
use landfit_vision::answer::{Orientation, SiteState};
use landfit_vision::inspect::{Found, Inspection, NotFound, inspect};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

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
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let read = || -> anyhow::Result<(Part, Picture)> { Ok((landfit_part::file::read(&args.part)?, picture(&args.picture)?)) };
    let (part, picture) = match read() {
        Ok(both) => both,
        Err(error) => {
            if args.json {
                let text = format!("{error:#}");
                println!("{}", json!({"schema": 1, "answer": "none", "reason": {"code": "bad-input", "text": text}}));
            }
            return Err(error);
        }
    };
    let side = args.side.map(|s| match s {
        SideArg::Part => Side::Part,
        SideArg::Board => Side::Board,
    });
    match inspect(&picture, &part, side) {
        Inspection::Found(found) => {
            if args.json {
                println!("{}", json_of_found(&found, &part));
            } else {
                print!("{}", text_of_found(&found, &part));
            }
            let complete = found.sites.iter().all(|s| s.state == SiteState::Good);
            Ok(if complete { ExitCode::SUCCESS } else { ExitCode::from(NOT_COMPLETE) })
        }
        Inspection::NotFound(none) => {
            if args.json {
                println!("{}", json_of_none(&none));
            } else {
                println!("No answer ({}): {}", none.code.word(), none.text);
            }
            Ok(ExitCode::from(NO_ANSWER))
        }
    }
}

/// Largest side of a picture that is read, px.
const MOST_PX: u32 = 20_000;
/// Most memory that decoding may take, bytes.
const MOST_BYTES: u64 = 1 << 30;

fn picture(path: &Path) -> anyhow::Result<Picture> {
    let name = path.display();
    let mut reader = image::ImageReader::open(path)
        .with_context(|| format!("{name}: cannot be opened; check the path"))?
        .with_guessed_format()
        .with_context(|| format!("{name}: cannot be read"))?;
    let mut limits = image::Limits::default();
    limits.max_image_width = Some(MOST_PX);
    limits.max_image_height = Some(MOST_PX);
    limits.max_alloc = Some(MOST_BYTES);
    reader.limits(limits);
    let decoded = reader.decode().with_context(|| format!("{name}: is no whole PNG, JPEG, TIFF, BMP or PNM picture; save it again"))?;
    Ok(decoded.into())
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
        "tilt_deg": null,
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

fn text_of_found(found: &Found, part: &Part) -> String {
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
    if found.orientation == Orientation::Open {
        lines.push("  the pattern looks the same turned round: look for A1 yourself".to_string());
    }
    lines.join("\n") + "\n"
}
