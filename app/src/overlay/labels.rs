//! Labels over an exposure: each finds a free place beside its site, or is left out.

use super::canvas::{Area, Ends, Ink, Pen, Surface, Xy};
use super::ink;
use super::outline::Drawn;
use super::text::{Faces, Type};

/// A text that belongs to a place of the picture.
#[derive(Debug, Clone)]
pub struct Label {
    text: String,
    at: Xy,
    reach_px: f32,
    kind: Kind,
    /// What other labels keep clear of.
    clear: Area,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// What stands in the way at a site.
    InTheWay,
    /// Where counting begins.
    Corner,
    /// The site with the largest miss.
    Worst,
    /// A site whose miss has reached the allowance: told only where there is plenty of room.
    Loud,
}

impl Label {
    pub fn site(site: &Drawn, text: String) -> Self {
        Self::about(site, text, Kind::InTheWay)
    }

    /// Of a place marked by a bracket that no label may cover.
    pub const fn beyond(at: Xy, reach_px: f32, bracket: Area, text: String) -> Self {
        Self { text, at, reach_px, kind: Kind::Corner, clear: bracket }
    }

    pub fn worst(site: &Drawn, text: String) -> Self {
        Self::about(site, text, Kind::Worst)
    }

    pub fn loud(site: &Drawn, text: String) -> Self {
        Self::about(site, text, Kind::Loud)
    }

    /// What is told of a site hides none of the site itself.
    fn about(site: &Drawn, text: String, kind: Kind) -> Self {
        let clear = Area::new(site.centre.x, site.centre.y, 0.0, 0.0).grown(0.7 * site.reach_px);
        Self { text, at: site.centre, reach_px: site.reach_px, kind, clear }
    }

    const fn ink(&self) -> Ink {
        match self.kind {
            Kind::InTheWay => ink::IN_THE_WAY,
            Kind::Corner => ink::PAPER,
            Kind::Worst | Kind::Loud => ink::MISS,
        }
    }
}

/// Finds places for the labels, the worst site's first, and draws them; each covers as few of `sites` as it can. Returns the plates with their texts.
pub fn draw(canvas: &mut impl Surface, faces: &Faces, size_px: f32, mut labels: Vec<Label>, sites: &[Area]) -> Vec<(Area, String)> {
    let rank = |l: &Label| match l.kind {
        Kind::Worst => 0,
        Kind::Corner => 1,
        Kind::InTheWay => 2,
        Kind::Loud => 3,
    };
    labels.sort_by_key(rank);
    let keep_clear: Vec<Area> = labels.iter().filter(|l| l.kind != Kind::Loud).map(|l| l.clear).collect();
    let mut placed: Vec<(Area, String)> = Vec::new();
    for label in labels {
        let mut look = Type::text(size_px, ink::PAPER);
        if label.kind == Kind::Worst {
            look.size_px *= 1.2;
        }
        let (w, h) = (faces.width_px(look, &label.text) + 0.9 * look.size_px, 1.45 * look.size_px);
        let free = |plate: &Area| {
            canvas.area().holds(plate)
                && placed.iter().all(|(other, _)| !plate.overlaps(&other.grown(0.15 * look.size_px)))
                && keep_clear.iter().all(|other| !plate.overlaps(other))
        };
        // The nearest place that covers no site; where there is none, one that covers the fewest.
        let covered = |plate: &Area| sites.iter().filter(|s| s.overlaps(&plate.grown(0.1 * look.size_px))).count();
        let (steps, most_covered) = if label.kind == Kind::Loud { (LOUD_STEPS, 0) } else { (FARTHEST_STEPS, usize::MAX) };
        let best = places(&label, steps, [w, h], 0.35 * look.size_px)
            .filter(|place| free(&place.plate))
            .map(|place| (covered(&place.plate), place))
            .filter(|(covered, _)| *covered <= most_covered)
            .min_by_key(|(covered, _)| *covered);
        let Some((_, Place { plate, leader })) = best else { continue };
        if let Some((from, to)) = leader {
            canvas.line(from, to, Pen::new(ink::SHADE.covering(0.7), 0.22 * size_px));
            canvas.line(from, to, Pen::new(label.ink(), 0.09 * size_px));
        }
        canvas.fill_area(&plate, ink::SHADE.covering(0.86));
        canvas.polyline(&plate.corners(), Ends::Closed, Pen::new(label.ink(), 0.09 * size_px));
        canvas.text(faces, look, Xy::new(plate.x + 0.45 * look.size_px, plate.centre().y), &label.text);
        placed.push((plate, label.text));
    }
    placed
}

/// The ways from a site to its label, right and down positive.
const WAYS: [(f32, f32); 8] = [(1.0, 0.0), (-1.0, 0.0), (0.0, -1.0), (0.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];

/// So many steps of six tenths of its height a plate may stand away from its site.
const FARTHEST_STEPS: usize = 60;

/// The same for a label that is only told where there is room.
const LOUD_STEPS: usize = 8;

/// Where a plate may stand.
struct Place {
    plate: Area,
    /// From the site's edge to the plate, where they do not touch.
    leader: Option<(Xy, Xy)>,
}

/// Where a plate of `w` x `h` may stand, the best first: beside the site, then step by step farther off with a leader.
fn places(label: &Label, steps: usize, [w, h]: [f32; 2], gap: f32) -> impl Iterator<Item = Place> {
    let all = (0..steps).flat_map(|step| WAYS.map(|way| (step, way)));
    all.map(move |(step, (x, y))| {
        let diagonal = if x != 0.0 && y != 0.0 { 0.75 } else { 1.0 };
        let edge = label.reach_px * diagonal;
        let reach = edge + gap + 0.6 * step as f32 * h;
        let near = label.at.by(x * reach, y * reach);
        let plate = Area::new(near.x + (x - 1.0) / 2.0 * w, near.y + (y - 1.0) / 2.0 * h, w, h);
        Place { plate, leader: (step > 0).then_some((label.at.by(x * edge, y * edge), near)) }
    })
}
