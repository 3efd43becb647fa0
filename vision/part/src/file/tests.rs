use super::*;
use crate::{Piece, Shape};

const GRID: &str = r#"schema = 1
name = "B"
body_mm = [14.0, 14.0]

[grid]
rows = 4
columns = 4
pitch_mm = [0.8, 0.8]
terminal = { round_mm = 0.45 }
land     = { round_mm = 0.36 }
"#;

#[test]
fn reads() {
    let part = parse(GRID, "b.toml").expect("part");
    assert_eq!(part.sites.len(), 16);
    assert_eq!(parse(&to_toml(&part), "b.toml").expect("again"), part);
    let _ = (Piece::round(1.0), Shape::Round { diameter_mm: 1.0 });
}
