//! Where pictures come from while the window is open: a camera, a watched folder, a stored set of files.
//!
//! [`Feed`] owns the thread that looks, notices when it hangs, and opens the source again by itself; [`Source`] is what it looks
//! through. Nothing here measures: a [`Frame`] is handed on as it was taken, the newest always takes the place of an older one
//! that nobody has fetched.

pub mod camera;
mod feed;
mod folder;
mod frame;
mod interrupt;
mod latest;
pub mod pairs;
mod picture_file;
mod still;
mod stored;
mod trouble;

pub use camera::{Choice, Knob, Knobs, Pixels, cameras, open_camera};
pub use feed::{Counts, Feed, FeedState};
pub use folder::WatchedFolder;
pub use frame::{Frame, Open, Source, expecting};
pub use latest::Latest;
pub use pairs::{Desk, Light, Pairs, Switch, Wanted};
pub use picture_file::{FileTrouble, is_jpeg, is_named_as_picture, read_picture};
pub use still::{Rest, Stillness};
pub use stored::StoredSet;
pub use trouble::Trouble;
