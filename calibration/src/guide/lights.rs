//! The lights, picture after picture.

use super::Wanted;
use crate::lights::{Learnt, LightsError, Lit, Pictures, learn};
use landfit_vision::{Optics, Picture};

/// Which of the pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shot {
    /// Only the part's light on.
    PartLight,
    /// Only the board's.
    BoardLight,
    /// Both on, nothing moved.
    Both,
    /// No light.
    Dark,
    /// Much too much light.
    Bright,
    /// Only the part's light once more, nothing moved.
    Again,
}

impl Shot {
    /// In the order in which they are asked for.
    pub const ALL: [Self; 6] = [Self::PartLight, Self::Again, Self::BoardLight, Self::Both, Self::Dark, Self::Bright];

    const fn words(self) -> &'static str {
        match self {
            Self::PartLight => "Switch on the part's light only, so that the picture is bright but nowhere white, and take a picture.",
            Self::Again => "Touch nothing and take the same picture once more: it tells what the camera does by itself.",
            Self::BoardLight => "Switch on the board's light only, move nothing else, and take a picture.",
            Self::Both => "Switch both lights on, move nothing else, and take a picture: it tells the camera's gamma.",
            Self::Dark => "Switch all lights off or cap the lens, and take a picture: it tells the black level.",
            Self::Bright => "Give so much light that much of the picture is white, and take a picture: it tells full scale.",
        }
    }
}

/// Learns lights and camera.
#[derive(Debug, Clone)]
pub struct LightsStep {
    optics: Optics,
    taken: Vec<(Shot, Option<Picture>)>,
}

impl LightsStep {
    /// For a bench as it is now.
    #[must_use]
    pub const fn new(optics: Optics) -> Self {
        Self { optics, taken: Vec::new() }
    }

    /// The picture that is wanted next; `None` when every one was taken or passed over.
    #[must_use]
    pub fn next(&self) -> Option<(Shot, Wanted)> {
        let shot = Shot::ALL.into_iter().find(|s| self.taken.iter().all(|(t, _)| t != s))?;
        let needed = matches!(shot, Shot::PartLight | Shot::BoardLight);
        Some((shot, if needed { Wanted::needed(shot.words()) } else { Wanted::optional(shot.words()) }))
    }

    /// Takes a picture for `shot`, in the place of one taken before.
    pub fn take(&mut self, shot: Shot, picture: Picture) {
        self.taken.retain(|(s, _)| *s != shot);
        self.taken.push((shot, Some(picture)));
    }

    /// Passes over a picture that is not needed.
    pub fn pass_over(&mut self, shot: Shot) {
        self.taken.retain(|(s, _)| *s != shot);
        self.taken.push((shot, None));
    }

    /// What the pictures say so far; `None` before both lights were seen.
    ///
    /// # Errors
    /// See [`LightsError`]; take the picture that it names again.
    pub fn result(&self) -> Option<Result<Learnt, LightsError>> {
        let of = |shot: Shot| self.taken.iter().find(|(s, _)| *s == shot).and_then(|(_, p)| p.as_ref());
        let lit = |shot: Shot| of(shot).map(|picture| Lit { picture, region: None });
        let pictures = Pictures {
            part: lit(Shot::PartLight)?,
            board: lit(Shot::BoardLight)?,
            both: of(Shot::Both),
            dark: of(Shot::Dark),
            bright: of(Shot::Bright),
            again: of(Shot::Again),
        };
        Some(learn(&pictures, &self.optics))
    }
}
