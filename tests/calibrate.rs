//! `landfit calibrate` on pictures drawn here: what it finds, what it refuses in one line, and that a refused bench file stays as it was.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

/// Part and board lit in turn, 0.05 mm a px, the board view 40 µm and 30 µm off the part view.
const BENCH: &str = r#"# kept
schema = 1
name = "two exposures"  # kept, too

[frame]
size_px = [480, 360]

[[view]]
shows = "part"
exposure = 0
tint = [1.0, 1.0, 1.0]
px_from_mm = [[20.2, 0.0, 239.5], [0.0, -20.2, 179.5], [0.0, 0.0, 1.0]]

[[view]]
shows = "board"
exposure = 1
tint = [1.0, 1.0, 1.0]
px_from_mm = [[20.1, 0.0, 239.0], [0.0, -20.1, 180.0], [0.0, 0.0, 1.0]]

[[adjuster]]
name = "X"
carries = "board"
turn = { mm = [0.5, 0.0] }
divisions = 50

[shop]
shelf = 3
"#;

struct Shop {
    folder: tempfile::TempDir,
}

struct Told {
    status: i32,
    out: String,
    err: String,
}

impl Shop {
    fn new() -> Self {
        let shop = Self { folder: tempfile::tempdir().unwrap() };
        fs::write(shop.path("bench.toml"), BENCH).unwrap();
        shop
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn bench(&self) -> String {
        fs::read_to_string(self.path("bench.toml")).unwrap()
    }

    /// Runs `landfit calibrate` in the folder.
    fn calibrate(&self, line: &str) -> Told {
        let mut command = assert_cmd::Command::cargo_bin("landfit").unwrap();
        let done = command.current_dir(self.folder.path()).arg("calibrate").args(line.split_whitespace()).output().unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Told { status: done.status.code().unwrap(), out: text(&done.stdout), err: text(&done.stderr) }
    }

    #[track_caller]
    fn done(&self, line: &str) -> String {
        let told = self.calibrate(line);
        assert_eq!(told.status, 0, "{line}: {}{}", told.err, told.out);
        told.out
    }

    /// Refused in one line that holds `part`, with the bench file as it was.
    #[track_caller]
    fn refused(&self, line: &str, part: &str) {
        let before = self.bench();
        let told = self.calibrate(line);
        assert_eq!((told.status, told.out.as_str()), (2, ""), "{line}: {}", told.err);
        assert!(told.err.contains(part) && told.err.trim_end().lines().count() == 1, "{line}: {}", told.err);
        assert_eq!(self.bench(), before, "{line}");
    }

    /// Draws a picture of what is dark at a place of the bench frame, as a true view of scale and shift sees it.
    fn draw(&self, name: &str, (px_per_mm, x0, y0): (f64, f64, f64), dark: impl Fn(f64, f64) -> bool) {
        self.draw_sized(name, (480, 360), (px_per_mm, x0, y0), dark);
    }

    fn draw_sized(&self, name: &str, size: (u32, u32), (px_per_mm, x0, y0): (f64, f64, f64), dark: impl Fn(f64, f64) -> bool) {
        let picture = image::GrayImage::from_fn(size.0, size.1, |x, y| {
            let light = (0..49)
                .filter(|s| {
                    let (dx, dy) = (1.5 * (f64::from(s % 7) / 7.0 - 3.0 / 7.0), 1.5 * (f64::from(s / 7) / 7.0 - 3.0 / 7.0));
                    !dark((f64::from(x) + dx - x0) / px_per_mm, (y0 - f64::from(y) - dy) / px_per_mm)
                })
                .count();
            // A little of a fixed noise, so that no two pixels are alike.
            let noise = (x.wrapping_mul(2_654_435_761).wrapping_add(y.wrapping_mul(40_503)) >> 13) % 5;
            image::Luma([(30.0 + 170.0 * light as f64 / 49.0) as u8 + noise as u8])
        });
        picture.save(self.path(name)).unwrap();
    }

    /// A grid of dots at `pitch`, turned and shifted, as both views see it.
    fn draw_target(&self, name: &str, pitch: f64, (x, y, deg): (f64, f64, f64)) {
        for (side, view) in [("part", PART_VIEW), ("board", BOARD_VIEW)] {
            self.draw(&format!("{name}-{side}.png"), view, dots(pitch, (x, y, deg)));
        }
    }
}

/// The true views: px per mm and where the bench's origin is seen.
const PART_VIEW: (f64, f64, f64) = (20.0, 239.5, 179.5);
const BOARD_VIEW: (f64, f64, f64) = (20.06, 240.3, 178.9);

fn dots(pitch: f64, (x, y, deg): (f64, f64, f64)) -> impl Fn(f64, f64) -> bool {
    move |u, v| {
        let (s, c) = f64::to_radians(deg).sin_cos();
        let (a, b) = (c * (u - x) + s * (v - y), -s * (u - x) + c * (v - y));
        (a - (a / pitch).round() * pitch).hypot(b - (b / pitch).round() * pitch) < pitch / 4.0
    }
}

#[test]
fn dots_larger_than_the_field_calibrate_scale_and_registration_and_undo_brings_the_file_back() {
    let shop = Shop::new();
    for (i, pose) in [(0.1, -0.2, 1.0), (0.3, 0.2, -8.0), (-0.2, 0.1, 14.0)].into_iter().enumerate() {
        shop.draw_target(&format!("t{i}"), 1.0, pose);
    }
    let pictures = "t0-part.png t0-board.png t1-part.png t1-board.png t2-part.png t2-board.png";
    let told = shop.done(&format!("scale {pictures} --bench bench.toml --dots 1.0 --ruler glass --due 90 --json --residuals left.png"));
    let answer: serde_json::Value = serde_json::from_str(&told).unwrap();
    for (v, true_um) in [(0, 1000.0 / PART_VIEW.0), (1, 1000.0 / BOARD_VIEW.0)] {
        let found = answer.pointer(&format!("/views/{v}/um_per_px/0")).and_then(serde_json::Value::as_f64).unwrap();
        assert!((found / true_um - 1.0).abs() < 1e-4, "{found} is not {true_um}");
    }
    assert!(shop.path("left.png").exists());
    let text = shop.bench();
    assert!(text.starts_with("# kept\n") && text.contains("# kept, too") && text.contains("[shop]\nshelf = 3"), "{text}");
    assert!(text.contains("state = \"calibrated\"") && text.contains("ruler = \"glass\"") && text.contains("pixel_format = \"grey8\""));

    // The two views now agree on where one thing is: the check of the day says so, and says when a view was knocked.
    shop.draw_target("day", 1.0, (0.05, 0.1, 4.0));
    let told = shop.done("day day-part.png day-board.png --bench bench.toml --dots 1.0 --dry");
    assert!(told.contains("part view against board view") && told.contains("holds"), "{told}");
    shop.draw("knocked-board.png", (20.06, 240.3 + 0.6, 178.9), dots(1.0, (0.05, 0.1, 4.0)));
    let told = shop.calibrate("day day-part.png knocked-board.png --bench bench.toml --dots 1.0");
    assert!(told.status == 1 && told.out.contains("it has moved"), "{}{}", told.out, told.err);
    assert!(shop.done("history --bench bench.toml").contains("check of the day"));

    // What was checked stays on record; everything else is as it was.
    shop.done("undo --bench bench.toml");
    let text = shop.bench();
    assert!(text.starts_with(BENCH) && text[BENCH.len()..].trim_start().starts_with("[[history]]"), "{text}");
    assert!(!text.contains("before = ") && !text.contains("[uncertainty]"), "{text}");
    shop.refused("undo --bench bench.toml", "no calibration to take back");
}

#[test]
fn a_ruler_is_named_with_serial_and_certificate_and_an_overdue_one_is_said_from_then_on() {
    let shop = Shop::new();
    for (i, pose) in [(0.1, -0.2, 1.0), (0.3, 0.2, -8.0)].into_iter().enumerate() {
        shop.draw_target(&format!("t{i}"), 1.0, pose);
    }
    let line = "scale t0-part.png t0-board.png t1-part.png t1-board.png --bench bench.toml --dots 1.0 --date 2026-11-25 --ruler glass --ruler-serial 12 --ruler-certificate K-345 --ruler-limit 0.002";
    let told = shop.done(&format!("{line} --ruler-due 2027-03-31"));
    assert!(
        told.contains("ruler: glass, serial 12, certificate K-345, due 2027-03-31, scale good to 0.002 %") && !told.contains("ran out"),
        "{told}"
    );
    let text = shop.bench();
    for key in [
        "ruler = \"glass\"",
        "ruler_serial = \"12\"",
        "ruler_certificate = \"K-345\"",
        "ruler_due = \"2027-03-31\"",
        "field_covariance = [",
    ] {
        assert!(text.contains(key), "{key} is not in {text}");
    }
    let told = shop.done("day t0-part.png t0-board.png --bench bench.toml --dots 1.0 --date 2026-11-26 --dry");
    assert!(!told.contains("certificate ran out") && told.contains("calibrated 1 days ago") && told.contains("no rule says"), "{told}");
    // The certificate had run out when it was used: said at once, and with every answer.
    let told = shop.done(&format!("{line} --ruler-due 2026-10-01"));
    assert!(told.contains("its certificate ran out on 2026-10-01, 55 days ago"), "{told}");
    let told = shop.done("day t0-part.png t0-board.png --bench bench.toml --dots 1.0 --date 2026-11-26 --dry");
    assert!(told.contains("whose certificate ran out on 2026-10-01"), "{told}");
    // The user's own rule, set without calibrating; undo takes it back.
    let told = shop.done("due 30 --bench bench.toml --date 2026-12-01");
    assert!(
        told.contains("due after 30 days") && told.contains("is the oldest: 6 days") && shop.bench().contains("due_days = 30"),
        "{told}"
    );
    let told = shop.done("day t0-part.png t0-board.png --bench bench.toml --dots 1.0 --date 2027-01-01 --dry");
    assert!(told.contains("Calibration due: scale of view 1 is 37 days old and was due after 30"), "{told}");
    shop.done("undo --bench bench.toml");
    assert!(!shop.bench().contains("due_days"), "{}", shop.bench());
    // A run of a screw makes the scale no younger.
    fs::write(shop.path("run.csv"), listing(|_, mm| mm)).unwrap();
    shop.done("due 30 --bench bench.toml --date 2026-12-01");
    shop.done("screws run.csv --bench bench.toml --date 2027-01-01");
    let told = shop.done("day t0-part.png t0-board.png --bench bench.toml --dots 1.0 --date 2027-01-01 --dry");
    assert!(told.contains("scale of view 1 is 37 days old"), "{told}");
}

#[test]
fn the_angle_of_each_view_is_told_and_compared_where_the_target_lies_against_its_stop() {
    let shop = Shop::new();
    shop.draw_target("t", 1.0, (0.1, -0.2, 1.0));
    shop.done("scale t-part.png t-board.png --bench bench.toml --dots 1.0");
    let day =
        |name: &str, more: &str| shop.calibrate(&format!("day {name}-part.png {name}-board.png --bench bench.toml --dots 1.0 {more}"));
    let angles =
        |out: &str| -> Vec<f64> { out.split("lies turned ").skip(1).map(|t| t.split(' ').next().unwrap().parse().unwrap()).collect() };
    let told = day("t", "");
    // The bench's own frame is turned by less than 0.01 degrees against the drawing's.
    assert!(told.out.contains("compared with nothing") && angles(&told.out).iter().all(|a| (a - 1.0).abs() < 0.02), "{}", told.out);
    let first = day("t", "--seated");
    assert!(first.status == 0 && first.out.contains("the first to be noted"), "{}", first.out);
    shop.draw_target("later", 1.0, (0.1, -0.2, 1.0));
    let later = day("later", "--seated");
    assert!(later.status == 0 && later.out.matches("when first noted: holds").count() >= 2, "{}", later.out);
    shop.draw_target("turned", 1.0, (0.1, -0.2, 1.15));
    let turned = day("turned", "--seated");
    assert!(turned.status == 1 && turned.out.contains("the view or the stop has turned"), "{}", turned.out);
}

#[test]
fn lights_are_learnt_from_regions_of_one_picture_where_only_one_shows() {
    let shop = Shop::new();
    let bench = BENCH.replace("exposure = 1", "exposure = 0").replacen("[1.0, 1.0, 1.0]", "[1.0, 0.9, 0.3]", 1).replacen(
        "[1.0, 1.0, 1.0]",
        "[0.3, 0.9, 1.0]",
        1,
    );
    fs::write(shop.path("bench.toml"), bench).unwrap();
    // Amber left, cyan right, both in the middle; over a black level of 10.
    let lit = |x: u32, y: u32| {
        let strength = 0.5 + 0.3 * f64::from(y % 90) / 90.0;
        let (amber, cyan) = (f64::from(u8::from(x < 280)), f64::from(u8::from(x > 200)));
        image::Rgb([(0.8, 0.1), (0.5, 0.55), (0.05, 0.8)].map(|(a, c)| (10.0 + 150.0 * strength * (a * amber + c * cyan)).round() as u8))
    };
    image::RgbImage::from_fn(480, 360, lit).save(shop.path("both.png")).unwrap();
    image::RgbImage::from_pixel(480, 360, image::Rgb([10, 10, 10])).save(shop.path("dark.png")).unwrap();
    image::RgbImage::from_fn(480, 360, |x, _| if x < 300 { image::Rgb([240, 240, 240]) } else { image::Rgb([90, 80, 70]) })
        .save(shop.path("bright.png"))
        .unwrap();
    let line = "lights --bench bench.toml --part-light both.png --board-light both.png --dark dark.png --bright bright.png";
    shop.refused(line, "more than one light shows");
    shop.refused(&format!("{line} --part-region 0,0,180"), "x,y,width,height");
    shop.refused(&format!("{line} --part-region 0,0,180,400 --board-region 300,0,180,360"), "outside the picture of 480 x 360");
    shop.refused(&format!("{line} --part-region 0,0,180,360 --board-region 0,0,180,360"), "the same light");
    shop.refused("lights --bench bench.toml --part-light dark.png --board-light both.png", "neither dark nor saturated");
    shop.refused("lights --bench bench.toml --part-light both.png --board-light both.png --dark both.png", "without light");
    let told = shop.done(&format!("{line} --part-region 0,0,180,360 --board-region 300,0,180,360"));
    assert!(told.contains("black level 10.0") && told.contains("full scale 240"), "{told}");
    let text = shop.bench();
    assert!(text.contains("black = 10.0") && text.contains("white = 240.0"), "{text}");
    let tints: Vec<Vec<f64>> = text
        .lines()
        .filter_map(|l| l.strip_prefix("tint = ["))
        .map(|l| l.split(']').next().unwrap().split(',').map(|v| v.trim().parse().unwrap()).collect())
        .collect();
    for (tint, is) in tints.iter().zip([[1.0, 0.625, 0.0625], [0.125, 0.6875, 1.0]]) {
        assert!(tint.iter().zip(is).all(|(a, b)| (a - b).abs() < 0.01), "{tints:?}");
    }
}

#[test]
fn pictures_that_do_not_fit_are_refused_in_one_line_and_the_bench_stays() {
    let shop = Shop::new();
    shop.draw_target("t", 1.0, (0.0, 0.0, 3.0));
    shop.draw_sized("large.png", (500, 360), PART_VIEW, dots(1.0, (0.0, 0.0, 3.0)));
    shop.draw("two.png", PART_VIEW, |x, y| {
        let one = dots(1.0, (0.0, 0.0, 3.0));
        let two = dots(0.8, (0.3, 0.2, -4.0));
        x.abs() > 1.5 && x.abs() < 10.0 && if x > 0.0 { one(x, y) } else { two(x, y) }
    });
    shop.draw("none.png", PART_VIEW, |_, _| false);
    image::GrayImage::from_pixel(480, 360, image::Luma([3])).save(shop.path("dark.png")).unwrap();
    fs::write(shop.path("text.png"), "no picture").unwrap();
    shop.refused("scale t-part.png large.png --bench bench.toml --dots 1.0", "500 x 360 px, but the bench's frame is 480 x 360");
    shop.refused("scale two.png t-board.png --bench bench.toml --dots 1.0", "two targets");
    shop.refused("scale none.png t-board.png --bench bench.toml --dots 1.0", "no target was found");
    shop.refused("scale dark.png t-board.png --bench bench.toml --dots 1.0", "dark.png: in the part view: it is dark");
    shop.refused("day dark.png dark.png --bench bench.toml --dots 1.0", "part view: it is dark: the brightest places reach");
    shop.refused("scale text.png t-board.png --bench bench.toml --dots 1.0", "cut short or damaged");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --staggered 1.0 --row 0.9", "right target file");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.25", "by the bench file: is it the right target file or pitch?");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --about 62", "were stated");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --about much", "µm per px, from");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --due NaN", "number of days");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --distance 0 --heights 0.1", "write mm");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --distance 100 --heights NaN", "write mm");
    shop.done("scale t-part.png t-board.png --bench bench.toml --dots 1.25 --about 62 --dry");
    shop.refused("scale t-part.png t-board.png --bench bench.toml", "which target is it");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 0", "--dots 0");
    shop.refused(
        "scale t-part.png --bench bench.toml --dots 1.0",
        "needs 2 pictures for every laying down, one of each exposure, and was given 1",
    );
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --ruler-limit NaN", "--ruler-limit");
    shop.refused("scale t-part.png t-board.png --bench bench.toml --dots 1.0 --ruler glass --ruler-due 2027-02-30", "--ruler-due");
    image::open(shop.path("t-board.png")).unwrap().save(shop.path("t-board.jpg")).unwrap();
    shop.refused("scale t-part.png t-board.jpg --bench bench.toml --dots 1.0", "t-board.jpg has the format grey8 jpeg");
    shop.refused("day t-part.png large.png --bench bench.toml --dots 1.0", "500 x 360 px");
    shop.refused("day none.png none.png --bench bench.toml --dots 1.0", "found in no view");
    shop.refused("due 30 --bench missing.toml", "missing.toml");
    shop.refused("due NaN --bench bench.toml", "\"NaN\" is no number");
    shop.refused("due -3 --bench bench.toml", "number of days");
    let newer = BENCH.replace("schema = 1", "schema = 2");
    fs::write(shop.path("newer.toml"), &newer).unwrap();
    shop.refused("scale t-part.png t-board.png --bench newer.toml --dots 1.0", "schema");
    assert_eq!(fs::read_to_string(shop.path("newer.toml")).unwrap(), newer);
    let other = "name = \"o\"\nbody_mm = [9.0, 9.0]\n[grid]\nrows = 5\ncolumns = 6\npitch_mm = [1.0, 0.6]\nterminal = { round_mm = 0.3 }\nland = { round_mm = 0.3 }\n";
    fs::write(shop.path("other.toml"), other).unwrap();
    shop.refused("scale t-part.png t-board.png --bench bench.toml --part other.toml", "no target was found");
}

