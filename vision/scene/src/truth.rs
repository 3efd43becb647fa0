//! What a picture was made from, for those who judge an answer against it.

use crate::scene::{Blur, DefectKind, Noise, Scene, side_as_word};
use crate::sight::Sight;
use landfit_part::{PointMm, Pose, Side};
use serde::Serialize;

/// The truth of one rendered scene.
#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    /// Pose of the part in the board frame.
    pub offset: PoseTruth,
    /// Pose of the part in the bench frame.
    pub bench_from_part: PoseTruth,
    /// Pose of the land pattern in the bench frame.
    pub bench_from_board: PoseTruth,
    /// One for every site of the part that was rendered, in its order.
    pub terminals: Vec<SiteTruth>,
    /// One for every site of the board that was rendered, in its order.
    pub lands: Vec<SiteTruth>,
    /// How many terminals, present or not, lie wholly in some view.
    pub terminals_in_view: usize,
    /// How many lands do.
    pub lands_in_view: usize,
    /// What is wrong, site by site.
    pub defects: Vec<DefectTruth>,
    /// How each view was seen, in the optics' order.
    pub views: Vec<ViewTruth>,
    /// The sensor's noise; `None` where there is none.
    pub noise: Option<Noise>,
    /// The scene's seed.
    pub seed: u64,
}

/// A pose in the units of files.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PoseTruth {
    /// mm.
    pub x_mm: f64,
    /// mm.
    pub y_mm: f64,
    /// Counter-clockwise, degrees.
    pub theta_deg: f64,
}

/// Where one site's terminal or land truly is.
#[derive(Debug, Clone, Serialize)]
pub struct SiteTruth {
    /// The site's id.
    pub site: String,
    /// False where it is missing.
    pub present: bool,
    /// Where it lies in the bench frame, mm, its own placement error included.
    pub bench_mm: [f64; 2],
    /// Where the pattern's pose puts it, mm.
    pub lattice_mm: [f64; 2],
    /// Its size over the designed one.
    pub size_ratio: f64,
    /// Where each view of its side shows it; where a side has several views, only those whose region holds its centre.
    pub seen: Vec<SeenTruth>,
}

/// Where one view shows a site.
#[derive(Debug, Clone, Serialize)]
pub struct SeenTruth {
    /// Index of the view.
    pub view: usize,
    /// The picture of `bench_mm`, raw px (not the centroid of a tilted outline).
    pub centre_px: [f64; 2],
    /// Whether the whole outline lies inside region and picture.
    pub in_view: bool,
}

/// A defect and its site.
#[derive(Debug, Clone, Serialize)]
pub struct DefectTruth {
    /// The side that has it.
    #[serde(serialize_with = "side_as_word")]
    pub side: Side,
    /// The site's id.
    pub site: String,
    /// What is wrong.
    #[serde(flatten)]
    pub kind: DefectKind,
}

/// How one view was seen.
#[derive(Debug, Clone, Serialize)]
pub struct ViewTruth {
    /// The side that is seen.
    #[serde(serialize_with = "side_as_word")]
    pub shows: Side,
    /// The light's true tint.
    pub tint: [f64; 3],
    /// Factor on every brightness.
    pub gain: f64,
    /// The point-spread function.
    pub blur: Blur,
}

impl From<&Pose> for PoseTruth {
    fn from(pose: &Pose) -> Self {
        Self { x_mm: pose.x_mm, y_mm: pose.y_mm, theta_deg: pose.theta_rad.to_degrees() }
    }
}

impl Truth {
    /// The sites of one side.
    #[must_use]
    pub fn side(&self, side: Side) -> &[SiteTruth] {
        match side {
            Side::Part => &self.terminals,
            Side::Board => &self.lands,
        }
    }
}

/// One site's terminal or land as it is drawn for this scene: place and size after scatter and defects.
#[derive(Debug, Clone, Copy)]
pub(crate) struct DrawnSite {
    /// Where `at_mm` of the site comes to lie, side's frame.
    pub at_mm: PointMm,
    /// Size over the designed one.
    pub size_ratio: f64,
    /// Factor on its brightness.
    pub brightness: f64,
    /// Whether it is there.
    pub present: bool,
}

/// The truth of a scene whose sites were drawn as given.
pub(crate) fn truth_of(scene: &Scene, sights: &[Sight], terminals: &[DrawnSite], lands: &[DrawnSite]) -> Truth {
    let (terminals, lands) = (site_truths(scene, sights, Side::Part, terminals), site_truths(scene, sights, Side::Board, lands));
    let in_view = |sites: &[SiteTruth]| sites.iter().filter(|s| s.seen.iter().any(|v| v.in_view)).count();
    Truth {
        terminals_in_view: in_view(&terminals),
        lands_in_view: in_view(&lands),
        offset: PoseTruth::from(&scene.offset()),
        bench_from_part: PoseTruth::from(&scene.bench_from_part),
        bench_from_board: PoseTruth::from(&scene.bench_from_board),
        terminals,
        lands,
        defects: scene.defects.iter().map(|d| DefectTruth { side: d.side, site: d.site.clone(), kind: d.kind.clone() }).collect(),
        views: scene
            .optics
            .views
            .iter()
            .zip(&scene.lights)
            .map(|(v, l)| ViewTruth { shows: v.shows, tint: v.tint, gain: l.gain, blur: l.blur })
            .collect(),
        noise: scene.sensor.noise,
        seed: scene.seed,
    }
}

fn site_truths(scene: &Scene, sights: &[Sight], side: Side, drawn: &[DrawnSite]) -> Vec<SiteTruth> {
    let pose = scene.pose(side);
    let n_views = scene.optics.views.iter().filter(|v| v.shows == side).count();
    let sites = scene.pattern(side).sites.iter().zip(drawn).filter(|(site, _)| !site.pieces(side).is_empty());
    sites
        .map(|(site, drawn)| {
            let centre_mm = site.centre_mm(side);
            let bench = pose.apply(centre_mm + (drawn.at_mm - site.at_mm));
            let lattice = pose.apply(centre_mm);
            let reach_mm = drawn.size_ratio * site.pieces(side).iter().map(|p| reach_mm(&p.shape, p.shift_mm)).fold(0.0, f64::max);
            let views = scene.optics.views.iter().enumerate().zip(sights);
            let in_some_region = |centre: [f64; 2], sight: &Sight| n_views == 1 || sight.region_holds(centre, 0.0);
            let seen = views
                .filter(|((_, view), sight)| view.shows == side && in_some_region(sight.px(bench), sight))
                .map(|((view, _), sight)| {
                    let centre = sight.px(bench);
                    let reach_px = reach_mm * sight.px_per_mm(bench);
                    SeenTruth { view, centre_px: centre, in_view: sight.region_holds(centre, reach_px) }
                })
                .collect();
            SiteTruth {
                site: site.id.clone(),
                present: drawn.present,
                bench_mm: [bench.x, bench.y],
                lattice_mm: [lattice.x, lattice.y],
                size_ratio: drawn.size_ratio,
                seen,
            }
        })
        .collect()
}

fn reach_mm(shape: &landfit_part::Shape, shift_mm: PointMm) -> f64 {
    let [w, l] = shape.extent_mm();
    let half = if matches!(shape, landfit_part::Shape::Round { .. }) { w / 2.0 } else { w.hypot(l) / 2.0 };
    half + shift_mm.norm()
}
