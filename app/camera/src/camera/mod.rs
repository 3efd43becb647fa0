//! A live camera through nokhwa, with everything minded that its version 0.10.11 leaves to its user.

mod devices;
mod jpeg;
mod knobs;
mod leftover;
mod pixels;

pub use devices::{Device, Offer};
pub use knobs::{Knob, KnobState, Offered};
pub use pixels::{Pixels, Range};

use crate::{Frame, Open, Source, Trouble};
use devices::NoLook;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use leftover::{Leftover, Leftovers};
use nokhwa::utils::{CameraFormat, CameraIndex, FrameFormat, RequestedFormat, RequestedFormatType, Resolution};
use nokhwa::{Camera, NokhwaError};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// A picture whose mean is under this share of full scale ...
pub const DARK_MEAN: f64 = 0.02;
/// ... and of which not one value in a thousand is over this one, is dark: the noise of a covered sensor stays well below, and
/// the fewest balls of a small part in ring light well above. A project choice.
pub const DARK_BRIGHTEST: f64 = 0.10;
/// One value in so many is looked at for that: a few thousand of a picture.
const DARK_EVERY: usize = 211;
/// A time of capture further back than this is not believed: some drivers stamp with another clock.
const OLDEST_FRAME: Duration = Duration::from_secs(2);
/// Without a wish: the largest picture that comes at least so often, a second.
const LEAST_RATE: f64 = 9.0;
/// ... and no oftener than this, as a screen shows no more.
const USEFUL_RATE: f64 = 30.0;

/// Cameras that are connected now.
#[must_use]
pub fn cameras() -> Vec<Device> {
    devices::list()
}

/// What a camera offers, as it lists it.
///
/// # Errors
/// When it is gone, in use, or says nothing that can be read.
pub fn offers(device: &Device) -> Result<Vec<Offer>, Trouble> {
    devices::look(device.index).map(|looked| looked.offers).map_err(|e| no_look(&device.name, e))
}

fn no_look(camera: &str, error: NoLook) -> Trouble {
    let camera = camera.to_owned();
    match error {
        NoLook::Gone => Trouble::NotConnected { camera },
        NoLook::Busy => Trouble::Busy { camera },
        NoLook::NotAllowed => Trouble::NotAllowed { camera },
        NoLook::Other(what) => Trouble::Refused { camera, what },
    }
}

/// Which camera, and how it is to send pictures. What is `None` is chosen.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Choice {
    /// The camera's name; the first one connected.
    pub camera: Option<String>,
    /// Among cameras of one name (or without one): the one of this number, if it is there.
    pub index: Option<u32>,
    /// How pixels are packed; the truest to the sensor.
    pub pixels: Option<Pixels>,
    /// Width and height; the largest.
    pub size_px: Option<[usize; 2]>,
    /// Pictures a second; up to 30.
    pub per_second: Option<u32>,
    /// What its luma values mean; what its driver says.
    pub range: Option<Range>,
}

impl Choice {
    fn in_words(&self) -> String {
        let mut words = vec![self.pixels.map_or("any format", Pixels::name).to_owned()];
        words.extend(self.size_px.map(|[w, h]| format!("{w}x{h}")));
        words.push(
            self.per_second.map_or_else(|| "at a whole number of pictures a second".to_owned(), |rate| format!("at {rate} a second")),
        );
        words.join(" ")
    }

    fn device(&self) -> Result<Device, Trouble> {
        let connected = cameras();
        if connected.is_empty() {
            return Err(self.camera.as_ref().map_or(Trouble::NoCamera, |name| Trouble::NotConnected { camera: name.clone() }));
        }
        let named: Vec<&Device> = connected.iter().filter(|d| self.camera.as_ref().is_none_or(|name| d.name == *name)).collect();
        let chosen = named.iter().find(|d| Some(d.index) == self.index);
        // Plugged in again, it may have another number; without a name, the number is all that was asked for.
        let chosen = if self.camera.is_some() || self.index.is_none() { chosen.or(named.first()) } else { chosen };
        chosen.map(|d| (*d).clone()).ok_or_else(|| {
            let camera = self.camera.clone().unwrap_or_else(|| format!("camera {}", self.index.unwrap_or_default()));
            Trouble::NotConnected { camera }
        })
    }

