use super::*;

/// The full example of the bench file's description, with the dots filled in.
const BENCH: &str = r#"schema = 1
name = "demo"

[frame]
size_px = [1280, 960]
black = 0                           # optional: raw value of no light
white = 255                         # optional: raw value of full scale (4095 for 12 bits in 16)
gamma = 1.0

[lens]
k1 = -0.03
k2 = 0.0
centre_px = [639.5, 479.5]
norm_px = 800.0

[[view]]
shows = "part"                      # or "board"
exposure = 0                        # which picture of the set: 0 … n-1 without gaps, one picture each
region_px = [0, 0, 640, 960]        # optional, raw pixels: x, y, width, height
tint = [0.80, 0.55, 0.08]
px_from_mm = [[80.0, 0.0, 639.5], [0.0, -80.0, 479.5], [0.0, 0.0, 1.0]]

[[view]]
shows = "board"
exposure = 0
tint = [0.05, 0.50, 0.70]
px_from_mm = [[80.0, 0.0, 639.5], [0.0, -80.0, 479.5], [0.0, 0.0, 1.0]]

[[adjuster]]
name = "X"
carries = "board"                   # or "part"
turn = { mm = [0.5, 0.003] }        # what it carries moves so, bench frame, for one clockwise turn
divisions = 50                      # optional: a bare knob or a jog control has none
backlash_turns = 0.02

[[adjuster]]
name = "Y"
carries = "board"
turn = { mm = [0.0, 0.5] }
divisions = 50
backlash_turns = 0.02

[[adjuster]]
name = "R"
carries = "part"
turn = { deg = 1.5, pivot_mm = [0.4, -1.1] }   # counter-clockwise degrees for one clockwise turn; the pivot, bench frame
divisions = 30
backlash_turns = 0.02
"#;

#[test]
fn the_full_example_is_read_and_written_and_read_again() {
    let bench = parse(BENCH, "bench.toml").expect("bench");
    assert_eq!(bench.adjusters.len(), 3);
    assert_eq!(parse(&to_toml(&bench), "again.toml").expect("again"), bench);
}
