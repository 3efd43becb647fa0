//! Another thing than the pattern's features may stand as evenly among them: vias at half a pitch from every land are as many places in the
//! same rows. Where two things fill the pattern, what they look like tells which of them is meant.

use super::{Difference, Feature, Kind, Pattern, Recognition, Rival, Seating, Unrecognised, Window, recognise};
use crate::find::look::CoarseProfile;
use landfit_part::PointMm;
use std::cmp::Ordering;
use std::collections::BTreeSet;

/// Whether the first of two looks is the bare metal that is meant (greater) or the second (less); `None` where they do not tell.
pub type BareMetal = fn(&CoarseProfile, &CoarseProfile) -> Option<Ordering>;

/// What fills less than this share of the sites that are seen elsewhere is no pattern of its own; nor is one whose log odds are less than this
/// share of the others'.
const LEAST_OF_SEEN: f64 = 0.55;
/// The middle of vias at half a pitch from every land lies no more pitches from that of the lands, along their diagonal.
const FARTHEST_PITCHES: f64 = 0.8;

/// As [`recognise`]; where two things fill the pattern in one place, `bare_metal` says which is meant. One that it leaves open is a rival.
///
/// # Errors
/// As [`recognise`].
pub fn recognise_bare_metal<V, P>(
    features: &[Feature],
    pattern: &Pattern,
    window: &Window<V, P>,
    bare_metal: BareMetal,
) -> Result<Recognition, Unrecognised>
where
    V: Fn(PointMm, Kind) -> bool,
    P: Fn(PointMm, Kind, &CoarseProfile) -> Option<bool>,
{
    let first = recognise(features, pattern, window)?;
    let Some(second) = recognise_without(&first.best, features, pattern, window) else { return Ok(first) };
    let (one, other) = (&first.best, &second.best);
    let is_another = other.seen() as f64 >= LEAST_OF_SEEN * one.seen() as f64 && other.log_odds >= LEAST_OF_SEEN * one.log_odds;
    let middle = |seating: &Seating| seating.bench_from_pattern.apply(pattern.centroid_mm);
    // Further away it is the same pattern again.
    let is_among = middle(one).distance(middle(other)) <= (0.5 * pattern.extent_mm()).max(FARTHEST_PITCHES * pattern.pitch_mm);
    if !is_another || !is_among {
        return Ok(first);
    }
    let look =
        |seating: &Seating| CoarseProfile::median(&seating.features.iter().flatten().map(|&f| features[f].profile).collect::<Vec<_>>());
    let told = look(one).zip(look(other)).and_then(|(one, other)| bare_metal(&one, &other));
    let first = recognise_without(other, features, pattern, window).unwrap_or(first);
    Ok(match told {
        Some(Ordering::Greater) => first,
        Some(Ordering::Less) => second,
        Some(Ordering::Equal) | None => {
            let (best, beaten) = if second.best.log_odds > first.best.log_odds { (second, first) } else { (first, second) };
            let other_thing = Rival {
                margin: best.best.log_odds - beaten.best.log_odds,
                differs: Difference::Thing,
                bench_from_pattern: beaten.best.bench_from_pattern,
            };
            let rival = best.rival.filter(|r| r.margin < other_thing.margin).unwrap_or(other_thing);
            Recognition { rival: Some(rival), ..best }
        }
    })
}

/// The pattern among the features that a seating does not use; `None` where too few are left for another.
fn recognise_without<V, P>(seating: &Seating, features: &[Feature], pattern: &Pattern, window: &Window<V, P>) -> Option<Recognition>
where
    V: Fn(PointMm, Kind) -> bool,
    P: Fn(PointMm, Kind, &CoarseProfile) -> Option<bool>,
{
    let used: BTreeSet<usize> = seating.features.iter().flatten().copied().collect();
    let rest: Vec<usize> = (0..features.len()).filter(|i| !used.contains(i)).collect();
    if (rest.len() as f64) < LEAST_OF_SEEN * used.len() as f64 {
        return None;
    }
    let left: Vec<Feature> = rest.iter().map(|&i| features[i]).collect();
    let mut found = recognise(&left, pattern, window).ok()?;
    found.best.features.iter_mut().flatten().for_each(|f| *f = rest[*f]);
    found.left_over.iter_mut().for_each(|f| *f = rest[*f]);
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Pose;

    type Cut = fn(PointMm, Kind, &CoarseProfile) -> Option<bool>;

    const SOLID: CoarseProfile = CoarseProfile { rings: [1.0, 1.0, 1.0, 0.9, 0.3, 0.2, 0.2] };
    const HOLLOW: CoarseProfile = CoarseProfile { rings: [0.2, 0.4, 0.9, 0.9, 0.4, 0.2, 0.2] };

    fn window() -> Window<impl Fn(PointMm, Kind) -> bool, Cut> {
        Window { whole: |_, _| true, cut: |_, _, _| None, area_mm2: 200.0, over: None }
    }

    /// Where lands of `look` lie at `truth` and vias half a pitch from every one.
    fn recognised(of_lands: CoarseProfile, of_vias: CoarseProfile, bare_metal: BareMetal) -> (Recognition, Pose) {
        let places: Vec<PointMm> = (0..48).map(|i| PointMm::new(f64::from(i % 8) * 0.8 - 2.8, f64::from(i / 8) * 0.8 - 2.0)).collect();
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        let truth = Pose::new(0.3, -0.2, 0.02);
        let vias = truth.after(&Pose::new(0.4, 0.4, 0.0));
        // Vias are the stronger.
        let feature = |pose: Pose, profile, strength| {
            move |at: &PointMm| Feature { at_mm: pose.apply(*at), view: 0, strength, profile, kind: Kind::DISC }
        };
        let features: Vec<Feature> =
            places.iter().map(feature(vias, of_vias, 1.0)).chain(places.iter().map(feature(truth, of_lands, 0.7))).collect();
        (recognise_bare_metal(&features, &pattern, &window(), bare_metal).expect("seated"), truth)
    }

    #[test]
    fn of_two_things_that_fill_the_pattern_the_one_that_is_meant_is_seated_and_the_other_is_no_rival() {
        let solid: BareMetal = |one, other| Some(other.hollow().total_cmp(&one.hollow()));
        let (found, truth) = recognised(SOLID, HOLLOW, solid);
        let pose = found.best.bench_from_pattern;
        assert!((pose.x_mm - truth.x_mm).hypot(pose.y_mm - truth.y_mm) < 0.01, "{pose:?}");
        assert_eq!(found.best.seen(), 48);
        assert!(found.rival.expect("a shift").margin > 20.0);
        assert!(found.left_over.is_empty());
    }

    #[test]
    fn where_neither_look_tells_the_other_thing_is_as_good_a_rival() {
        for of_vias in [HOLLOW, SOLID] {
            let (found, _) = recognised(SOLID, of_vias, |_, _| None);
            let rival = found.rival.expect("the other thing");
            assert!(rival.margin.abs() < 1.0 && rival.differs == Difference::Thing, "{rival:?}");
        }
    }
}
