//! `landfit rehearse`

mod clumsy;
mod guided;
mod job;
mod study;

use super::print_lines;
use anyhow::{Context, bail};
use landfit_rehearsal::scenario::{BENCHES, DEFAULT, Setting};
use landfit_rehearsal::{kind, picture, save};
use landfit_scene::{SceneKind, Ugly};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Rehearse the whole job on a simulated bench
///
/// Without options: renders an invented part misplaced over its lands, measures the picture, tells what to turn, turns it
/// with simulated hands on simulated screws, and looks again until the part is within. No camera and no files are needed.
/// The pictures of every look stay in a folder.
#[derive(clap::Args)]
pub struct Args {
    /// Where everything random comes from; the same seed gives the same rehearsal
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = seed)]
    seed: u64,
    /// The folder for the pictures of every look
    #[arg(long, value_name = "DIR", default_value = "landfit-rehearsal")]
    out: PathBuf,
    /// Only write picture, part, bench and truth of the first look to DIR, ready for `landfit align`
    #[arg(long, value_name = "DIR", conflicts_with_all = ["study", "out"])]
    save: Option<PathBuf>,
    /// Measure N scenes of each kind and compare the answers with the truth
    #[arg(long, value_name = "N", conflicts_with = "out", value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    study: Option<u32>,
    /// Rehearse N jobs with hands that slip: wrong screw, wrong sense, misread, past the mark, a bumped board; tells what was
    /// noticed, and whether any look said "within" wrongly
    #[arg(long, value_name = "N", conflicts_with_all = ["out", "study", "save", "kinds"], value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    clumsy: Option<u32>,
    /// The same hands, N times, by the window's own guidance: one move at a time, as its screen shows it
    #[arg(long, value_name = "N", conflicts_with_all = ["out", "study", "save", "kinds", "clumsy"], value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    guided: Option<u32>,
    /// The bench to rehearse on (a wrong name lists them); without it the default one, and four others take turns for --clumsy
    #[arg(long, value_name = "BENCH", conflicts_with_all = ["study", "kinds"])]
    on: Option<String>,
    /// Only these kinds of scenes, for --study and --save (a wrong name lists them; "ugly" is all that spoil good light)
    #[arg(long, value_name = "KIND,…", value_delimiter = ',')]
    kinds: Vec<String>,
    /// With --study, set the errors against the least that any method could have on the same raw pixels (twenty renderings a scene)
    #[arg(long, requires = "study")]
    bound: bool,
    /// Print the figures of --study, --clumsy or --guided as JSON
    #[arg(long)]
    json: bool,
}

fn seed(text: &str) -> Result<u64, String> {
    text.parse().map_err(|_| format!("a seed is a whole number from 0 to {}", u64::MAX))
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let kinds = kinds(&args.kinds)?;
    let setting = args.on.as_deref().map(setting).transpose()?;
    if args.json && args.study.is_none() && args.clumsy.is_none() && args.guided.is_none() {
        bail!("--json goes with --study, --clumsy or --guided");
    }
    if let Some(count) = args.clumsy {
        let settings = setting.map_or_else(|| BENCHES.to_vec(), |one| vec![one]);
        return clumsy::run(&settings, count as usize, args.seed, args.json);
    }
    if let Some(count) = args.guided {
        let settings = setting.map_or_else(|| BENCHES.to_vec(), |one| vec![one]);
        return guided::run(&settings, count as usize, args.seed, args.json);
    }
    let setting = setting.unwrap_or(DEFAULT);
    if let Some(scenes) = args.study {
        let kinds = if kinds.is_empty() { SceneKind::ALL.to_vec() } else { kinds };
        let against = if args.bound { study::Against::TruthAndBound } else { study::Against::Truth };
        return study::run(&kinds, scenes as usize, args.seed, against, args.json);
    }
    if let Some(folder) = &args.save {
        return save_first_look(folder, &setting, &kinds, args.seed);
    }
    if !kinds.is_empty() {
        bail!("--kinds goes with --study or --save");
    }
    job::run(&setting, &args.out, args.seed)
}

/// The rehearsal in the terminal, where there is no window to be had.
pub fn without_window(setting: &Setting, seed: u64) -> anyhow::Result<ExitCode> {
    job::run(setting, Path::new("landfit-rehearsal"), seed)
}

/// The bench to rehearse on of that name.
pub fn setting(name: &str) -> anyhow::Result<Setting> {
    let all = || Setting::all().map(|s| s.name).collect::<Vec<_>>().join(", ");
    Setting::named(name.trim()).with_context(|| format!("there is no bench {name:?} to rehearse on; they are {}", all()))
}

/// Good light, each spoilt by one thing that cameras, benches and boards do to pictures.
const UGLY: &str = "ugly";

fn kinds(words: &[String]) -> anyhow::Result<Vec<SceneKind>> {
    let all = || kind::all().map(SceneKind::word).collect::<Vec<_>>().join(", ");
    let mut kinds = Vec::new();
    for word in words.iter().map(|w| w.trim()) {
        match kind::named(word) {
            Some(kind) => kinds.push(kind),
            None if word == UGLY => kinds.extend(kind::ugly()),
            None => bail!("there is no kind {word:?}; the kinds are {}, and {UGLY:?} is all from {:?} on", all(), Ugly::ALL[0].word()),
        }
    }
    Ok(kinds)
}

fn save_first_look(folder: &Path, setting: &Setting, kinds: &[SceneKind], seed: u64) -> anyhow::Result<ExitCode> {
    let paths = match kinds {
        [] => {
            let rendered = picture::render(&setting.start(seed)?, &setting.part()?, seed)?;
            save::save_look(folder, &rendered, setting.part_toml, setting.bench_toml)?
        }
        [one] => {
            let drawn = kind::draw(*one, seed)?;
            let bench = kind::bench_of(*one, seed, &drawn.look)?;
            let (part_toml, bench_toml) = (landfit_part::file::to_toml(&drawn.look.part), landfit_calibration::bench_file::to_toml(&bench));
            save::save_look(folder, &drawn.rendered, &part_toml, &bench_toml)?
        }
        _ => bail!("--save takes one kind, not {}", kinds.len()),
    };
    let mut lines: Vec<String> = paths.iter().map(|path| format!("wrote {}", path.display())).collect();
    let pictures: Vec<String> =
        paths.iter().filter(|p| p.extension().is_some_and(|e| e == "png")).map(|p| p.display().to_string()).collect();
    let (part, bench) = (folder.join("part.toml"), folder.join("bench.toml"));
    lines.push(format!("next: landfit align {} --part {} --bench {}", pictures.join(" "), part.display(), bench.display()));
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}