    /// The best of what is offered.
    fn among(&self, offers: &[Offer]) -> Option<Offer> {
        let fits = |o: &&Offer| {
            o.is_whole()
                && self.pixels.is_none_or(|p| p == o.pixels)
                && self.size_px.is_none_or(|s| s == o.size_px)
                && self.per_second.is_none_or(|r| r == o.interval_s[1])
        };
        let area = |o: &Offer| o.size_px[0] * o.size_px[1];
        let rank = |o: &&Offer| {
            let rate = o.per_second();
            let quick = rate >= LEAST_RATE;
            let useful = if rate > USEFUL_RATE { -rate } else { rate };
            (quick, area(o), std::cmp::Reverse(o.pixels), (useful * 1000.0) as i64)
        };
        offers.iter().filter(fits).max_by_key(rank).copied()
    }
}

/// The knobs of a camera, from any thread: what is set is done before the next picture, and again whenever it is opened.
#[derive(Debug, Clone, Default)]
pub struct Knobs {
    shared: Arc<Mutex<KnobsInner>>,
}

#[derive(Debug, Default)]
struct KnobsInner {
    wanted: BTreeMap<Knob, i64>,
    turned: bool,
    state: KnobState,
}

impl Knobs {
    /// Nothing set: values stay as the camera has them, and nothing automatic goes on.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    fn lock(&self) -> MutexGuard<'_, KnobsInner> {
        self.shared.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sets one.
    pub fn set(&self, knob: Knob, value: i64) {
        let mut inner = self.lock();
        inner.wanted.insert(knob, value);
        inner.turned = true;
    }

    /// What the camera made of it; empty until one was opened.
    #[must_use]
    pub fn state(&self) -> KnobState {
        self.lock().state.clone()
    }
}

/// Opens a camera, and again whenever it was gone: by its name, whatever number it has then.
#[must_use]
pub fn open_camera(choice: Choice, knobs: Knobs) -> Open {
    let mut unread = None;
    Box::new(move || {
        let device = choice.device()?;
        let opened = LiveCamera::open(&device, &choice, &knobs, unread.as_ref() != Some(&device))?;
        match opened {
            Opened::Whole(camera) => Ok(Box::new(camera) as Box<dyn Source>),
            Opened::KnobsUnread => {
                // The library gave up inside a lock: only a new start helps, without touching what it cannot read.
                unread = Some(device.clone());
                match LiveCamera::open(&device, &choice, &knobs, false)? {
                    Opened::Whole(camera) => Ok(Box::new(camera)),
                    Opened::KnobsUnread => Err(Trouble::Refused { camera: device.name, what: "its settings cannot be read".into() }),
                }
            }
        }
    })
}

enum Opened {
    Whole(LiveCamera),
    KnobsUnread,
}

/// An open camera that streams.
struct LiveCamera {
    camera: Camera,
    device: Device,
    offer: Offer,
    range: Range,
    leftovers: Leftovers,
    knobs: Option<Knobs>,
}

pub(crate) const fn nokhwa_format(pixels: Pixels) -> FrameFormat {
    match pixels {
        Pixels::Rgb => FrameFormat::RAWRGB,
        Pixels::Bgr => FrameFormat::RAWBGR,
        Pixels::Grey => FrameFormat::GRAY,
        Pixels::Yuyv => FrameFormat::YUYV,
        Pixels::Nv12 => FrameFormat::NV12,
        Pixels::Mjpeg => FrameFormat::MJPEG,
    }
}