/// A listing of 21 readings up and down over 10.4 turns, with places of a screw of 0.5012 mm and 0.03 turns of play.
fn listing(change: impl Fn(usize, f64) -> f64) -> String {
    let mut text = String::from("adjuster,thimble,reading,approach,x_mm,y_mm\n");
    for i in 0..42 {
        let step = if i < 21 { i } else { 41 - i };
        let turns = (26.0 * f64::from(step as u32)).round() / 50.0;
        let (approach, play) = if i < 21 { ("up", 0.0) } else { ("down", 0.03) };
        let jitter = 0.0005 * (f64::from((i * 37 % 11) as u32) / 5.0 - 1.0);
        let along = 0.5012 * (turns + play) + 0.002 * (std::f64::consts::TAU * turns).cos() + jitter;
        let _ = writeln!(text, "X,mm,{:.4},{approach},{along:.6},{:.6}", change(i, 0.5 * turns), 0.002 * along);
    }
    text
}

#[test]
fn a_run_teaches_the_screw_and_names_a_reading_noted_wrongly() {
    let shop = Shop::new();
    fs::write(shop.path("run.csv"), listing(|_, mm| mm)).unwrap();
    let told = shop.done("screws run.csv --bench bench.toml --chart chart.svg");
    assert!(told.contains("play 0.0300") && told.contains("a short run"), "{told}");
    assert!(fs::read_to_string(shop.path("chart.svg")).unwrap().contains("<circle"));
    let text = shop.bench();
    assert!(text.contains("backlash_turns = 0.0") && text.contains("[[uncertainty.adjuster]]") && text.contains("# kept, too"), "{text}");
    for (off_mm, words) in [(0.01, "one division too high"), (-0.25, "half a turn too low")] {
        fs::write(shop.path("slip.csv"), listing(|i, mm| if i == 9 { mm + off_mm } else { mm })).unwrap();
        let told = shop.done("screws slip.csv --bench bench.toml --dry");
        assert!(told.contains("stop 10 was noted as") && told.contains(words) && told.contains("play 0.0"), "{told}");
    }
}

