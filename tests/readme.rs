//! The commands of the README work as they are typed, and the files that it shows are there.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::path::{Path, PathBuf};

const PROGRAM: &str = "target/release/landfit";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

fn readme() -> String {
    std::fs::read_to_string(root().join("README.md")).unwrap()
}

/// Every line of the README's sh blocks that calls the program, with lines that end in a backslash joined.
fn commands() -> Vec<String> {
    let text = readme().replace("\\\n", " ");
    let mut inside = false;
    let mut found = Vec::new();
    for line in text.lines() {
        if line.starts_with("```") {
            inside = line == "```sh";
        } else if inside && line.starts_with(PROGRAM) {
            found.push(line.to_owned());
        }
    }
    found
}

/// All in one folder that sees the demo pictures as the repository's does, in the README's order, so that later ones find
/// what earlier ones wrote.
#[test]
#[cfg(unix)]
fn every_command_of_the_readme_works_as_typed() {
    let commands = commands();
    for needed in ["align", "inspect", "part new grid", "part show", "bench new", "rehearse --save", "rehearse --study"] {
        assert!(commands.iter().any(|c| c.contains(needed)), "the README shows no {needed}");
    }
    let folder = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(root().join("demo-images"), folder.path().join("demo-images")).unwrap();
    for command in commands {
        // A study as long as the README's belongs to no test; tests/run takes a short one.
        let short = command.replace("--study 50", "--study 1 --kinds good-light");
        let typed = short.replacen(PROGRAM, env!("CARGO_BIN_EXE_landfit"), 1);
        let ended = assert_cmd::Command::new("sh").arg("-c").arg(&typed).current_dir(folder.path()).output().unwrap();
        let told = String::from_utf8_lossy(&ended.stderr).into_owned();
        let status = ended.status.code().unwrap();
        let expected = if command.contains("turned/") {
            3
        } else {
            i32::from(command.contains("outside/") || command.contains("missing") || command.contains("underside/"))
        };
        assert_eq!(status, expected, "{command}: {told}");
        assert!(!ended.stdout.is_empty(), "{command} prints nothing");
    }
    for left in ["marked.png", "my-part.toml", "my-part.svg", "my-bench.toml", "saved/picture.png"] {
        assert!(folder.path().join(left).is_file(), "{left} was not written");
    }
}

#[test]
fn every_file_that_the_readme_and_the_map_link_to_is_there() {
    let mut links = 0;
    for document in ["README.md", "DEVELOPERS.md", "CHANGELOG.md"] {
        let text = std::fs::read_to_string(root().join(document)).unwrap();
        for piece in text.split("](").skip(1) {
            let target = piece.split([')', '#']).next().unwrap();
            if !target.is_empty() && !target.starts_with("http") {
                assert!(root().join(target).exists(), "{document} links to {target}");
                links += 1;
            }
        }
    }
    assert!(links > 5);
}