impl LiveCamera {
    fn open(device: &Device, choice: &Choice, knobs: &Knobs, with_knobs: bool) -> Result<Opened, Trouble> {
        let name = &device.name;
        let looked = devices::look(device.index).map_err(|e| no_look(name, e))?;
        let Some(offer) = choice.among(&looked.offers) else {
            let offered = match looked.offers.as_slice() {
                [] => "nothing that can be read".to_owned(),
                offers => offers.iter().map(Offer::to_string).collect::<Vec<_>>().join(", "),
            };
            return Err(Trouble::NotOffered { camera: name.clone(), wanted: choice.in_words(), offered });
        };
        if looked.interval_s.is_some_and(|[numerator, _]| numerator != 1) {
            devices::set(device.index, &offer).map_err(|e| no_look(name, e))?;
        }
        let size = Resolution::new(offer.size_px[0] as u32, offer.size_px[1] as u32);
        let format = nokhwa_format(offer.pixels);
        let exact = CameraFormat::new(size, format, offer.interval_s[1]);
        let formats = [format];
        let request = RequestedFormat::with_formats(RequestedFormatType::Exact(exact), &formats);
        let refused = |error: NokhwaError| trouble_of(device, &error);
        let mut camera = Camera::new(CameraIndex::Index(device.index), request).map_err(refused)?;
        if with_knobs {
            let mut inner = knobs.lock();
            let wanted: Vec<(Knob, i64)> = inner.wanted.iter().map(|(k, v)| (*k, *v)).collect();
            match knobs::apply(&mut camera, &wanted) {
                Ok(state) => inner.state = state,
                Err(what) => {
                    inner.state = KnobState { refused: vec![what], ..KnobState::default() };
                    return Ok(Opened::KnobsUnread);
                }
            }
            inner.turned = false;
        }
        camera.open_stream().map_err(refused)?;
        let knobs = with_knobs.then(|| knobs.clone());
        let range = choice.range.unwrap_or(looked.range);
        Ok(Opened::Whole(Self { camera, device: device.clone(), offer, range, leftovers: Leftovers::default(), knobs }))
    }

    /// Does what was asked of the knobs since the last picture.
    fn turn_knobs(&mut self) -> Result<(), Trouble> {
        let Some(knobs) = &self.knobs else { return Ok(()) };
        let mut inner = knobs.lock();
        if !std::mem::take(&mut inner.turned) {
            return Ok(());
        }
        let wanted: Vec<(Knob, i64)> = inner.wanted.iter().map(|(k, v)| (*k, *v)).collect();
        inner.state =
            knobs::apply(&mut self.camera, &wanted).map_err(|what| Trouble::Refused { camera: self.device.name.clone(), what })?;
        Ok(())
    }

    /// The picture in a driver's buffer.
    fn picture(&mut self, buffer: &[u8]) -> Result<Picture, Trouble> {
        let camera = || self.device.name.clone();
        let Offer { pixels, size_px, .. } = self.offer;
        let cut_short = |what: &str| Trouble::CutShort { camera: camera(), what: what.into() };
        let (leftover, bytes) = match pixels.frame_bytes(size_px) {
            Some(needed) => {
                let bytes = buffer.get(..needed).ok_or_else(|| cut_short(&format!("{} of {needed} bytes", buffer.len())))?;
                // Colours of nothing but zeros are no colours (128 is grey): this part of a new buffer was never written.
                if matches!(pixels, Pixels::Yuyv | Pixels::Nv12) && bytes.iter().rev().take(2 * size_px[0]).all(|v| *v == 0) {
                    return Err(cut_short("its end was never filled"));
                }
                (self.leftovers.of_rows(bytes, needed / size_px[1].max(1)), bytes)
            }
            None => {
                let bytes = jpeg::whole(buffer).map_err(|fault| match fault {
                    jpeg::Fault::NoEnd => cut_short("the JPEG has no end"),
                    jpeg::Fault::NotJpeg(what) => Trouble::Broken { camera: camera(), what },
                })?;
                (self.leftovers.of_jpeg(bytes), bytes)
            }
        };
        match leftover {
            Leftover::None => {}
            Leftover::End => return Err(cut_short("it ends with the end of an older one")),
            Leftover::Whole => return Err(Trouble::Repeated { camera: camera() }),
        }
        if pixels != Pixels::Mjpeg {
            return pixels::unpack(bytes, pixels, size_px, self.range).ok_or_else(|| cut_short("too few bytes"));
        }
        let picture = jpeg::decode(bytes).map_err(|what| Trouble::Broken { camera: camera(), what })?;
        let sent_px = [picture.width_px, picture.height_px];
        if sent_px == size_px { Ok(picture) } else { Err(Trouble::WrongSize { source_name: camera(), sent_px, wanted_px: size_px }) }
    }
}

