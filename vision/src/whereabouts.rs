//! Where the pictures settle nothing: which way to move what is wanting, and about how far. Rough words for hands; nothing is placed by them.

use crate::answer::{HowFar, Way};
use crate::side::SideView;
use crate::view::{Optics, PointPx, Sight};
use crate::which_site::{Feature, Pattern};
use landfit_part::{Part, PointMm, Side};

/// Fewer features a pitch apart may be clutter.
const LEAST_SEEN: usize = 3;
/// Light differences below this share of full scale are no features: what separation leaves of the other side is weaker.
const LEAST_CONTRAST: f64 = 0.06;
/// Features with at least this share of the strongest ones' contrast stand out as they do.
const STRONG_SHARE: f64 = 0.5;
/// No more features are looked at; a pattern has fewer.
const MOST_ASKED: usize = 4000;
/// Distances that differ from the pitch by less than this share are one.
const AT_PITCH: f64 = 0.1;
/// What shows no end at the picture's edge is all of it where it is at least this share as large: a row of leads is shorter than the part.
const NEARLY_ALL: f64 = 0.6;
/// A row that lies nearer to the picture's edge than this share of the pitch may have its neighbour beyond it: that one is not found
/// where it is cut.
const AT_EDGE_PITCHES: f64 = 1.3;
/// Ends that several views show are one end where they differ by no more than so many pitches: a turned pattern ends askew.
const ALIKE_PITCHES: f64 = 1.5;
/// Shorter ways are not told, mm: a hint is no better.
const LEAST_MM: f64 = 0.1;

/// A stretch along one axis, mm.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    low: f64,
    high: f64,
}

impl Stretch {
    /// `None` of nothing.
    fn of(values: impl Iterator<Item = f64>) -> Option<Self> {
        values.fold(None, |so_far, v| match so_far {
            None => Some(Self { low: v, high: v }),
            Some(s) => Some(Self { low: s.low.min(v), high: s.high.max(v) }),
        })
    }

    fn size(self) -> f64 {
        self.high - self.low
    }

