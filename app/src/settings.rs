//! What the person has set; kept between runs in one small file, written whole.

use crate::state::units::{Lengths, Turns};
use crate::words;
use anyhow::Context;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What the person has set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Settings {
    /// Dark or light ground.
    pub ground: Ground,
    /// Size of text, percent of the ordinary: 100 to 200.
    pub text_percent: u32,
    /// Lengths.
    pub lengths: Lengths,
    /// Moves.
    pub turns: Turns,
    /// Whether it sounds.
    pub sound: bool,
    /// The key that goes on, by egui's name of it.
    pub pedal_key: String,
    /// The key that accepts when held.
    pub accept_key: String,
    /// Where results go; the person's own folder when empty.
    pub results: Option<PathBuf>,
    /// Where part files are looked for by a scanned code.
    pub parts: Option<PathBuf>,
    /// The person's initials.
    pub initials: String,
    /// Which camera, folder or set was used last.
    pub source: SourceChoice,
    /// How each camera is set, by its name.
    pub cameras: BTreeMap<String, CameraSettings>,
    /// What switches the lights of a bench that lights part and board in turn: a program and its arguments for each picture of a look.
    /// Empty: the person is asked to.
    pub light_commands: Vec<String>,
}

/// How a camera is set; what is empty is left to the program.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct CameraSettings {
    /// How it sends pixels, by its name.
    pub pixels: Option<String>,
    /// Width and height.
    pub size_px: Option<[usize; 2]>,
    /// Exposure, gain, white balance, focus, in the camera's own steps.
    pub knobs: BTreeMap<String, i64>,
}

/// The ground of the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Ground {
    /// Quiet dark grey.
    #[default]
    Dark,
    /// Paper.
    Light,
}

/// Where pictures come from.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceChoice {
    /// The simulated bench.
    #[default]
    Rehearsal,
    /// A camera, by its name.
    Camera(String),
    /// A folder into which another program puts pictures.
    Watched(PathBuf),
    /// Pictures that are there already, in their order.
    Stored(PathBuf),
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            ground: Ground::Dark,
            text_percent: 100,
            lengths: Lengths::default(),
            turns: Turns::default(),
            sound: false,
            pedal_key: "Space".into(),
            accept_key: "F12".into(),
            results: None,
            parts: None,
            initials: String::new(),
            source: SourceChoice::default(),
            cameras: BTreeMap::new(),
            light_commands: Vec::new(),
        }
    }
}

/// Sizes of text that are offered, percent.
pub const TEXT_PERCENT: [u32; 5] = [100, 125, 150, 175, 200];

impl Settings {
    /// The settings in `file`; the defaults where there is none yet.
    ///
    /// # Errors
    /// One sentence when the file is there but cannot be read: the person decides what becomes of it.
    pub fn read(file: &Path) -> anyhow::Result<Self> {
        let shown = file.display().to_string();
        let text = match std::fs::read_to_string(file) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            other => other.with_context(|| words::settings_not_read(&shown))?,
        };
        let mut settings: Self = serde_json::from_str(&text).with_context(|| words::settings_damaged(&shown))?;
        settings.text_percent = settings.text_percent.clamp(TEXT_PERCENT[0], TEXT_PERCENT[4]);
        Ok(settings)
    }

    /// Writes the settings to `file`, whole or not at all.
    ///
    /// # Errors
    /// One sentence that names the file.
    pub fn write(&self, file: &Path) -> anyhow::Result<()> {
        let cannot = || words::settings_not_kept(&file.display().to_string());
        let folder = file.parent().with_context(cannot)?;
        std::fs::create_dir_all(folder).with_context(cannot)?;
        landfit_part::text_file::save(file, &serde_json::to_string_pretty(self)?, landfit_part::Existing::Replace).with_context(cannot)
    }

    /// The folder for results: the one that was set, else one in the person's home.
    #[must_use]
    pub fn results_folder(&self) -> PathBuf {
        self.results.clone().unwrap_or_else(usual_results_folder)
    }
}

