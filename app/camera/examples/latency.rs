//! How long it takes from the arrival of a frame to the answer, at 30 frames a second through a feed, and whether measuring keeps up.
//!
//! ```text
//! landfit rehearse --kinds good-light --seed 1 --save /tmp/look
//! RAYON_NUM_THREADS=1 taskset -c 0 cargo run --release -p landfit-camera --example latency -- /tmp/look [FRAMES]
//! ```

#![allow(clippy::print_stdout, reason = "it tells on standard output")]

use landfit_camera::{Feed, Frame, Source, Stillness, Trouble, read_picture};
use landfit_vision::Picture;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// From frame to frame of a camera of 30 a second.
const INTERVAL: Duration = Duration::from_nanos(1_000_000_000 / 30);

/// A camera that always shows the same look, on time.
struct Steady {
    pictures: Vec<Picture>,
    due: Instant,
}

impl Source for Steady {
    fn name(&self) -> String {
        "30 a second".into()
    }

    fn next(&mut self, _: Duration) -> Result<Option<Frame>, Trouble> {
        self.due += INTERVAL;
        std::thread::sleep(self.due.saturating_duration_since(Instant::now()));
        Ok(Some(Frame { pictures: self.pictures.clone(), taken: self.due, from_jpeg: false, number: 0 }))
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(arguments.next().ok_or("name a folder with part.toml, bench.toml and pictures")?);
    let frames: usize = arguments.next().map_or(Ok(300), |n| n.parse())?;
    let part = landfit_part::file::read(&folder.join("part.toml"))?;
    let bench = landfit_calibration::bench_file::read(&folder.join("bench.toml"))?;
    let pictures = pictures(&folder)?;
    let size = [pictures[0].width_px, pictures[0].height_px];
    // Once before the clock runs: what is kept from picture to picture is there then.
    let answer = landfit_vision::align(&pictures, &part, &bench.optics)?;
    let open = move || Ok(Box::new(Steady { pictures: pictures.clone(), due: Instant::now() }) as Box<dyn Source>);
    let feed = Feed::start(Box::new(open), || ());
    let mut latencies: Vec<f64> = Vec::with_capacity(frames);
    let (mut still, mut resting): (Stillness, Vec<f64>) = (Stillness::new(), Vec::with_capacity(frames));
    while latencies.len() < frames {
        let frame = feed.take(Duration::from_secs(5)).ok_or("no frame for 5 s")?;
        let asked = Instant::now();
        still.push(&frame);
        resting.push(asked.elapsed().as_secs_f64() * 1e3);
        let again = landfit_vision::align(&frame.pictures, &part, &bench.optics)?;
        latencies.push(frame.taken.elapsed().as_secs_f64() * 1e3);
        if format!("{:?}", again.outcome) != format!("{:?}", answer.outcome) {
            return Err("the same picture gave another answer".into());
        }
    }
    let replaced = feed.counts().replaced;
    drop(feed);
    let at = |share: f64, times: &mut Vec<f64>| {
        times.sort_by(f64::total_cmp);
        times[((times.len() - 1) as f64 * share).round() as usize]
    };
    println!(
        "{}x{} px, {frames} frames at 30 a second: arrival to answer {:.1} ms median, {:.1} ms 95th percentile ({:.1} of them whether it is still), {replaced} frames passed over",
        size[0],
        size[1],
        at(0.5, &mut latencies),
        at(0.95, &mut latencies),
        at(0.5, &mut resting)
    );
    Ok(())
}

fn pictures(folder: &Path) -> Result<Vec<Picture>, Box<dyn std::error::Error>> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)?.flatten().map(|e| e.path()).collect();
    files.retain(|f| f.file_name().is_some_and(|n| n.to_string_lossy().starts_with("picture")));
    files.sort();
    let read = files.iter().map(|f| read_picture(f)).collect::<Result<Vec<_>, _>>()?;
    if read.is_empty() { Err("no picture in the folder".into()) } else { Ok(read) }
}
