//! What must hold between the values of a bench file.

use crate::bench::{Adjuster, Motion};
use landfit_part::strict_toml::{Field, Section};
use landfit_part::{FileError, PointMm, Side};
use landfit_vision::{Frame, Lens, PointPx, RegionPx, View};
use nalgebra::{Matrix2, Vector3};

/// Two directions closer than about a degree cannot be told apart by hands, and the turns that solve for them explode.
const LEAST_SINE: f64 = 0.02;

/// Two rotations about pivots closer than this are one rotation.
const LEAST_PIVOT_DISTANCE_MM: f64 = 0.1;

/// A view that squeezes one direction more than this against the other shows a line.
const LEAST_RATIO: f64 = 1e-3;

pub(super) fn no_view(root: &Section<'_>, what: &str, known: &[&str]) -> FileError {
    let mend = root.like("view", known).map_or_else(
        || "a bench needs a [[view]] that shows the part and one that shows the board".to_owned(),
        |(name, line)| format!("the table \"{name}\" in line {line} is not known: is view meant?"),
    );
    root.wrong_key("[[view]]", format!("is missing: there is {what}; {mend}"))
}

pub(super) fn both_sides_are_seen(root: &Section<'_>, views: &[View], known: &[&str]) -> Result<(), FileError> {
    for side in [Side::Part, Side::Board] {
        if !views.iter().any(|v| v.shows == side) {
            return Err(no_view(root, &format!("no view that shows the {}", side.word()), known));
        }
    }
    Ok(())
}

pub(super) fn exposures_have_no_gaps(sections: &[Section<'_>], views: &[View]) -> Result<(), FileError> {
    let count = 1 + views.iter().map(|v| v.exposure).max().unwrap_or(0);
    let Some(gap) = (0..count).find(|n| views.iter().all(|v| v.exposure != *n)) else { return Ok(()) };
    let after = sections.iter().zip(views).find(|(_, v)| v.exposure > gap);
    let error =
        |field: Field<'_>, found: usize| field.wrong(format!("is {found}, but no view has exposure {gap}; count from 0 without gaps"));
    Err(after
        .and_then(|(section, view)| section.get("exposure", "0").map(|field| error(field, view.exposure)))
        .unwrap_or_else(|| sections[0].wrong_key("exposure", format!("{gap} is missing"))))
}

/// The lens must carry larger radii to larger radii all over the picture, or it could not be undone.
pub(super) fn lens_does_not_fold(section: &Section<'_>, lens: &Lens, frame: &Frame) -> Result<(), FileError> {
    let [w, h] = frame.size_px.map(f64::from);
    let corners = [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)];
    let farthest = corners.iter().map(|(x, y)| (x - lens.centre_px.x).hypot(y - lens.centre_px.y)).fold(0.0, f64::max) / lens.norm_px;
    // The ideal radius that reaches the corner is larger where the lens pulls inwards; half as far again covers both.
    let steps = 200;
    let mut r = 0.0;
    for _ in 0..steps {
        r += 1.5 * farthest / f64::from(steps);
        let r2 = r * r;
        let slope = 1.0 + 3.0 * lens.k1 * r2 + 5.0 * lens.k2 * r2 * r2;
        let seen = r * (1.0 + lens.k1 * r2 + lens.k2 * r2 * r2);
        if slope <= 0.0 {
            let at_px = r * lens.norm_px;
            return Err(section.wrong_key(
                "k1",
                format!("and k2 fold the picture over {at_px:.0} px from the centre; look at their signs and at norm_px"),
            ));
        }
        if seen >= farthest {
            break;
        }
    }
    Ok(())
}

