//! Exposure, gain, white balance: read, set, and kept from changing by themselves.
//!
//! A measurement compares light with light, so a camera must not change its mind between two pictures: everything automatic
//! is switched off where the camera lets it. nokhwa's own name for exposure is that of old analogue grabbers; UVC cameras have
//! the two "camera class" controls instead (numbers from Linux' videodev2.h and v4l2-controls.h).

use nokhwa::Camera;
use nokhwa::utils::{CameraControl, ControlValueDescription, ControlValueSetter, KnownCameraControl};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// What can be set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Knob {
    /// How long the sensor gathers light; UVC cameras count in 0.1 ms.
    Exposure,
    /// How much the sensor's signal is raised.
    Gain,
    /// The white balance, kelvins in UVC cameras.
    WhiteBalance,
    /// The lens' focus.
    Focus,
}

impl Knob {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Exposure, Self::Gain, Self::WhiteBalance, Self::Focus];

    /// Its name in words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Exposure => "exposure",
            Self::Gain => "gain",
            Self::WhiteBalance => "white balance",
            Self::Focus => "focus",
        }
    }

    /// What a camera may have for it, the likelier first.
    const fn controls(self) -> &'static [KnownCameraControl] {
        match self {
            Self::Exposure => &[KnownCameraControl::Other(EXPOSURE_ABSOLUTE), KnownCameraControl::Exposure],
            Self::Gain => &[KnownCameraControl::Gain],
            Self::WhiteBalance => &[KnownCameraControl::WhiteBalance],
            Self::Focus => &[KnownCameraControl::Other(FOCUS_ABSOLUTE), KnownCameraControl::Focus],
        }
    }
}

/// `V4L2_CID_EXPOSURE_ABSOLUTE`.
const EXPOSURE_ABSOLUTE: u128 = 0x009a_0902;
/// `V4L2_CID_FOCUS_ABSOLUTE`.
const FOCUS_ABSOLUTE: u128 = 0x009a_090a;
/// What changes by itself, and the value that stops it: `V4L2_CID_EXPOSURE_AUTO` to manual, its leave to change the frame rate,
/// `V4L2_CID_AUTOGAIN`, `V4L2_CID_AUTO_WHITE_BALANCE`, `V4L2_CID_FOCUS_AUTO`.
const AUTOMATIC: [(&str, u128, i64); 5] = [
    ("automatic exposure", 0x009a_0901, 1),
    ("exposure before frame rate", 0x009a_0903, 0),
    ("automatic gain", 0x0098_0912, 0),
    ("automatic white balance", 0x0098_090c, 0),
    ("automatic focus", 0x009a_090c, 0),
];

/// One thing that this camera lets be set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offered {
    /// What.
    pub knob: Knob,
    /// The least value.
    pub least: i64,
    /// The largest.
    pub most: i64,
    /// From value to value.
    pub step: i64,
    /// Where it stands.
    pub value: i64,
}

/// What is to be set, and what became of it; shared between the picture's thread and whoever turns the knobs.
#[derive(Debug, Clone, Default)]
pub struct KnobState {
    /// What this camera lets be set, as it stood when last read.
    pub offered: Vec<Offered>,
    /// Automatic changes that are switched off.
    pub held: Vec<&'static str>,
    /// What could not be done, in words.
    pub refused: Vec<String>,
}

/// Holds everything automatic, sets what is wanted, and reads what there is.
///
/// # Errors
/// When the library panicked in it: the camera must be opened again, without.
pub(super) fn apply(camera: &mut Camera, wanted: &[(Knob, i64)]) -> Result<KnobState, String> {
    catch_unwind(AssertUnwindSafe(|| set_all(camera, wanted))).map_err(|_| "its settings cannot be read".into())
}

fn set_all(camera: &mut Camera, wanted: &[(Knob, i64)]) -> KnobState {
    let mut state = KnobState::default();
    let controls = camera.camera_controls().unwrap_or_default();
    for (name, id, off) in AUTOMATIC {
        let Some(control) = find(&controls, &[KnownCameraControl::Other(id)]) else { continue };
        let value = match control.description() {
            ControlValueDescription::Boolean { .. } => ControlValueSetter::Boolean(off != 0),
            _ => ControlValueSetter::Integer(off),
        };
        match camera.set_camera_control(control.control(), value) {
            Ok(()) => state.held.push(name),
            Err(error) => state.refused.push(format!("{name} cannot be switched off ({error})")),
        }
    }
    // Read anew: what was automatic may only now be there to be set.
    let controls = camera.camera_controls().unwrap_or_default();
    for (knob, value) in wanted {
        match find(&controls, knob.controls()) {
            Some(control) => {
                if let Err(error) = camera.set_camera_control(control.control(), ControlValueSetter::Integer(*value)) {
                    state.refused.push(format!("{} cannot be set to {value} ({error})", knob.name()));
                }
            }
            None => state.refused.push(format!("{} cannot be set on this camera", knob.name())),
        }
    }
    let controls = if wanted.is_empty() { controls } else { camera.camera_controls().unwrap_or_default() };
    state.offered = Knob::ALL.iter().filter_map(|knob| offered(*knob, find(&controls, knob.controls())?)).collect();
    state
}

fn find<'a>(controls: &'a [CameraControl], wanted: &[KnownCameraControl]) -> Option<&'a CameraControl> {
    wanted.iter().find_map(|w| controls.iter().find(|c| c.control() == *w))
}

fn offered(knob: Knob, control: &CameraControl) -> Option<Offered> {
    match *control.description() {
        ControlValueDescription::IntegerRange { min, max, value, step, .. } => Some(Offered { knob, least: min, most: max, step, value }),
        _ => None,
    }
}
