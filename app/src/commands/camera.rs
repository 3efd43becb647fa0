//! `landfit camera`: say what is connected, and store a picture.

use super::print_lines;
use super::terminal::counts;
use crate::pictures;
use anyhow::{Context, anyhow, bail};
use landfit_camera::camera::{self, Choice, Knob, Knobs, Pixels};
use landfit_camera::{Feed, FeedState, Rest, Stillness, Trouble, open_camera};
use landfit_part::Existing;
use landfit_vision::Picture;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// See which cameras are connected, and store a picture
#[derive(clap::Args)]
#[command(arg_required_else_help = false)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    List,
    Take(Take),
}

/// Store one picture: the average of the frames since it came to rest
///
/// Automatic exposure, gain, white balance and focus are switched off where the camera lets them be, so that two pictures can be
/// compared. A bench with two lights takes one picture in each: switch the light, then take the next one.
#[derive(clap::Args)]
struct Take {
    /// The picture file to write (PNG)
    #[arg(long, value_name = "FILE.png")]
    out: PathBuf,
    /// Write over a file of that name
    #[arg(long)]
    replace: bool,
    /// The camera's name, as list tells it; else the first one
    #[arg(long, value_name = "NAME")]
    camera: Option<String>,
    /// How it sends pixels, as list tells it; else the truest to the sensor
    #[arg(long, value_name = "FORMAT")]
    format: Option<String>,
    /// Size of the picture in px: 1280x960; else the largest
    #[arg(long, value_name = "WxH")]
    size: Option<String>,
    /// Pictures a second; else up to 30
    #[arg(long, value_name = "N")]
    rate: Option<u32>,
    /// Exposure, in the camera's own steps
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    exposure: Option<i64>,
    /// Gain, in the camera's own steps
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    gain: Option<i64>,
    /// White balance, in the camera's own steps (often kelvins)
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    white_balance: Option<i64>,
}

/// A picture that has not come to rest by then is given up.
const STILL_WITHIN: Duration = Duration::from_secs(10);
/// A trouble that has not gone by then is told; a camera that starts slowly needs some of it.
const TROUBLE_PATIENCE: Duration = Duration::from_secs(5);
/// Frames of the rest that the average waits for.
const AVERAGED_FRAMES: u32 = 16;

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    match &args.command {
        Command::List => list(),
        Command::Take(take) => self::take(take),
    }?;
    Ok(ExitCode::SUCCESS)
}

fn list() -> anyhow::Result<()> {
    let connected = camera::cameras();
    if connected.is_empty() {
        return print_lines(&["no camera is connected".to_owned()]);
    }
    let mut lines = Vec::new();
    for device in connected {
        lines.push(device.name.clone());
        match camera::offers(&device) {
            Ok(offers) => {
                for pixels in Pixels::ALL {
                    let of_kind: Vec<String> = offers.iter().filter(|o| o.pixels == pixels).map(|o| format!("    {o}")).collect();
                    if !of_kind.is_empty() {
                        lines.push(format!("  {}: {}", pixels.name(), pixels.description()));
                        lines.extend(of_kind);
                    }
                }
            }
            Err(trouble) => lines.push(format!("  {trouble}: {}", trouble.advice())),
        }
    }
    print_lines(&lines)
}

fn take(args: &Take) -> anyhow::Result<()> {
    let shown = args.out.display();
    if !args.out.extension().is_some_and(|e| e.eq_ignore_ascii_case("png")) {
        bail!("{shown} does not end in .png; pictures are stored as PNG, which loses nothing");
    }
    if !args.replace && args.out.exists() {
        bail!("{shown} is there already; give --replace to write over it");
    }
    let pixels = args.format.as_ref().map(|name| {
        let known = || Pixels::ALL.map(Pixels::name).join(", ");
        Pixels::from_name(name).ok_or_else(|| anyhow!("--format {name} is not known; known are {}", known()))
    });
    let size = args.size.as_ref().map(|text| counts(text).map_err(|e| anyhow!("--size: {e}")));
    let choice = Choice {
        camera: args.camera.clone(),
        pixels: pixels.transpose()?,
        size_px: size.transpose()?.map(|s| s.map(|v| v as usize)),
        per_second: args.rate,
        ..Choice::default()
    };
    let knobs = Knobs::new();
    for (knob, value) in [(Knob::Exposure, args.exposure), (Knob::Gain, args.gain), (Knob::WhiteBalance, args.white_balance)] {
        if let Some(value) = value {
            knobs.set(knob, value);
        }
    }
    let feed = Feed::start(open_camera(choice, knobs.clone()), || ());
    let picture = picture_at_rest(&feed)?;
    let state = knobs.state();
    if let Some(refused) = state.refused.first() {
        bail!("{refused}; nothing was stored");
    }
    let existing = if args.replace { Existing::Replace } else { Existing::Keep };
    pictures::save_png(&args.out, &pictures::image_of(&picture)?, existing)?;
    let mut lines = vec![format!(
        "{shown}: {}x{} px from {}",
        picture.width_px,
        picture.height_px,
        feed.source_name().unwrap_or_else(|| "the camera".into())
    )];
    let set: Vec<String> = state.offered.iter().map(|o| format!("{} {} ({} to {})", o.knob.name(), o.value, o.least, o.most)).collect();
    if !set.is_empty() {
        lines.push(format!("  {}", set.join(", ")));
    }
    if !state.held.is_empty() {
        lines.push(format!("  switched off: {}", state.held.join(", ")));
    }
    print_lines(&lines)
}

/// Waits for the picture to come to rest; gives the average of its frames.
fn picture_at_rest(feed: &Feed) -> anyhow::Result<Picture> {
    let mut still = Stillness::new();
    let began = Instant::now();
    let mut troubled: Option<Instant> = None;
    loop {
        if let Some(frame) = feed.take(Duration::from_millis(100))
            && matches!(still.push(&frame), Rest::Still { frames, .. } if frames >= AVERAGED_FRAMES)
            && let Some(average) = still.average()
        {
            return average.pictures.into_iter().next().context("the camera sent no picture");
        }
        match feed.state() {
            FeedState::Old { trouble, .. } => {
                let since = *troubled.get_or_insert_with(Instant::now);
                // What does not change by waiting is told at once.
                if since.elapsed() > TROUBLE_PATIENCE || matches!(*trouble, Trouble::NotOffered { .. }) {
                    bail!("{trouble}; {}", trouble.advice());
                }
            }
            FeedState::Looking | FeedState::Live { .. } => troubled = None,
        }
        if troubled.is_none() && began.elapsed() > STILL_WITHIN {
            bail!(
                "the picture did not come to rest within {} s; keep hands and bench still, or check that the light does not flicker",
                STILL_WITHIN.as_secs()
            );
        }
    }
}