    fn holds(self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// How much of both is one; below zero how far they are apart.
    fn overlap(self, other: Self) -> f64 {
        self.high.min(other.high) - self.low.max(other.low)
    }

    fn middle(self) -> f64 {
        f64::midpoint(self.low, self.high)
    }
}

/// Along x, then along y of the bench frame.
type Box2 = [Stretch; 2];

fn box_of(points: impl AsRef<[PointMm]>) -> Option<Box2> {
    let points = points.as_ref();
    Some([Stretch::of(points.iter().map(|p| p.x))?, Stretch::of(points.iter().map(|p| p.y))?])
}

/// What a view shows, bench frame.
fn field(sight: &Sight, origin: PointPx, [width, height]: [f64; 2]) -> Option<Box2> {
    let corner = |x: f64, y: f64| sight.mm(PointPx::new(origin.x + x * (width - 1.0), origin.y + y * (height - 1.0)));
    box_of([corner(0.0, 0.0), corner(1.0, 0.0), corner(0.0, 1.0), corner(1.0, 1.0)])
}

/// What a view shows of a side: its field, and where what stands a pitch apart lies in it. Bench frame.
struct Shown {
    field: Box2,
    seen: Option<Box2>,
}

/// Which way a side is to be moved, of which some features show though they settle nothing. `None` where they may be clutter.
pub(crate) fn way(side: Side, features: &[Feature], pattern: &Pattern, views: &[SideView]) -> Option<Way> {
    told(side, features, pattern, views).map(|told| told.way)
}

/// The same where the rows seen fit the pattern in several ways: only if rows are cut off that would tell.
pub(crate) fn way_of_cut(side: Side, features: &[Feature], pattern: &Pattern, views: &[SideView]) -> Option<Way> {
    told(side, features, pattern, views).filter(|told| told.is_cut).map(|told| told.way)
}

/// A way, and whether rows of the pattern lie out of view.
#[derive(Debug, PartialEq)]
struct ToldWay {
    way: Way,
    is_cut: bool,
}

fn told(side: Side, features: &[Feature], pattern: &Pattern, views: &[SideView]) -> Option<ToldWay> {
    let strong = strong(features);
    let shown: Vec<Shown> = views.iter().filter_map(|view| shown(view, &strong, pattern.pitch_mm)).collect();
    let whole = box_of(&pattern.centres_mm)?;
    match shown.as_slice() {
        [one] => way_of_boxes(side, one.seen?, whole, one.field, pattern.pitch_mm),
        several => way_of_several(side, several, whole, pattern.pitch_mm),
    }
}

fn shown(view: &SideView, strong: &[PointMm], pitch_mm: f64) -> Option<Shown> {
    let origin = PointPx::new(view.plane.origin_px[0] as f64, view.plane.origin_px[1] as f64);
    let field = field(view.sight, origin, [view.plane.width as f64, view.plane.height as f64])?;
    let inside = |p: &&PointMm| field[0].holds(p.x) && field[1].holds(p.y);
    let here: Vec<PointMm> = strong.iter().filter(inside).copied().collect();
    Some(Shown { field, seen: box_of(largest_group(&here, pitch_mm)) })
}

/// Of several views that show parts of a side: the ends that some of them see, and where none does, which views lie beside the pattern. The
/// middle of all views is where the pattern belongs.
fn way_of_several(side: Side, shown: &[Shown], whole: Box2, pitch_mm: f64) -> Option<ToldWay> {
    let (edge_mm, alike_mm) = (AT_EDGE_PITCHES * pitch_mm, ALIKE_PITCHES * pitch_mm);
    let along = |axis: usize| {
        let of = |one: &Shown| one.seen.map(|seen| (seen[axis], one.field[axis]));
        let size = whole[axis].size();
        let all = Stretch::of(shown.iter().flat_map(|s| [s.field[axis].low, s.field[axis].high]))?;
        // Something that ends on both sides within one view is none of a pattern that is larger than it.
        let rows: Vec<(Stretch, Stretch)> = shown
            .iter()
            .filter_map(of)
            .filter(|(seen, field)| seen.low < field.low + edge_mm || seen.high > field.high - edge_mm || seen.size() > NEARLY_ALL * size)
            .collect();
        let one_place = |ends: Vec<f64>| Stretch::of(ends.into_iter()).filter(|s| s.size() < alike_mm).map(Stretch::middle);
        let lows: Vec<f64> = rows.iter().filter(|(seen, field)| seen.low > field.low + edge_mm).map(|(seen, _)| seen.low).collect();
        let highs: Vec<f64> = rows.iter().filter(|(seen, field)| seen.high < field.high - edge_mm).map(|(seen, _)| seen.high).collect();
        let from_low = one_place(lows).map(|low| low + size / 2.0);
        let from_high = one_place(highs).map(|high| high - size / 2.0);
        match (from_low, from_high) {
            (Some(a), Some(b)) if (a - b).abs() > alike_mm => None,
            (Some(a), Some(b)) => Some((all.middle() - f64::midpoint(a, b), HowFar::About)),
            (Some(one), None) | (None, Some(one)) => Some((all.middle() - one, HowFar::About)),
            (None, None) => beside(shown, axis).map(|end| match end {
                Beside::Above(low) => (all.middle() - (low + size / 2.0), HowFar::AtLeast),
                Beside::Below(high) => (all.middle() - (high - size / 2.0), HowFar::AtLeast),
            }),
        }
    };
    let ways = [along(0), along(1)];
    // An axis along which no end shows and no view is empty says nothing: the other one may.
    let [(x, far_x), (y, far_y)] = ways.map(|way| way.unwrap_or((0.0, HowFar::Unknown)));
    let way = Way { side, by_mm: PointMm::new(x, y), how_far: [far_x, far_y] };
    (x.abs().max(y.abs()) >= LEAST_MM).then_some(ToldWay { way, is_cut: x.abs().max(y.abs()) > pitch_mm })
}

/// Where the pattern lies beside views that show nothing of it.
enum Beside {
    /// Above this.
    Above(f64),
    /// Below this.
    Below(f64),
}

/// Whether, along one axis, views that show nothing lie all below or all above those beside them that show something.
fn beside(shown: &[Shown], axis: usize) -> Option<Beside> {
    let across = 1 - axis;
    let (full, empty): (Vec<&Shown>, Vec<&Shown>) = shown.iter().partition(|s| s.seen.is_some());
    let neighbours = |e: &&Shown| full.iter().any(|f| e.field[across].overlap(f.field[across]) > 0.5 * e.field[across].size());
    let empty: Vec<&Shown> = empty.into_iter().filter(neighbours).collect();
    let full = Stretch::of(full.iter().flat_map(|f| [f.field[axis].low, f.field[axis].high]))?;
    let fields = || empty.iter().map(|e| e.field[axis]).filter(|f| f.overlap(full) < 0.5 * f.size());
    let below = Stretch::of(fields().filter(|f| f.middle() < full.middle()).map(|f| f.high));
    let above = Stretch::of(fields().filter(|f| f.middle() > full.middle()).map(|f| f.low));
    match (below, above) {
        (Some(below), None) => Some(Beside::Above(below.high)),
        (None, Some(above)) => Some(Beside::Below(above.low)),
        (None, None) | (Some(_), Some(_)) => None,
    }
}

/// Places of the features that stand out as the strongest do, and by more than any ghost of the other side.
fn strong(features: &[Feature]) -> Vec<PointMm> {
    let mut contrasts: Vec<f64> = features.iter().map(|f| f.profile.contrast()).collect();
    contrasts.sort_by(|a, b| b.total_cmp(a));
    let Some(usual) = contrasts.get(LEAST_SEEN - 1) else { return Vec::new() };
    let least = LEAST_CONTRAST.max(STRONG_SHARE * usual);
    features.iter().filter(|f| f.profile.contrast() >= least).map(|f| f.at_mm).take(MOST_ASKED).collect()
}

/// The largest group whose members stand a pitch from one another; empty where no three do.
fn largest_group(places: &[PointMm], pitch_mm: f64) -> Vec<PointMm> {
    let is_next = |a: PointMm, b: PointMm| (a.distance(b) / pitch_mm - 1.0).abs() < AT_PITCH;
    let mut left: Vec<PointMm> = places.to_vec();
    let mut largest = Vec::new();
    while let Some(first) = left.pop() {
        let mut group = vec![first];
        let mut looked_at = 0;
        while let Some(&one) = group.get(looked_at) {
            let (next, rest) = left.into_iter().partition(|p| is_next(one, *p));
            left = rest;
            group.extend::<Vec<PointMm>>(next);
            looked_at += 1;
        }
        if group.len() > largest.len() {
            largest = group;
        }
    }
    if largest.len() < LEAST_SEEN { Vec::new() } else { largest }
}

fn way_of_boxes(side: Side, seen: Box2, whole: Box2, field: Box2, pitch_mm: f64) -> Option<ToldWay> {
    let edge_mm = AT_EDGE_PITCHES * pitch_mm;
    let along = |axis: usize| {
        let (seen, size, field) = (seen[axis], whole[axis].size(), field[axis]);
        let hidden = (size - seen.size()).max(0.0);
        let (at_low, at_high) = (seen.low < field.low + edge_mm, seen.high > field.high - edge_mm);
        Some(match (at_low, at_high) {
            _ if hidden < 0.5 * pitch_mm => (field.middle() - seen.middle(), HowFar::About, false),
            // Both its ends are hidden: so far one way or the other, and one of them shows.
            (true, true) => (hidden, HowFar::EitherWay, true),
            (true, false) => (field.middle() - (seen.high - size / 2.0), HowFar::About, true),
            (false, true) => (field.middle() - (seen.low + size / 2.0), HowFar::About, true),
            (false, false) if seen.size() >= NEARLY_ALL * size => (field.middle() - seen.middle(), HowFar::About, false),
            // What is cut off is cut off by an edge: this is something else.
            (false, false) => return None,
        })
    };
    let ((x, far_x, cut_x), (y, far_y, cut_y)) = (along(0)?, along(1)?);
    let way = Way { side, by_mm: PointMm::new(x, y), how_far: [far_x, far_y] };
    (x.abs().max(y.abs()) >= LEAST_MM).then_some(ToldWay { way, is_cut: cut_x || cut_y })
}

/// A length that is only about so, mm.
fn about(mm: f64) -> String {
    if mm.abs() < 2.0 { format!("{:.1} mm", mm.abs()) } else { format!("{:.0} mm", mm.abs()) }
}

/// " Move the part about 3 mm to the right and 0.8 mm towards you.": directions as seen from above by whoever stands at the bench.
pub(crate) fn words(way: &Way) -> String {
    steps_words(way.by_mm, way.how_far).map_or_else(String::new, |steps| format!(" Move the {} {steps}.", way.side.word()))
}

/// "about 3 mm to the right and 0.8 mm towards you"; `None` of ways that are not worth a word.
pub(crate) fn steps_words(by_mm: PointMm, how_far: [HowFar; 2]) -> Option<String> {
    let one = |mm: f64, how_far: HowFar, [plus, minus]: [&str; 2], both: &str| {
        let sense = if mm < 0.0 { minus } else { plus };
        match how_far {
            _ if mm.abs() < LEAST_MM => None,
            HowFar::Unknown => None,
            HowFar::EitherWay => Some(format!("up to {} {both}", about(mm))),
            HowFar::About => Some(format!("about {} {sense}", about(mm))),
            HowFar::AtLeast => Some(format!("at least {} {sense}", about(mm))),
        }
    };
    let steps: Vec<String> = [
        one(by_mm.x, how_far[0], ["to the right", "to the left"], "to the right or to the left, either will do"),
        one(by_mm.y, how_far[1], ["away from you", "towards you"], "away from you or towards you, either will do"),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!steps.is_empty()).then(|| steps.join(" and "))
}

/// Why no way can be told of a side of which nothing is seen, and how far off it is at least.
pub(crate) fn unseen_words(side: Side, part: &Part, optics: &Optics) -> String {
    let off_mm = least_off_mm(side, part, optics)
        .map_or_else(String::new, |mm| format!(", only that its middle would be more than about {} off the middle of the view", about(mm)));
    format!(" Which way it lies cannot be told while nothing of it is in view{off_mm}.")
}

/// How far the middle of a side lies at least from the middle of its view when no site of it is in view, mm. `None` where several
/// views show it.
fn least_off_mm(side: Side, part: &Part, optics: &Optics) -> Option<f64> {
    let mut views = optics.views.iter().filter(|v| v.shows == side);
    let (Some(view), None) = (views.next(), views.next()) else { return None };
    let region = crate::plane::region_of(view, &optics.frame);
    let origin = PointPx::new(f64::from(region.x), f64::from(region.y));
    let field = field(&Sight::new(view, optics.lens)?, origin, [f64::from(region.width), f64::from(region.height)])?;
    let centres: Vec<PointMm> = part.sites.iter().filter(|s| !s.pieces(side).is_empty()).map(|s| s.centre_mm(side)).collect();
    let whole = box_of(&centres)?;
    Some((0..2).map(|axis| f64::midpoint(field[axis].size(), whole[axis].size())).fold(f64::INFINITY, f64::min))
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELD: Box2 = [Stretch { low: -8.0, high: 8.0 }, Stretch { low: -6.0, high: 6.0 }];

    /// What is seen of a pattern of so many mm whose middle lies at a place, rows 0.8 mm apart.
    fn way_from(middle: [f64; 2], size: [f64; 2]) -> Option<Way> {
        let seen = [0, 1].map(|axis| {
            let rows = (size[axis] / 0.8).round() as i32;
            let all = (0..=rows).map(|r| middle[axis] - size[axis] / 2.0 + 0.8 * f64::from(r));
            Stretch::of(all.filter(|v| *v > FIELD[axis].low + 0.25 && *v < FIELD[axis].high - 0.25)).expect("something in view")
        });
        // Only its size counts.
        let whole = [0, 1].map(|axis| Stretch { low: 1.6, high: 1.6 + size[axis] });
        way_of_boxes(Side::Part, seen, whole, FIELD, 0.8).map(|told| told.way)
    }

    #[test]
    fn a_pattern_of_which_an_end_is_seen_is_told_its_way_to_the_middle() {
        for middle in [[9.0, 1.0], [-10.0, -5.0], [3.0, 8.5], [-6.0, 0.3]] {
            let way = way_from(middle, [8.0, 8.0]).expect("a way");
            let off = [way.by_mm.x + middle[0], way.by_mm.y + middle[1]];
            assert!(off.iter().all(|o| o.abs() < 1e-9) && way.how_far == [HowFar::About; 2], "{middle:?}: {way:?}");
        }
    }

    #[test]
    fn a_pattern_that_is_longer_than_the_view_shows_an_end_either_way() {
        let way = way_from([0.4, 0.0], [24.0, 4.8]).expect("a way");
        assert!(way.how_far == [HowFar::EitherWay, HowFar::About], "{way:?}");
        // 31 rows of which 19 or 20 are seen.
        assert!((8.0..10.0).contains(&way.by_mm.x), "{way:?}");
        assert_eq!(words(&way), " Move the part up to 9 mm to the right or to the left, either will do.");
    }

    #[test]
    fn a_group_is_what_stands_a_pitch_apart_and_clutter_is_none_of_it() {
        let mut places: Vec<PointMm> = (0..4).map(|i| PointMm::new(0.8 * f64::from(i % 2), 0.8 * f64::from(i / 2))).collect();
        // Scattered about, two of them a pitch apart.
        places.extend([(3.0, 3.0), (3.3, 3.1), (3.8, 3.0), (-2.0, 5.0), (-2.5, 5.2)].map(|(x, y)| PointMm::new(x, y)));
        let group = largest_group(&places, 0.8);
        assert!(group.len() == 4 && group.iter().all(|p| p.x < 1.0 && p.y < 1.0 && p.y > -0.1), "{group:?}");
        assert!(largest_group(&places[4..], 0.8).is_empty());
    }

    #[test]
    fn something_in_the_midst_of_the_view_is_not_the_end_of_a_pattern() {
        let seen = [Stretch { low: -0.8, high: 0.8 }, Stretch { low: 0.0, high: 0.8 }];
        let whole = [Stretch { low: -4.0, high: 4.0 }; 2];
        assert_eq!(way_of_boxes(Side::Part, seen, whole, FIELD, 0.8), None);
    }

    #[test]
    fn a_pattern_in_the_middle_is_told_no_way() {
        assert_eq!(way_from([0.0, 0.05], [8.0, 8.0]), None);
    }

    #[test]
    fn ways_are_told_as_seen_by_whoever_stands_at_the_bench() {
        let way = Way { side: Side::Board, by_mm: PointMm::new(-3.2, 0.84), how_far: [HowFar::About; 2] };
        assert_eq!(words(&way), " Move the board about 3 mm to the left and about 0.8 mm away from you.");
    }
}