/// A view is usable when the plane that it shows fills its region: no horizon runs through it, and it is no line.
pub(super) fn px_from_mm_can_be_inverted(field: &Field<'_>, view: &View, frame: &Frame, lens: Option<&Lens>) -> Result<(), FileError> {
    let singular = |why: &str| field.wrong(format!("is singular: {why}; it maps bench mm to px, and must be invertible"));
    let whole = RegionPx { x: 0, y: 0, width: frame.size_px[0], height: frame.size_px[1] };
    let region = view.region_px.unwrap_or(whole);
    let [x, y, w, h] = [region.x, region.y, region.width, region.height].map(f64::from);
    let largest = view.px_from_mm.amax();
    if largest == 0.0 {
        return Err(singular("all nine numbers are zero"));
    }
    let inverse =
        view.px_from_mm.try_inverse().filter(|m| m.iter().all(|v| v.is_finite())).ok_or_else(|| singular("its determinant is zero"))?;
    let ideal = |px: f64, py: f64| {
        let seen = PointPx::new(px, py);
        let p = lens.map_or(seen, |l| l.ideal_from_seen(seen));
        inverse * Vector3::new(p.x, p.y, 1.0)
    };
    let corners = [ideal(x, y), ideal(x + w - 1.0, y), ideal(x, y + h - 1.0), ideal(x + w - 1.0, y + h - 1.0)];
    let middle = ideal(x + (w - 1.0) / 2.0, y + (h - 1.0) / 2.0);
    // All points of the region must lie on one side of the horizon, whose own w is zero.
    if middle.z == 0.0 || corners.iter().any(|c| c.z / middle.z < 1e-3) {
        return Err(singular("the horizon of its plane runs through the picture (look at its third row)"));
    }
    let (mx, my) = (middle.x / middle.z, middle.y / middle.z);
    let local = jacobian(&view.px_from_mm, mx, my);
    let sizes = local.svd(false, false).singular_values;
    let (most, least) = (sizes.max(), sizes.min());
    if !(least.is_finite() && least > LEAST_RATIO * most) {
        return Err(singular("it squeezes the plane to a line"));
    }
    if !(1e-2..=1e5).contains(&most) {
        return Err(field.wrong(format!("makes 1 mm {most:.3e} px long, which no camera does; its unit is px per mm")));
    }
    Ok(())
}

/// d(px)/d(mm) of a homography.
fn jacobian(h: &nalgebra::Matrix3<f64>, x: f64, y: f64) -> Matrix2<f64> {
    let v = h * Vector3::new(x, y, 1.0);
    let row = |r: usize, c: usize| (h[(r, c)] * v.z - v[r] * h[(2, c)]) / (v.z * v.z);
    Matrix2::new(row(0, 0), row(0, 1), row(1, 0), row(1, 1))
}

pub(super) fn moves(field: &Field<'_>, amount: f64) -> Result<(), FileError> {
    if amount < 1e-6 {
        return Err(field.wrong("moves nothing: one clockwise turn must do something; leave the adjuster out if it does not"));
    }
    Ok(())
}

