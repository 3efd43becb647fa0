//! Every word that the window and the marked picture show, one file a subject: a translation is these files in another language.
//!
//! Words of the trade and of the contract; no verdict that a machine could be taken to obey. `sentences` and `answer` hold what the commands
//! say, too.

pub mod answer;
pub mod sentences;

mod after;
mod align;
mod bench;
mod calibrating;
mod cautions;
mod files;
mod help;
mod overlay;
mod part;
mod picture;
mod rehearsal;
mod settings;
mod states;

pub use after::*;
pub use align::*;
pub use bench::*;
pub use calibrating::*;
pub use cautions::*;
pub use files::*;
pub use help::*;
pub use overlay::*;
pub use part::*;
pub use picture::*;
pub use rehearsal::*;
pub use settings::*;
pub use states::*;

#[cfg(test)]
mod tests;
