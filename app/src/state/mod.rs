//! What the window shows and what its controls do, without a window: pure but for [`desk`], [`calibrating`], [`subject`] and [`result`],
//! which read and write files.
//!
//! [`job`] follows the work, [`desk`] holds part, bench and job and makes of them what the pages show ([`shown`]); [`keys`] and
//! [`hold`] read pedal, scanner and the accepting hold; [`result`] keeps what was accepted.

pub mod calibrating;
pub mod desk;
mod files_shown;
pub mod ground;
pub mod guided;
pub mod hold;
pub mod job;
pub mod keys;
pub mod panel;
pub mod result;
pub mod shown;
pub mod subject;
pub mod units;

#[cfg(test)]
pub mod desk_tests;
#[cfg(test)]
mod tests;
