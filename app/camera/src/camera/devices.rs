//! Cameras that are connected, and what they offer.

use super::pixels::{Pixels, Range};

/// A camera that is connected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Device {
    /// Its name, as it gives it itself; two of one make share it.
    pub name: String,
    /// The operating system's number for it, which may change when it is plugged in again.
    pub index: u32,
}

/// One way in which a camera can send pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offer {
    /// How pixels are packed.
    pub pixels: Pixels,
    /// Width and height.
    pub size_px: [usize; 2],
    /// Time from picture to picture in seconds, as a fraction: numerator, denominator.
    pub interval_s: [u32; 2],
}

impl Offer {
    /// Pictures a second.
    #[must_use]
    pub fn per_second(&self) -> f64 {
        f64::from(self.interval_s[1]) / f64::from(self.interval_s[0].max(1))
    }

    /// Whether the camera library can be asked for it: it knows whole numbers of pictures a second only.
    #[must_use]
    pub const fn is_whole(&self) -> bool {
        self.interval_s[0] == 1
    }
}

impl std::fmt::Display for Offer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let rate = self.per_second();
        let digits = if rate.fract() == 0.0 { 0 } else { 2 };
        write!(f, "{} {}x{} at {rate:.digits$} a second", self.pixels.name(), self.size_px[0], self.size_px[1])
    }
}

/// What a look at a device told.
pub(super) struct Looked {
    pub offers: Vec<Offer>,
    /// Time between pictures that it is set to now.
    pub interval_s: Option<[u32; 2]>,
    pub range: Range,
}

/// Why a device could not be looked at.
pub(super) enum NoLook {
    Gone,
    Busy,
    NotAllowed,
    Other(String),
}

#[cfg(target_os = "linux")]
pub(super) use linux::{list, look, set};
#[cfg(not(target_os = "linux"))]
pub(super) use others::{list, look, set};

/// The kernel's own listing, read by ourselves: nokhwa's stops at the first file in /dev whose name it does not understand, does
/// not tell a camera from the node of its data about data, and drops fractional intervals.
#[cfg(target_os = "linux")]
mod linux {
    use super::{Device, Looked, NoLook, Offer, Pixels, Range};
    use std::panic::catch_unwind;
    use v4l::capability::Flags;
    use v4l::format::{Colorspace, Quantization};
    use v4l::frameinterval::FrameIntervalEnum;
    use v4l::framesize::FrameSizeEnum;
    use v4l::video::Capture;
    use v4l::video::capture::Parameters;
    use v4l::{Format, FourCC, Fraction};

    /// Sizes that are offered of a camera that takes any between two limits.
    const USUAL_SIZES: [[u32; 2]; 10] = [
        [640, 480],
        [800, 600],
        [1024, 768],
        [1280, 720],
        [1280, 960],
        [1280, 1024],
        [1600, 1200],
        [1920, 1080],
        [2048, 1536],
        [2592, 1944],
    ];
    /// Rates that are offered of a camera that takes any between two limits, a second.
    const USUAL_RATES: [u32; 6] = [5, 10, 15, 20, 25, 30];

    fn four_cc(pixels: Pixels) -> FourCC {
        // What nokhwa opens by these names; its grey is not the kernel's "GREY", so that one is not offered.
        FourCC::new(match pixels {
            Pixels::Rgb => b"RGB3",
            Pixels::Bgr => b"BGR3",
            Pixels::Grey => b"GRAY",
            Pixels::Yuyv => b"YUYV",
            Pixels::Nv12 => b"NV12",
            Pixels::Mjpeg => b"MJPG",
        })
    }

    /// Cameras, in the order of their numbers.
    pub fn list() -> Vec<Device> {
        let Ok(entries) = std::fs::read_dir("/dev") else { return Vec::new() };
        let mut indices: Vec<u32> = entries.flatten().filter_map(|e| e.file_name().to_str()?.strip_prefix("video")?.parse().ok()).collect();
        indices.sort_unstable();
        indices.dedup();
        let camera = |index| takes_pictures(index).then(|| Device { name: name_of(index), index });
        indices.into_iter().filter_map(camera).collect()
    }