#[test]
fn runs_that_say_nothing_are_refused_in_one_line_and_the_bench_stays() {
    let shop = Shop::new();
    let run = |text: String| fs::write(shop.path("run.csv"), text).unwrap();
    let line = "screws run.csv --bench bench.toml";
    run(listing(|_, mm| mm).lines().take(3).fold(String::new(), |t, l| t + l + "\n"));
    shop.refused(line, "too few");
    run(listing(|_, _| 2.5));
    shop.refused(line, "all readings are 5 turns");
    // Readings of another run than these pictures'.
    run(listing(|i, mm| 0.3 * mm + 0.2 * f64::from((i * 7 % 5) as u32)));
    shop.refused(line, "no screw is that uneven");
    run(listing(|i, _| 0.5 * f64::from((if i < 21 { i } else { 41 - i }) as u32)));
    shop.refused(line, "thimble at 0.00 of a turn");
    run(listing(|_, mm| mm).replace("0.2600", "NaN"));
    shop.refused(line, "no finite number");
    run(listing(|_, mm| mm).replace("0.2600", "a quarter"));
    shop.refused(line, "no number");
    run(listing(|_, mm| mm).replace("X,mm", "Q,mm"));
    shop.refused(line, "no adjuster Q");
    run(listing(|_, mm| mm).replace("x_mm,y_mm", "picture,note"));
    shop.refused(line, "--part");
    shop.refused("screws missing.csv --bench bench.toml", "missing.csv");
    shop.refused("run --bench bench.toml --adjuster Z --from 0 --to 5 --out r.csv", "no adjuster Z");
    shop.refused("run --bench bench.toml --adjuster X --from 1 --to 1 --out r.csv", "two different readings");
    assert!(!shop.path("r.csv").exists());
    // A listing that was filled in is not written over unasked.
    let plan = "run --bench bench.toml --adjuster X --from 0 --to 5 --thimble mm --out r.csv";
    shop.done(plan);
    fs::write(shop.path("r.csv"), "filled in").unwrap();
    shop.refused(plan, "--replace");
    assert_eq!(fs::read_to_string(shop.path("r.csv")).unwrap(), "filled in");
    shop.done(&format!("{plan} --replace"));
    assert_eq!(fs::read_to_string(shop.path("r.csv")).unwrap().matches("\nX,mm,").count(), 20);
}

