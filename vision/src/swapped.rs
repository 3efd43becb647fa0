//! Tells whether the two sides' lights are swapped: in the bench file's tints, in the order of the pictures, at the lamps' plugs.
//!
//! Swapped lights show the lands as terminals and the terminals as lands, each at the other's place: the offset is then as large
//! as it is, and points the wrong way. Where balls and lands are designed to differ in size, the sizes tell; a ring light's
//! reflection on what should be lands tells, too. Two signs that agree are a refusal, one is a warning, but where the tints are far
//! off besides. Of balls and lands of one size that both shine evenly no picture tells it.

use crate::answer::{ReasonCode, Refusal};
use crate::leak::{self, Leak};
use crate::side::{Seen, disc_radius_mm};
use crate::view::{Optics, Sight};
use landfit_part::{Part, Side};

/// Designed sizes that differ by less do not tell balls from lands.
const LEAST_DIFFERENCE: f64 = 0.06;
/// Nor do radii that differ by less than this in the picture, px: balls of 3 px radius were seen up to a fifth too small.
const LEAST_DIFFERENCE_PX: f64 = 0.5;
/// A size is the other side's when it is nearer to that by this much, in logarithms: of 150 rendered pictures with rightly told
/// lights, terminals of an even face were seen 4 % too small at most.
const NEARER_BY: f64 = 0.02;

/// Where the tints are off by more than this, and one side is seen as the other should be, it may be the other: of 164 rendered pictures whose
/// tints were off by up to 20 % none had such a sign.
const TINTS_FAR_OFF: f64 = 0.08;

/// What speaks for swapped lights.
pub(crate) enum Swapped {
    /// Two signs, or one and tints that are far off.
    Surely(Refusal),
    /// One sign.
    Perhaps(String),
}

/// How many px of the first view a mm is where the lands lie.
fn px_per_mm(optics: &Optics, lands: &Seen) -> f64 {
    let sight = optics.views.first().and_then(|view| Sight::new(view, optics.lens));
    sight.map_or(0.0, |s| s.magnification_px_per_mm(lands.fit.to_from.shift()))
}

/// Looks for the signs; both sides must be seen each in a light of its own.
pub(crate) fn signs((part, optics): (&Part, &Optics), leaks: &[Leak], terminals: &Seen, lands: &Seen) -> Option<Swapped> {
    let times = disc_radius_mm(Side::Part, part) / disc_radius_mm(Side::Board, part);
    if !(times.is_finite() && times > 0.0) || terminals.is_ring {
        return None;
    }
    let differ_px = (times - 1.0).abs() * disc_radius_mm(Side::Board, part) * px_per_mm(optics, lands);
    let differ = (times - 1.0).abs() > LEAST_DIFFERENCE && differ_px > LEAST_DIFFERENCE_PX;
    let is_others = |ratio: f64, others: f64| differ && (ratio / others).ln().abs() + NEARER_BY < ratio.ln().abs();
    let of_terminals = is_others(terminals.outline_ratio, 1.0 / times).then_some("the terminals are seen as large as the lands should be");
    let of_lands = if lands.is_ring {
        Some("the lands show rings as balls do")
    } else {
        is_others(lands.outline_ratio, times).then_some("the lands are seen as large as the terminals should be")
    };
    // By themselves, dark lands are lands that are dark.
    let dark = (lands.is_dark && !terminals.is_dark).then_some("the lands are dark and the terminals bright");
    let mend = "check the tints of the two views in the bench file, the order of the pictures, and which light is on";
    match (of_terminals, of_lands.or(dark)) {
        (Some(a), Some(b)) => {
            let text = format!("The two sides' lights seem to be swapped: {a}, and {b}. Before anything is turned, {mend}.");
            Some(Swapped::Surely(Refusal::new(ReasonCode::WrongPattern, None, text)))
        }
        _ => of_terminals.or(of_lands).map(|sign| match leak::largest(leaks).filter(|leak| leak.share.abs() > TINTS_FAR_OFF) {
            Some(leak) => {
                let off = leak::off_words(optics, leak);
                let text = format!("{off}, and {sign}: one side's light may show the other. {} Before that, {mend}.", leak::LEARN_ANEW);
                Swapped::Surely(Refusal::new(ReasonCode::WrongPattern, None, text))
            }
            None => Swapped::Perhaps(format!("If the two sides' lights are swapped, the offset points the wrong way: {sign}; {mend}.")),
        }),
    }
}