    /// A node that cannot be asked (in use, not allowed) is listed: the reason is said when it is opened.
    fn takes_pictures(index: u32) -> bool {
        let asked = catch_unwind(|| v4l::Device::new(index as usize).and_then(|d| d.query_caps()));
        match asked {
            Ok(Ok(told)) => told.capabilities.contains(Flags::VIDEO_CAPTURE | Flags::STREAMING),
            Ok(Err(error)) => matches!(error.raw_os_error(), Some(EBUSY | EACCES | EPERM)),
            // The library panics at a name that is no UTF-8; such a device is a device.
            Err(_) => true,
        }
    }

    fn name_of(index: u32) -> String {
        let told = std::fs::read(format!("/sys/class/video4linux/video{index}/name")).unwrap_or_default();
        let name: String = String::from_utf8_lossy(&told).chars().filter(|c| !c.is_control()).collect();
        let name = name.trim();
        if name.is_empty() { format!("camera {index}") } else { name.to_owned() }
    }

    const EPERM: i32 = 1;
    const ENOENT: i32 = 2;
    const ENXIO: i32 = 6;
    const EACCES: i32 = 13;
    const EBUSY: i32 = 16;
    const ENODEV: i32 = 19;

    fn no_look(error: &std::io::Error) -> NoLook {
        match error.raw_os_error() {
            Some(ENOENT | ENXIO | ENODEV) => NoLook::Gone,
            Some(EBUSY) => NoLook::Busy,
            Some(EPERM | EACCES) => NoLook::NotAllowed,
            _ => NoLook::Other(error.to_string()),
        }
    }

    /// Asks a device what it offers.
    pub fn look(index: u32) -> Result<Looked, NoLook> {
        catch_unwind(|| ask(index)).unwrap_or_else(|_| Err(NoLook::Other("it describes itself in a way that cannot be read".into())))
    }

    fn ask(index: u32) -> Result<Looked, NoLook> {
        let device = v4l::Device::new(index as usize).map_err(|e| no_look(&e))?;
        let listed = device.enum_formats().map_err(|e| no_look(&e))?;
        let mut offers: Vec<Offer> = Vec::new();
        for pixels in Pixels::ALL.into_iter().filter(|p| listed.iter().any(|l| l.fourcc == four_cc(*p))) {
            for [w, h] in sizes(&device, pixels) {
                for interval_s in intervals(&device, pixels, [w, h]) {
                    let offer = Offer { pixels, size_px: [w as usize, h as usize], interval_s };
                    if !offers.contains(&offer) {
                        offers.push(offer);
                    }
                }
            }
        }
        let interval_s = device.params().ok().map(|p| [p.interval.numerator, p.interval.denominator]);
        // Of the format that it is set to; the range rarely depends on it.
        let range = match device.format() {
            Ok(Format { quantization: Quantization::FullRange, .. }) => Range::Full,
            Ok(Format { quantization: Quantization::Default, colorspace: Colorspace::JPEG, .. }) => Range::Full,
            _ => Range::Limited,
        };
        Ok(Looked { offers, interval_s, range })
    }

    fn sizes(device: &v4l::Device, pixels: Pixels) -> Vec<[u32; 2]> {
        let mut sizes = Vec::new();
        for listed in device.enum_framesizes(four_cc(pixels)).unwrap_or_default() {
            match listed.size {
                FrameSizeEnum::Discrete(d) => sizes.push([d.width, d.height]),
                FrameSizeEnum::Stepwise(s) => {
                    let fits =
                        |v: u32, least: u32, most: u32, step: u32| (least..=most).contains(&v) && (v - least).is_multiple_of(step.max(1));
                    let usual = USUAL_SIZES.iter().filter(|[w, h]| {
                        fits(*w, s.min_width, s.max_width, s.step_width) && fits(*h, s.min_height, s.max_height, s.step_height)
                    });
                    sizes.extend(usual);
                    sizes.push([s.max_width, s.max_height]);
                }
            }
        }
        sizes.retain(|[w, h]| *w > 0 && *h > 0);
        sizes
    }

