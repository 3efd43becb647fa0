//! The check of the day: one target, seen once.

use super::Wanted;
use crate::date::Date;
use crate::day_check::{ViewCheck, check_view, registration_off};
use crate::history::{Entry, SCALE};
use crate::record::{Age, Record};
use crate::target::{AgreeError, FindError, Found, Target, agree, find_in_view, marks_edge_width_px};
use landfit_part::{PointMm, Side, wrap_angle_rad};
use landfit_vision::pose::PoseError;
use landfit_vision::view::Sight;
use landfit_vision::{Misfit, Optics, Picture};

/// Edges this much wider than when first noted are out of focus; a project choice.
const MOST_WIDENING: f64 = 1.35;
/// Registration may move by so much, mm, beside its stated uncertainty before it is called moved: a tenth of a fine part's allowance
/// (0.4 mm pitch: 0.05 mm), a project choice.
const REGISTRATION_SLACK_MM: f64 = 0.005;
/// A target against its stop may lie turned by so much, beside the uncertainty, before the view is called turned: 5 µm in 10 mm.
const ANGLE_SLACK_RAD: f64 = 5e-4;

/// What one view says.
#[derive(Debug, Clone)]
pub struct ViewHolds {
    /// Index into the bench's views.
    pub view: usize,
    /// Scale, and where the target lies.
    pub check: ViewCheck,
    /// Turn of the target in the bench frame by this view, radians, with its standard uncertainty.
    pub angle_rad: (f64, f64),
    /// The same when it was first noted against its stop; `None` without a stop or an earlier check.
    pub angle_before_rad: Option<f64>,
    /// Width of the marks' edges, px, where it can be read.
    pub edge_px: Option<f64>,
    /// The same when first noted.
    pub edge_before_px: Option<f64>,
}

impl ViewHolds {
    /// Whether the angle agrees with the first; `None` where there is none to compare with.
    #[must_use]
    pub fn angle_holds(&self) -> Option<bool> {
        let off = wrap_angle_rad(self.angle_rad.0 - self.angle_before_rad?);
        Some(off.abs() <= 2.0 * 2f64.sqrt() * self.angle_rad.1 + ANGLE_SLACK_RAD)
    }

    /// Whether the focus agrees with the first; `None` where there is none to compare with.
    #[must_use]
    pub fn focus_holds(&self) -> Option<bool> {
        Some(self.edge_px? <= MOST_WIDENING * self.edge_before_px?)
    }

    /// Whether all that could be checked holds.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.check.scale_holds() && self.angle_holds() != Some(false) && self.focus_holds() != Some(false)
    }
}

/// Part view against board view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegistrationHolds {
    /// Part less board where the target's middle lies: x, y in mm.
    pub off_mm: [f64; 2],
    /// And turned, radians.
    pub off_rad: f64,
    /// Standard uncertainty of the file's own registration, mm.
    pub u_mm: f64,
}

impl RegistrationHolds {
    /// Whether it still agrees with the file.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.off_mm[0].hypot(self.off_mm[1]) <= 2.0 * self.u_mm + REGISTRATION_SLACK_MM
    }
}

/// Views that could not be checked, with the reason.
pub type Unchecked = (usize, FindError);

/// What the check says.
#[derive(Debug, Clone)]
pub struct DayResult {
    /// Views that saw the target.
    pub views: Vec<ViewHolds>,
    /// Views that did not.
    pub unchecked: Vec<Unchecked>,
    /// `None` where the two sides did not see one and the same target: a picture of the board alone cannot show it.
    pub registration: Option<RegistrationHolds>,
    /// How old the calibration is.
    pub age: Option<Age>,
}

impl DayResult {
    /// Whether all that could be checked holds. A calibration that is due is another matter.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.views.iter().all(ViewHolds::holds) && self.registration.is_none_or(|r| r.holds())
    }

    /// What the bench's history keeps of it.
    #[must_use]
    pub fn figures(&self) -> Vec<(String, f64)> {
        let mut figures = Vec::new();
        for v in &self.views {
            figures.push((format!("view{}_scale_off", v.view), v.check.scale_off));
            if let Some(width) = v.edge_px {
                figures.push((edge_key(v.view), width));
            }
        }
        if let Some(r) = &self.registration {
            figures.extend([("registration_x_mm".to_owned(), r.off_mm[0]), ("registration_y_mm".to_owned(), r.off_mm[1])]);
        }
        figures
    }

    /// The angles, which the history keeps where the target lay against its stop.
    #[must_use]
    pub fn angle_figures(&self) -> Vec<(String, f64)> {
        self.views.iter().map(|v| (angle_key(v.view), v.angle_rad.0.to_degrees())).collect()
    }
}

fn edge_key(view: usize) -> String {
    format!("view{view}_edge_px")
}

fn angle_key(view: usize) -> String {
    format!("view{view}_seated_deg")
}

/// Where the target lies, as the person says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lies {
    /// Anywhere: its angle is told, and compared with nothing.
    Anywhere,
    /// Against the same stop each time: its angle is compared with the first that was noted so.
    AgainstItsStop,
}

