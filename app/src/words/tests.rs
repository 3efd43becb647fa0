//! What is shown is written here and nowhere else: the folders that show something are read for literals of two words and more.

use std::path::{Path, PathBuf};

/// Read no further than their own tests; these only print in a terminal, or follow what is shown.
const TERMINAL_ONLY: [&str; 4] = ["guided.rs", "open.rs", "pace.rs", "shot.rs"];

/// A line with one of these names something inside the program: an id, a thread, a reason for a lint.
const NAMES_INSIDE: [&str; 7] = ["id_salt(", "Id::unique(", "Id::new(", "scope_id()", ".name(\"", "reason = ", "column(ui, "];

/// Every string literal of a source outside of comments and of `mod tests`, with its line.
fn literals(source: &str) -> Vec<(usize, String)> {
    let source = source.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
    let mut found = Vec::new();
    for (number, line) in source.lines().enumerate() {
        let mut rest = line;
        while let Some(start) = rest.find(['"', '/', '\'']) {
            let after = &rest[start..];
            if after.starts_with("//") {
                break;
            }
            if let Some(character) = ["'\"'", "'\\''", "'/'", "'\\\"'"].into_iter().find(|c| after.starts_with(c)) {
                rest = &after[character.len()..];
            } else if let Some(text) = after.strip_prefix('"') {
                let mut escaped = false;
                let end = text.find(|c| {
                    let ends = c == '"' && !escaped;
                    escaped = c == '\\' && !escaped;
                    ends
                });
                found.push((number + 1, text[..end.unwrap_or(text.len())].to_owned()));
                rest = end.map_or("", |end| &text[end + 1..]);
            } else {
                rest = &after[1..];
            }
        }
    }
    found
}

/// Two words or more that stand in the literal itself, not in what is put into it.
fn is_a_sentence(literal: &str) -> bool {
    let mut depth = 0;
    let plain: String = literal
        .chars()
        .filter(|c| {
            depth += i32::from(*c == '{') - i32::from(*c == '}');
            depth == 0
        })
        .collect();
    let words = plain.split_whitespace().filter(|w| w.chars().filter(|c| c.is_alphabetic()).count() >= 2).count();
    words >= 2
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    all.sort();
    let name = |p: &PathBuf| p.file_name().unwrap_or_default().to_string_lossy().into_owned();
    all.retain(|p| {
        p.extension().is_some_and(|e| e == "rs") && !name(p).ends_with("tests.rs") && !TERMINAL_ONLY.contains(&name(p).as_str())
    });
    all
}

#[test]
fn nothing_is_shown_that_is_written_elsewhere() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut elsewhere = Vec::new();
    let mut read = 0;
    let beside = ["settings.rs", "sources.rs", "rehearsal_bench.rs", "sound.rs", "worker.rs"].iter().map(|name| src.join(name));
    for file in ["window", "state", "overlay"].iter().flat_map(|folder| sources(&src.join(folder))).chain(beside) {
        let text = std::fs::read_to_string(&file).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        read += 1;
        for (line, literal) in literals(&text) {
            let names_inside = NAMES_INSIDE.iter().any(|n| lines[line - 1].contains(n));
            if is_a_sentence(&literal) && !names_inside {
                elsewhere.push(format!("{}:{line}: {literal:?}", file.display()));
            }
        }
    }
    assert!(read >= 30, "only {read} files were read");
    assert!(elsewhere.is_empty(), "to be written in app/src/words:\n{}", elsewhere.join("\n"));
}

#[test]
fn the_search_sees_what_it_is_for() {
    let of = |source: &str| literals(source).into_iter().map(|l| l.1).filter(|l| is_a_sentence(l)).collect::<Vec<_>>();
    assert_eq!(of("let a = \"Turn it back\"; // \"not this one\""), ["Turn it back"]);
    assert_eq!(of("say('\"', \"two words\", format!(\"{a} of {b} balls\"))"), ["two words", "{a} of {b} balls"]);
    assert!(of("key(\"one\", \"{name} {sense}\", \"1 x 2\")").is_empty());
    assert!(of("#[cfg(test)]\nmod tests {\n    let a = \"in a test\";").is_empty());
}