#[test]
fn the_screws_can_be_the_ruler() {
    let shop = Shop::new();
    fs::write(shop.path("run.csv"), listing(|_, mm| mm)).unwrap();
    // The pictures say 0.5012 mm for a turn of 0.5 mm: their scale is 0.24 % long.
    let told = shop.done("screws run.csv --bench bench.toml --as-ruler");
    assert!(told.contains("ruler: the screws X") && told.contains("-0.239"), "{told}");
    assert!(told.contains("(0.500000 mm in all)"), "{told}");
    assert!(shop.bench().contains("ruler = \"the screws X\""));
    // 7 % more than the thimble says is no screw's error: the target had another pitch.
    let run = listing(|_, mm| mm);
    let long = run.lines().map(|l| {
        let fields: Vec<&str> = l.split(',').collect();
        let longer = |v: &str| v.parse::<f64>().map_or(v.to_owned(), |v| format!("{:.6}", 1.067 * v));
        format!("{},{},{}\n", fields[..4].join(","), longer(fields[4]), longer(fields[5]))
    });
    fs::write(shop.path("long.csv"), long.collect::<String>()).unwrap();
    let told = shop.done("screws long.csv --bench bench.toml --dry");
    assert!(told.contains("that is +7.0 % against the 0.5000 mm of its thimble: was scale calibrated with the right pitch?"), "{told}");
}