/// Where results go when no folder was set.
#[must_use]
pub fn usual_results_folder() -> PathBuf {
    home().join("landfit-results")
}

/// What the command line sets: in force for this run, and never written into the person's settings.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ForThisRun {
    /// The folder for results.
    pub results: Option<PathBuf>,
    /// Size of text, percent.
    pub text_percent: Option<u32>,
    /// The ground.
    pub ground: Option<Ground>,
}

impl ForThisRun {
    /// The settings in force.
    #[must_use]
    pub fn over(&self, mut kept: Settings) -> Settings {
        if let Some(results) = &self.results {
            kept.results = Some(results.clone());
        }
        kept.text_percent = self.text_percent.unwrap_or(kept.text_percent);
        kept.ground = self.ground.unwrap_or(kept.ground);
        kept
    }

    /// What is to be kept of settings in force, where `kept` was kept before: what still stands as the command line set it is not of it.
    #[must_use]
    pub fn without(&self, in_force: &Settings, kept: &Settings) -> Settings {
        let mut to_keep = in_force.clone();
        if self.results.is_some() && in_force.results == self.results {
            to_keep.results.clone_from(&kept.results);
        }
        if Some(in_force.text_percent) == self.text_percent {
            to_keep.text_percent = kept.text_percent;
        }
        if Some(in_force.ground) == self.ground {
            to_keep.ground = kept.ground;
        }
        to_keep
    }
}

/// The file that holds the settings of this person.
#[must_use]
pub fn file() -> PathBuf {
    let folder = ["XDG_CONFIG_HOME", "APPDATA"].iter().find_map(std::env::var_os).filter(|v| !v.is_empty()).map(PathBuf::from);
    folder.unwrap_or_else(|| home().join(".config")).join("landfit").join("settings.json")
}

fn home() -> PathBuf {
    ["HOME", "USERPROFILE"].iter().find_map(std::env::var_os).map_or_else(|| PathBuf::from("."), PathBuf::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_are_what_they_were_when_they_are_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("deep/settings.json");
        assert_eq!(Settings::read(&file).unwrap(), Settings::default());
        let set = Settings { text_percent: 175, sound: true, source: SourceChoice::Watched("/tmp/x".into()), ..Settings::default() };
        set.write(&file).unwrap();
        set.write(&file).unwrap();
        assert_eq!(Settings::read(&file).unwrap(), set);
    }

    #[test]
    fn what_the_command_line_sets_is_in_force_but_not_kept_unless_the_person_changes_it() {
        let kept = Settings { initials: "QZ".into(), ..Settings::default() };
        let run = ForThisRun { results: Some("/tmp/here".into()), text_percent: Some(200), ground: Some(Ground::Light) };
        let mut in_force = run.over(kept.clone());
        assert_eq!((in_force.text_percent, in_force.ground, in_force.results.clone()), (200, Ground::Light, run.results.clone()));
        in_force.sound = true;
        assert_eq!(run.without(&in_force, &kept), Settings { sound: true, ..kept.clone() });
        in_force.text_percent = 150;
        assert_eq!(run.without(&in_force, &kept).text_percent, 150);
    }

    #[test]
    fn a_damaged_file_is_named_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("settings.json");
        std::fs::write(&file, "{\"text_percent\":").unwrap();
        let told = format!("{:#}", Settings::read(&file).unwrap_err());
        assert!(told.contains("settings.json") && told.contains("damaged"), "{told}");
        assert!(file.exists());
    }

    #[test]
    fn settings_of_an_older_version_fill_up_with_defaults() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("settings.json");
        std::fs::write(&file, "{\"initials\": \"QZ\", \"text_percent\": 900}").unwrap();
        let read = Settings::read(&file).unwrap();
        assert_eq!((read.initials.as_str(), read.text_percent, read.sound), ("QZ", 200, false));
    }
}
