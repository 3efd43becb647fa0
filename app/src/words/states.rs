//! The window, its pages, and the states of picture and job.

use crate::state::job::JobState;
use crate::state::shown::PictureState;

/// The window's title.
pub const TITLE: &str = "landfit";
/// The pages, in the order of the work, then what is beside it.
pub const PAGES: [&str; 6] = ["Part", "Align", "After", "Bench", "Settings", "Help"];

/// The state of the picture.
#[must_use]
pub const fn picture_state(state: PictureState) -> &'static str {
    match state {
        PictureState::Looking => "looking",
        PictureState::CannotTell => "cannot tell",
        PictureState::Still => "still",
        PictureState::Old => "old picture",
    }
}

/// The state of the job.
#[must_use]
pub const fn job_state(state: JobState) -> &'static str {
    match state {
        JobState::Looking => "looking",
        JobState::Coarse => "coarse",
        JobState::Turn => "turn",
        JobState::Nearly => "nearly",
        JobState::GoodToPlace => "good to place",
        JobState::Moved => "moved, look again",
        JobState::Placed => "placed",
    }
}
