//! Where pictures come from, as the person chose: what is opened, and what can be set and asked for while it is open.

use crate::rehearsal_bench::{self, RehearsalBench};
use crate::settings::{Settings, SourceChoice};
use crate::words;
use anyhow::Context;
use landfit_calibration::bench::Bench;
use landfit_camera::{
    Choice, Desk as PairDesk, Knob, Knobs, Light, Open, Pairs, Pixels, Source, StoredSet, Switch, Trouble, WatchedFolder,
    is_named_as_picture, open_camera,
};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What tells that part and board rest in a look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RestTold {
    /// A stream, in which things move and come to rest: its frames do.
    Frames,
    /// Pictures that come one by one: two looks that show the same do.
    TwoLooks,
    /// Stored looks, each of which was taken at rest.
    EachLook,
}

/// A source to be opened.
pub struct SourceOrder {
    /// Opens it, and opens it again.
    pub open: Open,
    /// What it is called.
    pub name: String,
    /// The bench whose screws the window turns, where it is the rehearsal.
    pub rehearsal: Option<RehearsalBench>,
    /// What tells that things rest.
    pub rest: RestTold,
    /// Where a look is asked for, one picture in each light, of a bench that lights part and board in turn.
    pub pairs: Option<PairDesk>,
    /// The camera's knobs.
    pub knobs: Option<Knobs>,
}

/// What a bench needs of its source.
#[derive(Debug, Clone, PartialEq)]
pub struct Needs {
    /// The lights, one for each picture of a look, in their order.
    pub lights: Vec<Light>,
    /// Of the camera's values.
    pub gamma: f64,
}

impl Needs {
    /// Of a bench as its file has it.
    #[must_use]
    pub fn of(bench: &Bench) -> Self {
        let light = |exposure: usize| {
            let view = bench.optics.views.iter().find(|v| v.exposure == exposure)?;
            Some(Light { name: words::light_on(view.shows).to_owned(), tint: view.tint })
        };
        Self { lights: (0..bench.optics.exposures()).filter_map(light).collect(), gamma: bench.optics.frame.gamma }
    }

    /// How many pictures one look takes.
    #[must_use]
    pub fn exposures(&self) -> usize {
        self.lights.len().max(1)
    }
}

/// Stored looks follow each other so slowly that each can be read.
const BETWEEN_STORED: Duration = Duration::from_secs(2);

/// The pictures of a folder, by their names.
fn pictures_in(folder: &Path) -> Result<Vec<PathBuf>, Trouble> {
    let trouble = |error: std::io::Error| Trouble::Folder { folder: folder.to_owned(), what: error.to_string() };
    let mut files = Vec::new();
    for file in std::fs::read_dir(folder).map_err(trouble)? {
        let path = file.map_err(trouble)?.path();
        if path.is_file() && is_named_as_picture(&path) {
            files.push(path);
        }
    }
    if files.is_empty() {
        return Err(Trouble::NoPictures { folder: folder.to_owned() });
    }
    files.sort();
    Ok(files)
}

/// What the person's choice of source means on a bench.
///
/// # Errors
/// Where it cannot be had.
pub fn source(settings: &Settings, needs: &Needs, rehearsal: Option<&RehearsalBench>) -> anyhow::Result<SourceOrder> {
    let exposures = needs.exposures();
    let plain = |open: Open, name: String| SourceOrder { open, name, rehearsal: None, rest: RestTold::TwoLooks, pairs: None, knobs: None };
    Ok(match &settings.source {
        SourceChoice::Rehearsal => {
            let bench = rehearsal.context(words::NO_REHEARSAL_BENCH)?.clone();
            let opened = bench.clone();
            // The renderer draws every look with grain of its own, which a camera's stream has not: rest is told by the poses alone.
            let order = plain(Box::new(move || Ok(opened.source())), rehearsal_bench::NAME.into());
            SourceOrder { rehearsal: Some(bench), ..order }
        }
        SourceChoice::Camera(name) => {
            let set = settings.cameras.get(name).cloned().unwrap_or_default();
            let pixels = set.pixels.as_deref().and_then(Pixels::from_name);
            let choice = Choice { camera: Some(name.clone()), pixels, size_px: set.size_px, ..Choice::default() };
            let knobs = Knobs::new();
            for knob in Knob::ALL {
                if let Some(value) = set.knobs.get(knob.name()) {
                    knobs.set(knob, *value);
                }
            }
            let mut order =
                SourceOrder { rest: RestTold::Frames, knobs: Some(knobs.clone()), ..plain(open_camera(choice, knobs), name.clone()) };
            if exposures > 1 {
                let pairs = PairDesk::new();
                order.open = paired(order.open, needs.clone(), settings.light_commands.clone(), pairs.clone());
                order.pairs = Some(pairs);
            }
            order
        }
        SourceChoice::Watched(folder) => {
            let (name, folder) = (folder.display().to_string(), folder.clone());
            plain(Box::new(move || Ok(Box::new(WatchedFolder::new(&folder, exposures)) as Box<dyn Source>)), name)
        }
        SourceChoice::Stored(folder) => {
            let (name, folder) = (folder.display().to_string(), folder.clone());
            let open: Open = Box::new(move || {
                let files = pictures_in(&folder)?;
                Ok(Box::new(StoredSet::new(files, exposures, BETWEEN_STORED)?) as Box<dyn Source>)
            });
            SourceOrder { rest: RestTold::EachLook, ..plain(open, name) }
        }
    })
}

