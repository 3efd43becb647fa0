//! How time and memory of `align` grow: with sites from 64 to 4,096 and with pixels from 0.3 to 5 megapixels, on rendered pictures.
//!
//! `scaling [RUNS]`, on one core by `RAYON_NUM_THREADS=1`. Each row: best time of the runs; the largest piece of memory
//! that is asked for once two pictures of the size have been measured; and the most that is held at once, the decoded picture and what is
//! kept for the next one with it. Both over the decoded picture's bytes.

// Counting what is asked of the system's allocator needs its trait, which is unsafe to implement.
#![allow(unsafe_code, clippy::print_stdout)]

use landfit_part::{Part, Piece, PointMm, Pose, Site};
use landfit_rehearsal::picture::{exposures, filed_optics};
use landfit_scene::{Defect, Scene, SceneKind};
use landfit_vision::answer::Outcome;
use landfit_vision::{Optics, Picture};
use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// The system's allocator, counted: bytes held, the most of them, and the largest single piece since the counts were last set.
struct Counted;

static HELD: AtomicUsize = AtomicUsize::new(0);
static MOST_HELD: AtomicUsize = AtomicUsize::new(0);
static LARGEST: AtomicUsize = AtomicUsize::new(0);

impl Counted {
    fn count(more: usize) {
        let held = HELD.fetch_add(more, Ordering::Relaxed) + more;
        MOST_HELD.fetch_max(held, Ordering::Relaxed);
        LARGEST.fetch_max(more, Ordering::Relaxed);
    }
}