pub(super) fn names_are_unique(sections: &[Section<'_>], adjusters: &[Adjuster]) -> Result<(), FileError> {
    for (i, (section, adjuster)) in sections.iter().zip(adjusters).enumerate() {
        if let Some(first) = adjusters[..i].iter().position(|a| a.name == adjuster.name) {
            let what = format!(
                "is \"{}\" a second time (first in the table of line {}); every adjuster needs a name of its own",
                adjuster.name,
                sections[first].line()
            );
            return Err(section.get("name", "").map_or_else(|| section.wrong_key("name", what.clone()), |f| f.wrong(what.clone())));
        }
    }
    Ok(())
}

pub(super) fn carriers_exist(sections: &[Section<'_>], adjusters: &[Adjuster]) -> Result<(), FileError> {
    let index = |name: &str| adjusters.iter().position(|a| a.name == name);
    for (section, adjuster) in sections.iter().zip(adjusters) {
        let Some(carrier) = &adjuster.rides_on else { continue };
        let wrong = |what: String| {
            section.get("rides_on", "").map_or_else(|| section.wrong_key("rides_on", what.clone()), |f| f.wrong(what.clone()))
        };
        let Some(mut under) = index(carrier) else {
            let names: Vec<&str> = adjusters.iter().filter(|a| a.name != adjuster.name).map(|a| a.name.as_str()).collect();
            return Err(wrong(format!("is \"{carrier}\", and there is no such adjuster; the others are {}", names.join(", "))));
        };
        if adjusters[under].carries != adjuster.carries {
            let (own, other) = (adjuster.carries.word(), adjusters[under].carries.word());
            return Err(wrong(format!("is \"{carrier}\", which carries the {other}, while {} carries the {own}", adjuster.name)));
        }
        for _ in 0..=adjusters.len() {
            if adjusters[under].name == adjuster.name {
                return Err(wrong(format!("is \"{carrier}\", so that {} would ride on itself", adjuster.name)));
            }
            match adjusters[under].rides_on.as_deref().and_then(index) {
                Some(next) => under = next,
                None => break,
            }
        }
    }
    Ok(())
}

/// What an adjuster adds to what the others can do: a rotation, or else a way along a direction.
#[derive(Clone, Copy)]
struct Direction<'a> {
    name: &'a str,
    along: PointMm,
}

/// Refuses adjusters one of which does what the others together do, while some way to go is left that none of them goes.
///
/// A second rotation differs from the first by a shift, square to the line between the pivots; so after the first
/// rotation all that counts is directions in the plane, of which there are two at most. Tilts are a plane of their own.
/// Where adjusters reach every way, more of them are welcome: a coarse and a fine screw, or screws under both sides.
pub(super) fn directions_are_independent(sections: &[Section<'_>], adjusters: &[Adjuster]) -> Result<(), FileError> {
    let mut first_rotation: Option<(&str, PointMm)> = None;
    let (mut shifts, mut tilts) = (Ways::default(), Ways::default());
    for (section, adjuster) in sections.iter().zip(adjusters) {
        let name = adjuster.name.as_str();
        let depends = |what: String| {
            let what = format!("of {name} depends on {what}");
            section.get("turn", "").map_or_else(|| section.wrong_key("turn", what.clone()), |f| f.wrong(what.clone()))
        };
        let (ways, along) = match adjuster.turn {
            Motion::Shift { step_mm } => (&mut shifts, step_mm * (1.0 / step_mm.norm())),
            Motion::Tilt { step_rad: [x, y] } => (&mut tilts, PointMm::new(x, y) * (1.0 / x.hypot(y))),
            Motion::Rotation { pivot_mm, .. } => match first_rotation {
                None => {
                    first_rotation = Some((name, pivot_mm));
                    shifts.adjusters += 1;
                    continue;
                }
                Some((other, other_pivot_mm)) => {
                    let apart = pivot_mm - other_pivot_mm;
                    if apart.norm() < LEAST_PIVOT_DISTANCE_MM {
                        shifts.adjusters += 1;
                        let what = format!("{other}: both turn about the same pivot; leave one of them out");
                        shifts.first_error.get_or_insert_with(|| depends(what));
                        continue;
                    }
                    (&mut shifts, PointMm::new(-apart.y, apart.x) * (1.0 / apart.norm()))
                }
            },
        };
        ways.adjusters += 1;
        if let Some(other) = ways.list.iter().find(|d| (d.along.x * along.y - d.along.y * along.x).abs() < LEAST_SINE) {
            let what = format!("{}: both go the same way; leave one of them out or mend its direction", other.name);
            ways.first_error.get_or_insert_with(|| depends(what));
            continue;
        }
        if let [a, b, ..] = ways.list[..] {
            let what = format!("{} and {}: together they already do all that it does; leave one of them out", a.name, b.name);
            ways.first_error.get_or_insert_with(|| depends(what));
        }
        ways.list.push(Direction { name, along });
    }
    let turns = usize::from(first_rotation.is_some());
    for (ways, reached, most) in [(&mut shifts, turns, 3), (&mut tilts, 0, 2)] {
        if ways.list.len().min(2) + reached < ways.adjusters.min(most)
            && let Some(error) = ways.first_error.take()
        {
            return Err(error);
        }
    }
    Ok(())
}

/// The adjusters of one plane: how many, their directions, and the first that adds none.
#[derive(Default)]
struct Ways<'a> {
    adjusters: usize,
    list: Vec<Direction<'a>>,
    first_error: Option<FileError>,
}
