//! `landfit calibrate study`: parts x people x trials.

use super::super::{Ended, print_json, print_lines};
use anyhow::{Context, bail};
use landfit_part::text_file::load;
use landfit_stats::gauge::{Spread, Study};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::ExitCode;

/// Evaluate a repeatability study of parts, people and trials (gauge R&R) from a CSV
///
/// Columns: part, person (or operator), value; a row for every reading, every person every part equally often.
#[derive(clap::Args)]
pub struct Args {
    /// The readings
    readings: PathBuf,
    /// Print one JSON object instead of sentences
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let file = args.readings.display();
    let text = load(&args.readings)?;
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(text.as_bytes());
    let head: Vec<String> = reader.headers().with_context(|| format!("{file} is no CSV"))?.iter().map(str::to_lowercase).collect();
    let column = |names: &[&str]| head.iter().position(|h| names.contains(&h.as_str()));
    let (Some(part), Some(person), Some(value)) =
        (column(&["part"]), column(&["person", "operator", "appraiser"]), column(&["value", "reading"]))
    else {
        bail!("{file}: the first line must name the columns part, person and value");
    };
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.with_context(|| format!("{file} is no even CSV; every row needs the same columns"))?;
        let line = record.position().map_or(0, csv::Position::line);
        let text = record.get(value).unwrap_or("");
        let number: f64 = text
            .parse()
            .ok()
            .filter(|v: &f64| v.is_finite())
            .with_context(|| format!("{file}, line {line}: value \"{text}\" is no number"))?;
        rows.push((record.get(part).unwrap_or("").to_owned(), record.get(person).unwrap_or("").to_owned(), number));
    }
    let study = Study::new(&rows).with_context(|| format!("{file}"))?;
    let (ranges, anova) = (study.average_and_range(), study.anova());
    if args.json {
        let of = |s: &Spread| -> Value {
            json!({"EV": s.equipment, "AV": s.people, "INT": s.interaction, "GRR": s.gauge, "PV": s.parts, "TV": s.total,
                   "percent_GRR": s.gauge_percent(), "ndc": s.categories().floor()})
        };
        print_json(&json!({
            "schema": 1, "average_and_range": of(&ranges), "anova": of(&anova.spread), "interaction_p": anova.interaction_p, "interaction_pooled": anova.pooled
        }))?;
    } else {
        let row = |name: &str, s: &Spread| {
            format!(
                "{name:<20} equipment {:.6}, people {:.6}, gauge (both) {:.6}, parts {:.6}, total {:.6}; %GRR {:.2}, distinct categories {:.0}",
                s.equipment,
                s.people.hypot(s.interaction),
                s.gauge,
                s.parts,
                s.total,
                s.gauge_percent(),
                s.categories().floor()
            )
        };
        let pooled = if anova.pooled { "pooled with the repeats" } else { "kept" };
        print_lines(&[
            row("average and range:", &ranges),
            row("variance (ANOVA):", &anova.spread),
            format!("people who differ from part to part: p = {:.3}, {pooled}", anova.interaction_p),
            "%GRR below 10 is good, up to 30 marginal; five distinct categories are wanted (AIAG)".to_owned(),
        ])?;
    }
    Ok(ExitCode::SUCCESS)
}