/// Why there is no check.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DayError {
    /// Pictures that are no look of this bench.
    #[error(transparent)]
    Pictures(#[from] Misfit),
    /// Seen nowhere.
    #[error("the target was found in no view: {0}")]
    Nowhere(String),
    /// Which mark is which.
    #[error(transparent)]
    Agree(#[from] AgreeError),
    /// Marks that allow no pose.
    #[error(transparent)]
    Pose(#[from] PoseError),
    /// A view of the bench file.
    #[error("view {} of the bench file has a px_from_mm that cannot be inverted", .0 + 1)]
    Singular(usize),
}

/// Checks a bench against what is on record of it.
#[derive(Debug, Clone)]
pub struct DayStep<'a> {
    /// The bench as its file has it.
    pub optics: &'a Optics,
    /// What is known of it.
    pub record: &'a Record,
    /// Earlier checks are in it.
    pub history: &'a [Entry],
    /// Where the target lies.
    pub lies: Lies,
}

impl DayStep<'_> {
    /// What is wanted.
    #[must_use]
    pub fn next(&self) -> Wanted {
        Wanted::needed(match self.lies {
            Lies::Anywhere => "Lay the target where part view and board view both see it, and take a picture.",
            Lies::AgainstItsStop => "Lay the target against its stop, where part view and board view both see it, and take a picture.",
        })
    }

    /// Checks pictures of the bench's size, in the order of exposure. `target_of` is what the views of a side show; `is_common` says that
    /// both sides see one and the same target.
    ///
    /// # Errors
    /// See [`DayError`].
    pub fn check(
        &self,
        pictures: &[Picture],
        target_of: &dyn Fn(Side) -> Target,
        is_common: bool,
        today: Date,
    ) -> Result<DayResult, DayError> {
        let views = &self.optics.views;
        let pictures = self.optics.fitting(pictures)?;
        let (mut checked, mut unchecked) = (Vec::new(), Vec::new());
        let mut first: Option<(usize, Found)> = None;
        for (v, view) in views.iter().enumerate() {
            let mut found = match find_in_view(self.optics, v, &pictures[view.exposure], &target_of(view.shows)) {
                Ok(found) => found,
                Err(error) => {
                    unchecked.push((v, error));
                    continue;
                }
            };
            if let (true, Some((other, marks))) = (is_common, &first) {
                agree(self.optics, (v, &mut found), (*other, marks))?;
            }
            checked.push(self.view(v, &found, &pictures[view.exposure])?);
            first.get_or_insert((v, found));
        }
        let Some((_, marks)) = &first else {
            let words = |error: &FindError| error.to_string().trim_end_matches('.').to_owned();
            let reasons: Vec<String> = unchecked.iter().map(|(v, e)| format!("{} view: {}", views[*v].shows.word(), words(e))).collect();
            return Err(DayError::Nowhere(reasons.join("; ")));
        };
        let middle = marks.spots.iter().fold(PointMm::ZERO, |sum, s| sum + s.at_mm) * (1.0 / marks.spots.len().max(1) as f64);
        let registration = if is_common { self.registration(&checked, middle) } else { None };
        Ok(DayResult { views: checked, unchecked, registration, age: self.record.age(today) })
    }

    fn view(&self, view: usize, found: &Found, picture: &Picture) -> Result<ViewHolds, DayError> {
        let sight = Sight::new(&self.optics.views[view], self.optics.lens).ok_or(DayError::Singular(view))?;
        let known = self.record.view(view);
        let check = check_view(&found.spots, &sight, known.map_or(0.0, |k| k.scale_relative).hypot(self.record.ruler_relative()))?;
        let u_rad = check.fit.covariance[(2, 2)].max(0.0).sqrt().hypot(known.map_or(0.0, |k| k.angle_rad));
        let angle_before_rad = match self.lies {
            Lies::Anywhere => None,
            Lies::AgainstItsStop => self.first(&angle_key(view)).map(f64::to_radians),
        };
        Ok(ViewHolds {
            view,
            angle_rad: (check.fit.to_from.theta_rad, u_rad),
            angle_before_rad,
            check,
            edge_px: marks_edge_width_px(self.optics, view, picture, found),
            edge_before_px: self.first(&edge_key(view)),
        })
    }

    /// The first note of a figure since scale was calibrated last: what was noted before belongs to other views.
    fn first(&self, key: &str) -> Option<f64> {
        let since = self.history.iter().rposition(|e| e.what == SCALE).map_or(0, |calibrated| calibrated + 1);
        self.history[since..].iter().find_map(|e| e.figures.iter().find(|(k, _)| k == key).map(|f| f.1))
    }

    fn registration(&self, checked: &[ViewHolds], middle: PointMm) -> Option<RegistrationHolds> {
        let of = |side: Side| checked.iter().find(|c| self.optics.views[c.view].shows == side);
        let (part, board) = (of(Side::Part)?, of(Side::Board)?);
        let [x, y, off_rad] = registration_off(&part.check, &board.check, middle);
        let known = self.record.registrations.iter().find(|r| (r.part_view, r.board_view) == (part.view, board.view));
        let u_mm = known.map_or(0.0, |r| r.covariance[(0, 0)].max(r.covariance[(1, 1)]).max(0.0).sqrt());
        Some(RegistrationHolds { off_mm: [x, y], off_rad, u_mm })
    }
}