#[test]
fn a_target_is_printed_at_true_scale_and_a_study_evaluated() {
    let shop = Shop::new();
    shop.done("target --dots --pitch 1.0 --out target.svg");
    assert!(fs::read_to_string(shop.path("target.svg")).unwrap().contains("width=\"210mm\""));
    shop.done("target --checkerboard --pitch 4 --rows 30 --columns 30 --out target.pdf");
    assert!(fs::read(shop.path("target.pdf")).unwrap().starts_with(b"%PDF-"));
    shop.refused("target --dots --pitch 9 --out large.svg", "do not fit");
    shop.refused("target --dots --out target.txt", ".svg or .pdf");
    // AIAG MSA manual's study; its printed figures: %GRR 26.68 by ranges, 27.9 by variance.
    let csv = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/check-values/grr_aiag_10x3x3.csv");
    let told = shop.done(&format!("study {csv}"));
    assert!(told.contains("%GRR 26.68") && told.contains("%GRR 27.86"), "{told}");
    fs::write(shop.path("uneven.csv"), "part,person,value\n1,A,1\n1,A,2\n1,B,1\n").unwrap();
    shop.refused("study uneven.csv", "parts");
    fs::write(shop.path("text.csv"), "part,person,value\n1,A,one\n").unwrap();
    shop.refused("study text.csv", "line 2");
}
