//! What the Align page tells, as lines of JSON: for scripts, and for those who have it read out in their own way.

use crate::state::shown::Shown;
use crate::words;
use serde_json::{Value, json};

/// One line for what is shown now.
#[must_use]
pub fn line(shown: &Shown) -> String {
    let align = &shown.align;
    let next = align.strips.iter().find(|s| s.is_next).map_or(Value::Null, |strip| {
        let per_turn = strip.divisions.map(f64::from);
        // A tenth of a division: what is finer changes with the grain of every picture, and is no news.
        let steps = 10.0 * per_turn.unwrap_or(100.0);
        let left_turns = (strip.left_turns * steps).round() / steps;
        json!({"adjuster": strip.adjuster, "name": strip.name, "left_turns": left_turns, "divisions_per_turn": per_turn})
    });
    let sentences: Vec<&str> = align.sentences.iter().map(|s| s.text.as_str()).collect();
    json!({
        "schema": 1,
        "picture": words::picture_state(shown.picture),
        "state": align.state_text,
        "headline": align.headline,
        "next": next,
        "sentences": sentences,
        "not_acceptable": align.not_acceptable,
        "confirm": align.confirm,
        "prompt": shown.prompt,
        "accepted": align.accepted.as_ref().map(|a| json!({"text": a.text, "folder": a.folder, "trouble": a.trouble})),
        "trouble": shown.trouble,
    })
    .to_string()
}