/// Makes a source of single pictures into one of looks, one picture in each light, taken when `pairs` is asked. The lights are switched by
/// the person's own `commands` (a line for each light: a program and its arguments), or by the person where there are none.
#[must_use]
pub fn paired(mut open: Open, needs: Needs, commands: Vec<String>, pairs: PairDesk) -> Open {
    Box::new(move || {
        let words: Vec<Vec<String>> = commands.iter().map(|c| c.split_whitespace().map(str::to_owned).collect()).collect();
        let switch = if words.iter().all(Vec::is_empty) { Switch::Person } else { Switch::Command(words) };
        let looks = Pairs::new(open()?, needs.lights.clone(), needs.gamma, switch, pairs.clone())?;
        Ok(Box::new(looks) as Box<dyn Source>)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::CameraSettings;
    use landfit_rehearsal::scenario::Setting;

    #[test]
    fn a_bench_names_its_lights_in_the_order_of_exposure() {
        let needs = |name: &str| Needs::of(&Setting::named(name).unwrap().bench().unwrap());
        assert_eq!(needs("rotation-under-board").exposures(), 1);
        let two = needs("all-on-the-part");
        assert_eq!(two.lights.iter().map(|l| l.name.as_str()).collect::<Vec<_>>(), words::LIGHTS_ON);
    }

    #[test]
    fn a_folder_of_stored_pictures_that_holds_none_or_no_whole_looks_is_named_with_its_mend() {
        let folder = tempfile::tempdir().unwrap();
        let settings = Settings { source: SourceChoice::Stored(folder.path().to_owned()), ..Settings::default() };
        let needs = Needs::of(&Setting::named("all-on-the-part").unwrap().bench().unwrap());
        let open = || source(&settings, &needs, None).map(|mut order| (order.open)().err()).unwrap().unwrap();
        std::fs::write(folder.path().join("notes.txt"), "no picture").unwrap();
        let none = open();
        assert!(none.to_string().contains(&folder.path().display().to_string()) && none.advice().contains("PNG"), "{none}");
        std::fs::write(folder.path().join("part.png"), "").unwrap();
        let uneven = open();
        assert!(uneven.to_string().contains("takes 2 pictures, and 1 do not"), "{uneven}");
    }

    #[test]
    fn a_camera_comes_with_its_knobs_and_on_a_bench_of_two_lights_with_looks_on_demand() {
        let mut settings = Settings { source: SourceChoice::Camera("Bench camera".into()), ..Settings::default() };
        let set = CameraSettings { pixels: Some("YUYV".into()), size_px: Some([640, 480]), ..CameraSettings::default() };
        settings.cameras.insert("Bench camera".into(), set);
        for (bench, looks_on_demand) in [("rotation-under-board", false), ("all-on-the-part", true)] {
            let needs = Needs::of(&Setting::named(bench).unwrap().bench().unwrap());
            let order = source(&settings, &needs, None).unwrap();
            assert!(order.rest == RestTold::Frames && order.knobs.is_some());
            assert_eq!(order.pairs.is_some(), looks_on_demand, "{bench}");
        }
    }
}