// SAFETY: every call is handed on to `System` unchanged, with the same layout and pointer, and its result is returned as it is; the
// counts are atomics that neither allocate nor touch the memory. So `System`'s own keeping of the trait's contract is kept.
unsafe impl GlobalAlloc for Counted {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        Self::count(layout.size());
        // SAFETY: the caller keeps `alloc`'s contract, which is `System`'s.
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        Self::count(layout.size());
        // SAFETY: as in `alloc`.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        // SAFETY: `at` came from this allocator with this layout, and so from `System`.
        unsafe { System.dealloc(at, layout) }
    }

    unsafe fn realloc(&self, at: *mut u8, layout: Layout, new_size: usize) -> *mut u8 {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        Self::count(new_size);
        // SAFETY: as in `dealloc`; the caller keeps the contract for `new_size`.
        unsafe { System.realloc(at, layout, new_size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counted = Counted;

/// Pitch of the rows where sites grow, px: 64 rows of it stand in a picture of 1,944 rows.
const PITCH_PX: f64 = 28.0;
/// Share of the picture's height that a pattern fills where pixels grow.
const FILLED: f64 = 0.8;
/// A picture that is measured worse than this is no good one to time.
const MOST_OFF_MM: f64 = 0.005;
const LARGEST_PX: [u32; 2] = [2592, 1944];
const ROWS: [usize; 4] = [8, 16, 32, 64];
const SIZES_PX: [[u32; 2]; 5] = [[640, 480], [960, 720], [1280, 960], [1920, 1440], [2592, 1944]];

/// A picture with all that is needed to measure it.
struct Sample {
    pictures: Vec<Picture>,
    part: Part,
    optics: Optics,
    truth: Pose,
}

/// What measuring took.
struct Cost {
    best_ms: f64,
    largest_over_decoded: f64,
    held_over_decoded: f64,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let runs: usize = std::env::args().nth(1).map_or(Ok(7), |n| n.parse())?;
    println!("{} x {} px, more and more sites of {PITCH_PX} px pitch, both sides", LARGEST_PX[0], LARGEST_PX[1]);
    let of_sites = table(ROWS.map(|rows| (rows, LARGEST_PX, PITCH_PX)), runs, |rows, _| (rows * rows) as f64, "sites")?;
    println!("16 x 16 sites that fill the picture, more and more pixels");
    let fill = |size: [u32; 2]| FILLED * f64::from(size[1]) / 16.0;
    let of_pixels = table(SIZES_PX.map(|size| (16, size, fill(size))), runs, |_, size| f64::from(size[0]) * f64::from(size[1]), "pixels")?;
    println!("time grows as sites to the power of {of_sites:.2} and as pixels to the power of {of_pixels:.2}");
    Ok(())
}

/// Prints a row for each sample; the exponent of time over what `amount` counts, fitted to all rows.
fn table<const N: usize>(
    samples: [(usize, [u32; 2], f64); N],
    runs: usize,
    amount: impl Fn(usize, [u32; 2]) -> f64,
    word: &str,
) -> Result<f64, Box<dyn std::error::Error>> {
    println!("{word:>10} {:>9} {:>22} {:>22}", "best ms", "largest piece/decoded", "most held/decoded");
    let mut points = Vec::new();
    for (rows, size_px, pitch_px) in samples {
        let cost = measure(&sample(rows, size_px, pitch_px)?, runs)?;
        let n = amount(rows, size_px);
        let before = points.last().map(|&(x, y): &(f64, f64)| (cost.best_ms.ln() - y) / (n.ln() - x));
        let power = before.map_or(String::new(), |p| format!("   power from the row above {p:.2}"));
        println!("{n:>10} {:>9.2} {:>22.3} {:>22.2}{power}", cost.best_ms, cost.largest_over_decoded, cost.held_over_decoded);
        points.push((n.ln(), cost.best_ms.ln()));
    }
    let k = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0 / k, y + p.1 / k));
    Ok(points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / points.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>())
}

/// A full grid of rows x rows, everything else as in good light.
fn sample(rows: usize, size_px: [u32; 2], pitch_px: f64) -> Result<Sample, Box<dyn std::error::Error>> {
    let drawn = landfit_scene::draw(SceneKind::GoodLight, 1)?;
    let mut scene: Scene = drawn.scene;
    let pitch_mm = 0.8;
    let part = grid(rows, pitch_mm);
    let [cx, cy] = size_px.map(|n| (f64::from(n) - 1.0) / 2.0);
    let k = pitch_px / pitch_mm;
    let mut stated = drawn.stated;
    for optics in [&mut scene.optics, &mut stated] {
        optics.frame.size_px = size_px;
        for view in &mut optics.views {
            view.px_from_mm = [[k, 0.0, cx], [0.0, -k, cy], [0.0, 0.0, 1.0]];
        }
    }
    (scene.part, scene.board) = (part.clone(), part.clone());
    scene.bench_from_board = Pose::new(0.05, -0.1, 0.005);
    scene.bench_from_part = Pose::new(0.20, 0.05, -0.004);
    scene.clutter.clear();
    scene.defects = Vec::<Defect>::new();
    let rendered = landfit_scene::render(&scene)?;
    Ok(Sample { pictures: exposures(&rendered), part, optics: filed_optics(&stated), truth: scene.offset() })
}

fn grid(rows: usize, pitch_mm: f64) -> Part {
    let at = |i: usize| (i as f64 - (rows - 1) as f64 / 2.0) * pitch_mm;
    let sites = (0..rows * rows).map(|i| Site {
        id: format!("{}", i + 1),
        at_mm: PointMm::new(at(i % rows), -at(i / rows)),
        angle_rad: 0.0,
        terminal: vec![Piece::round(0.45)],
        land: vec![Piece::round(0.36)],
    });
    Part {
        name: format!("full grid of {rows} x {rows}"),
        body_mm: [rows as f64 * pitch_mm + 0.6; 2],
        body_centre_mm: PointMm::ZERO,
        sites: sites.collect(),
        marks: Vec::new(),
        accept_miss_mm: None,
    }
}

/// Measured in a thread of its own, which begins with nothing kept from other pictures.
fn measure(sample: &Sample, runs: usize) -> Result<Cost, String> {
    std::thread::scope(|scope| {
        scope.spawn(|| measure_here(sample, runs)).join().unwrap_or_else(|_| Err("the measuring thread ended".into()))
    })
}

fn measure_here(sample: &Sample, runs: usize) -> Result<Cost, String> {
    let align = || landfit_vision::align(&sample.pictures, &sample.part, &sample.optics).map_err(|e| e.to_string());
    let decoded = sample.pictures.iter().map(|p| p.width_px * p.height_px * p.channels).sum::<usize>() as f64;
    let before = HELD.load(Ordering::Relaxed);
    MOST_HELD.store(before, Ordering::Relaxed);
    // The first two settle what is kept from picture to picture.
    let first = align()?;
    let Outcome::Fit(fit) = &first.outcome else { return Err(format!("no answer for {}: {:?}", sample.part.name, first.outcome)) };
    let off_mm = fit.offset.shift().distance(sample.truth.shift());
    if off_mm > MOST_OFF_MM {
        return Err(format!("{} is {off_mm:.4} mm off", sample.part.name));
    }
    align()?;
    LARGEST.store(0, Ordering::Relaxed);
    let mut best_ms = f64::INFINITY;
    for _ in 0..runs.max(1) {
        let start = Instant::now();
        align()?;
        best_ms = best_ms.min(start.elapsed().as_secs_f64() * 1e3);
    }
    Ok(Cost {
        best_ms,
        largest_over_decoded: LARGEST.load(Ordering::Relaxed) as f64 / decoded,
        held_over_decoded: (MOST_HELD.load(Ordering::Relaxed) - before) as f64 / decoded + 1.0,
    })
}