    fn intervals(device: &v4l::Device, pixels: Pixels, [w, h]: [u32; 2]) -> Vec<[u32; 2]> {
        let mut intervals = Vec::new();
        for listed in device.enum_frameintervals(four_cc(pixels), w, h).unwrap_or_default() {
            match listed.interval {
                FrameIntervalEnum::Discrete(Fraction { numerator, denominator }) => intervals.push([numerator, denominator]),
                FrameIntervalEnum::Stepwise(s) => {
                    let seconds = |f: Fraction| f64::from(f.numerator) / f64::from(f.denominator.max(1));
                    let (least, most) = (seconds(s.min), seconds(s.max));
                    let usual = USUAL_RATES.iter().filter(|rate| (least..=most).contains(&(1.0 / f64::from(**rate))));
                    intervals.extend(usual.map(|rate| [1, *rate]));
                }
            }
        }
        intervals.retain(|[n, d]| *n > 0 && *d > 0);
        intervals
    }

    /// Sets format and interval, so that nokhwa finds what it can read: it fails on a device that is set to 30000/1001 a second.
    pub fn set(index: u32, offer: &Offer) -> Result<(), NoLook> {
        let work = || {
            let device = v4l::Device::new(index as usize)?;
            device.set_format(&Format::new(offer.size_px[0] as u32, offer.size_px[1] as u32, four_cc(offer.pixels)))?;
            device.set_params(&Parameters::new(Fraction::new(offer.interval_s[0], offer.interval_s[1])))
        };
        let done = catch_unwind(work).map_err(|_| NoLook::Other("it answers in a way that cannot be read".into()))?;
        done.map(drop).map_err(|e: std::io::Error| no_look(&e))
    }
}

/// Elsewhere nokhwa's listing is all there is. Compiled, not tried: no such machine was at hand.
#[cfg(not(target_os = "linux"))]
mod others {
    use super::{Device, Looked, NoLook, Offer, Pixels, Range};
    use nokhwa::Camera;
    use nokhwa::utils::{ApiBackend, CameraIndex, FrameFormat, RequestedFormat, RequestedFormatType};
    use std::panic::catch_unwind;

    /// Cameras, in the order of their numbers.
    pub fn list() -> Vec<Device> {
        let listed = catch_unwind(|| nokhwa::query(ApiBackend::Auto).unwrap_or_default()).unwrap_or_default();
        listed.iter().filter_map(|c| Some(Device { name: c.human_name(), index: c.index().as_index().ok()? })).collect()
    }

    /// Asks a device what it offers.
    pub fn look(index: u32) -> Result<Looked, NoLook> {
        let all = Pixels::ALL.map(super::super::nokhwa_format);
        let ask = || {
            let request = RequestedFormat::with_formats(RequestedFormatType::None, &all);
            Camera::new(CameraIndex::Index(index), request)?.compatible_camera_formats()
        };
        let listed = catch_unwind(ask)
            .map_err(|_| NoLook::Other("it describes itself in a way that cannot be read".into()))?
            .map_err(|e| NoLook::Other(e.to_string()))?;
        let offer = |f: &nokhwa::utils::CameraFormat| Offer {
            pixels: pixels(f.format()),
            size_px: [f.width() as usize, f.height() as usize],
            interval_s: [1, f.frame_rate()],
        };
        Ok(Looked { offers: listed.iter().map(offer).collect(), interval_s: None, range: Range::Limited })
    }

    const fn pixels(format: FrameFormat) -> Pixels {
        match format {
            FrameFormat::MJPEG => Pixels::Mjpeg,
            FrameFormat::YUYV => Pixels::Yuyv,
            FrameFormat::NV12 => Pixels::Nv12,
            FrameFormat::GRAY => Pixels::Grey,
            FrameFormat::RAWRGB => Pixels::Rgb,
            FrameFormat::RAWBGR => Pixels::Bgr,
        }
    }

    /// Nothing to be done beforehand.
    pub fn set(_: u32, _: &Offer) -> Result<(), NoLook> {
        Ok(())
    }
}