impl Source for LiveCamera {
    fn name(&self) -> String {
        self.device.name.clone()
    }

    /// Waits for as long as the driver does, whatever `patience` says: nokhwa offers no time-out. [`crate::Feed`] minds that.
    fn next(&mut self, _: Duration) -> Result<Option<Frame>, Trouble> {
        self.turn_knobs()?;
        let buffer = self.camera.frame().map_err(|error| trouble_of(&self.device, &error))?;
        let taken = moment(buffer.capture_timestamp());
        let picture = self.picture(buffer.buffer())?;
        if let Some(mean) = mean_if_dark(&picture) {
            let camera = self.device.name.clone();
            return Err(Trouble::Dark { camera, mean_percent: 100.0 * mean, least_percent: 100.0 * DARK_MEAN });
        }
        Ok(Some(Frame { pictures: vec![picture], taken, from_jpeg: false, number: 0 }))
    }
}

/// When a frame was taken, from its driver's stamp (time since 1970) where that can be believed.
fn moment(stamp: Option<Duration>) -> Instant {
    let now = Instant::now();
    let age = stamp.and_then(|s| SystemTime::now().duration_since(UNIX_EPOCH + s).ok()).filter(|age| *age <= OLDEST_FRAME);
    age.and_then(|age| now.checked_sub(age)).unwrap_or(now)
}

/// The mean, as a share of full scale, of a picture that holds hardly any light.
fn mean_if_dark(picture: &Picture) -> Option<f64> {
    let full = picture.full_scale();
    let mut values: Vec<f64> = match &picture.samples {
        Samples::U8(v) => v.iter().step_by(DARK_EVERY).map(|v| f64::from(*v) / full).collect(),
        Samples::U16(v) => v.iter().step_by(DARK_EVERY).map(|v| f64::from(*v) / full).collect(),
    };
    if values.is_empty() {
        return None;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let brightest = values.len() - 1 - values.len() / 1000;
    let brightest = *values.select_nth_unstable_by(brightest, f64::total_cmp).1;
    (mean < DARK_MEAN && brightest < DARK_BRIGHTEST).then_some(mean)
}

/// What a message of nokhwa's means. It hands on the operating system's error as text only, "… (os error N)".
fn trouble_of(device: &Device, error: &NokhwaError) -> Trouble {
    let (camera, what) = (device.name.clone(), error.to_string());
    let number = what.rsplit_once("(os error ").and_then(|(_, rest)| rest.split(')').next()?.parse::<i32>().ok());
    match number {
        // ENOENT, ENXIO, ENODEV.
        Some(2 | 6 | 19) => Trouble::Unplugged { camera },
        // EBUSY.
        Some(16) => Trouble::Busy { camera },
        // EPERM, EACCES.
        Some(1 | 13) => Trouble::NotAllowed { camera },
        // A driver that was taken away may say anything; whether the camera is still listed is the better witness.
        _ if !cameras().iter().any(|d| d == device) => Trouble::Unplugged { camera },
        _ => Trouble::Refused { camera, what },
    }
}
