//! What can stand between the optics and the picture, in plain words.

use std::path::PathBuf;
use std::time::Duration;

/// Why there is no new good picture. `Display` names the source and what is wrong; [`Trouble::advice`] what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Trouble {
    /// Nothing that takes pictures is connected.
    #[error("no camera is connected")]
    NoCamera,
    /// The chosen camera is not there.
    #[error("{camera} is not connected")]
    NotConnected {
        /// Its name.
        camera: String,
    },
    /// It was there, and is gone.
    #[error("{camera} was unplugged")]
    Unplugged {
        /// Its name.
        camera: String,
    },
    /// Another program has it.
    #[error("{camera} is in use by another program")]
    Busy {
        /// Its name.
        camera: String,
    },
    /// The operating system does not let this user have it.
    #[error("{camera} may not be used by this user")]
    NotAllowed {
        /// Its name.
        camera: String,
    },
    /// It is there and sends nothing.
    #[error("{source_name} has sent no picture for {:.1} s", silent.as_secs_f64())]
    Stalled {
        /// Its name.
        source_name: String,
        /// How long it has been silent.
        silent: Duration,
    },
    /// The picture holds hardly any light.
    #[error("the picture of {camera} is dark: its mean is {mean_percent:.1} % of full scale, less than {least_percent:.1} %")]
    Dark {
        /// Its name.
        camera: String,
        /// Mean of the raw values.
        mean_percent: f64,
        /// What counts as dark.
        least_percent: f64,
    },
    /// The data of a frame cannot be made into a picture.
    #[error("{camera} sends broken pictures ({what})")]
    Broken {
        /// Its name.
        camera: String,
        /// What is wrong with the data.
        what: String,
    },
    /// A frame ended before the picture did.
    #[error("{camera} sends pictures that are cut short ({what})")]
    CutShort {
        /// Its name.
        camera: String,
        /// Where it ended.
        what: String,
    },
    /// The very same data again, noise and all: no camera takes the same picture twice.
    #[error("{camera} sends one and the same picture over and over")]
    Repeated {
        /// Its name.
        camera: String,
    },
    /// The picture has another size than the bench file says.
    #[error("{source_name} sends pictures of {}x{} px, the bench file is for {}x{} px", sent_px[0], sent_px[1], wanted_px[0], wanted_px[1])]
    WrongSize {
        /// Its name.
        source_name: String,
        /// Width and height of the picture.
        sent_px: [usize; 2],
        /// Width and height that the bench file says.
        wanted_px: [usize; 2],
    },
    /// The camera does not offer what was chosen, or nothing that can be read.
    #[error("{camera} does not offer {wanted}; it offers {offered}")]
    NotOffered {
        /// Its name.
        camera: String,
        /// What was asked for.
        wanted: String,
        /// What it lists.
        offered: String,
    },
    /// It is there, and does not do as asked.
    #[error("{camera} could not be started ({what})")]
    Refused {
        /// Its name.
        camera: String,
        /// What the camera or its driver said.
        what: String,
    },
    /// A folder cannot be looked at.
    #[error("the folder {} cannot be read ({what})", folder.display())]
    Folder {
        /// Its path.
        folder: PathBuf,
        /// What the operating system said.
        what: String,
    },
    /// A folder in which no file is named as a picture.
    #[error("the folder {} holds no picture", folder.display())]
    NoPictures {
        /// Its path.
        folder: PathBuf,
    },
    /// Stored pictures that make no whole number of looks.
    #[error("a look takes {exposures} pictures, and {files} do not share out so")]
    Uneven {
        /// How many pictures there are.
        files: usize,
        /// How many one look takes.
        exposures: usize,
    },
    /// A picture file cannot be used.
    #[error("{what}")]
    File {
        /// One sentence that names the file and the mend.
        what: String,
    },
    /// The light that was asked for is not the one that is on.
    #[error("{light} was to be on, and the picture's colours do not show it")]
    WrongLight {
        /// What the bench calls the light.
        light: String,
    },
    /// The person's own command for the lights did not do its work.
    #[error("the command for the lights did not do its work ({what})")]
    LightCommand {
        /// What happened.
        what: String,
    },
    /// A mistake in this program or a library: said, and outlived.
    #[error("looking through {source_name} failed inside the program ({what})")]
    Failed {
        /// Its name.
        source_name: String,
        /// What it said.
        what: String,
    },
}

impl Trouble {
    /// What the person at the bench can do.
    #[must_use]
    pub const fn advice(&self) -> &'static str {
        match self {
            Self::NoCamera => "plug one in, or choose a folder, stored pictures or the rehearsal",
            Self::NotConnected { .. } | Self::Unplugged { .. } => {
                "push its plug home at both ends; the picture comes back by itself, or choose another source"
            }
            Self::Busy { .. } => "close the other program that shows its picture; landfit goes on by itself",
            Self::NotAllowed { .. } => "ask whoever looks after this computer for the right to use cameras (on Linux the group video)",
            Self::Stalled { .. } => {
                "wait a moment: it is being started again; if that does not help, unplug it and plug it in, at another socket if there is one"
            }
            Self::Dark { .. } => "switch the light on, take off the lens cap, or lengthen the exposure",
            Self::Broken { .. } | Self::CutShort { .. } => {
                "the data suffers on its way: try a shorter cable, another socket without a hub, or a smaller size"
            }
            Self::Repeated { .. } => "unplug it and plug it in again; a picture without any light also looks like this",
            Self::WrongSize { .. } => "choose the size that the bench file says: the calibration holds for that size only",
            Self::NotOffered { .. } => "choose a format and size that it offers",
            Self::Refused { .. } => "unplug it and plug it in again; if that does not help, choose another format or size",
            Self::Folder { .. } => "check that it exists and may be read; landfit goes on by itself",
            Self::NoPictures { .. } => "store one there (PNG, JPEG, TIFF, BMP or PNM), or choose another folder; landfit goes on by itself",
            Self::Uneven { .. } => {
                "store the pictures of each look under names that follow each other, in the order of exposure, and nothing else beside them"
            }
            Self::File { .. } => "store the picture again; landfit goes on with the next one",
            Self::WrongLight { .. } => "switch that light on and the other one off, then ask for the pair again",
            Self::LightCommand { .. } => "check the command in your settings, or switch the lights by hand",
            Self::Failed { .. } => "it is tried again; if it comes back, choose another source and tell the makers what stands in brackets",
        }
    }

    /// Whether the source must be opened again, rather than asked for its next frame.
    #[must_use]
    pub const fn ends_the_source(&self) -> bool {
        match self {
            Self::NoCamera
            | Self::NotConnected { .. }
            | Self::Unplugged { .. }
            | Self::Busy { .. }
            | Self::NotAllowed { .. }
            | Self::Stalled { .. }
            | Self::NotOffered { .. }
            | Self::Refused { .. }
            | Self::Failed { .. } => true,
            Self::Dark { .. }
            | Self::Broken { .. }
            | Self::CutShort { .. }
            | Self::Repeated { .. }
            | Self::WrongSize { .. }
            | Self::Folder { .. }
            | Self::NoPictures { .. }
            | Self::Uneven { .. }
            | Self::File { .. }
            | Self::WrongLight { .. }
            | Self::LightCommand { .. } => false,
        }
    }

    /// Whether it is about one frame of a stream that may be good again with the next: it is said when it lasts.
    pub(crate) const fn is_about_one_frame(&self) -> bool {
        matches!(self, Self::Dark { .. } | Self::Broken { .. } | Self::CutShort { .. } | Self::Repeated { .. })
    }
}
