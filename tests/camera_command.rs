//! `landfit camera` on fake devices (tests/fakecam): what is listed, a picture stored whole, and troubles said with what to do.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::path::Path;
use std::process::{Command, Output};

const CAMERA: &str = "kind camera\nsize 320x240\nformat YUYV\ninterval 1/30\n";

fn landfit(devices: &Path, arguments: &[&str]) -> Output {
    let shim = devices.join("libfakecam.so");
    if !shim.exists() {
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/fakecam/fakecam.c");
        let compiler =
            Command::new("cc").args(["-O2", "-shared", "-fPIC", "-o"]).arg(&shim).arg(source).args(["-ldl", "-lpthread"]).status();
        assert!(compiler.unwrap().success());
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_landfit"));
    command.arg("camera").args(arguments).env("FAKECAM_DIR", devices).env("LD_PRELOAD", shim).current_dir(devices).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn without_a_camera_it_is_said_on_one_line_and_nothing_is_written() {
    let devices = tempfile::tempdir().unwrap();
    assert_eq!(text(&landfit(devices.path(), &["list"]).stdout), "no camera is connected\n");
    let refused = landfit(devices.path(), &["take", "--out", "picture.png"]);
    assert_eq!(refused.status.code(), Some(2));
    let said = text(&refused.stderr);
    assert_eq!(said, "landfit: no camera is connected; plug one in, or choose a folder, stored pictures or the rehearsal\n");
    assert!(!devices.path().join("picture.png").exists());
}

#[test]
fn a_still_picture_is_stored_whole_and_an_earlier_one_is_kept() {
    let devices = tempfile::tempdir().unwrap();
    std::fs::create_dir(devices.path().join("names")).unwrap();
    std::fs::write(devices.path().join("names/video0"), "Bench camera").unwrap();
    std::fs::write(devices.path().join("video0"), format!("{CAMERA}frame still\n")).unwrap();
    let listed = text(&landfit(devices.path(), &["list"]).stdout);
    assert!(listed.starts_with("Bench camera\n  YUYV: colour at half resolution across"), "{listed}");
    assert!(listed.contains("\n    YUYV 320x240 at 30 a second\n"), "{listed}");

    let taken = landfit(devices.path(), &["take", "--out", "picture.png", "--exposure", "100"]);
    assert!(taken.status.success(), "{}", text(&taken.stderr));
    let told = text(&taken.stdout);
    assert!(told.starts_with("picture.png: 320x240 px from Bench camera\n  exposure 100 (3 to 2047)"), "{told}");
    assert!(told.contains("switched off: automatic exposure, automatic white balance"), "{told}");
    let picture = image::open(devices.path().join("picture.png")).unwrap();
    assert_eq!((picture.width(), picture.height()), (320, 240));

    let refused = landfit(devices.path(), &["take", "--out", "picture.png"]);
    assert_eq!((refused.status.code(), text(&refused.stderr).contains("is there already; give --replace")), (Some(2), true));
    let refused = landfit(devices.path(), &["take", "--out", "other.png", "--exposure", "9999"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("exposure cannot be set to 9999"), "{}", text(&refused.stderr));
    assert!(!devices.path().join("other.png").exists());
}
