//! From picture files to the marks of a target in the views of a bench.

use super::bench_edit::BenchEdit;
use crate::pictures;
use anyhow::{Context, bail};
use landfit_calibration::target::{self, Found, Nominal, Target};
use landfit_part::Side;
use landfit_vision::plane::region_of;
use landfit_vision::view::Sight;
use landfit_vision::{Picture, RegionPx};
use std::path::{Path, PathBuf};

/// Which target it is.
#[derive(clap::Args)]
#[command(next_help_heading = "Target (one of them)")]
pub struct TargetFlags {
    /// Dots in rows and columns, MM apart
    #[arg(long, value_name = "MM", group = "target")]
    dots: Option<f64>,
    /// Dots MM apart in a row, every other row moved by half of that; rows half of it apart (see --row)
    #[arg(long, value_name = "MM", group = "target")]
    staggered: Option<f64>,
    /// Distance of the rows of --staggered, mm
    #[arg(long, value_name = "MM", requires = "staggered")]
    row: Option<f64>,
    /// A checkerboard with squares of MM
    #[arg(long, value_name = "MM", group = "target")]
    checkerboard: Option<f64>,
    /// A part file: each view shows its own side of it, whose pitch is the ruler
    #[arg(long, value_name = "PART.toml", group = "target")]
    part: Option<PathBuf>,
    /// Both sides' views show the same thing, this side of the part
    #[arg(long, value_name = "SIDE", requires = "part")]
    both_show: Option<SideArg>,
}

/// A side, as an argument.
#[derive(Clone, Copy, clap::ValueEnum)]
pub enum SideArg {
    Part,
    Board,
}

impl From<SideArg> for Side {
    fn from(arg: SideArg) -> Self {
        match arg {
            SideArg::Part => Self::Part,
            SideArg::Board => Self::Board,
        }
    }
}

impl TargetFlags {
    /// The target, and whether both sides' views show the same one.
    pub fn read(&self) -> anyhow::Result<Asked> {
        let length = |option: &str, mm: f64| {
            if (0.01..=1000.0).contains(&mm) { Ok(mm) } else { bail!("{option} {mm}: write a length in mm, from 0.01 to 1000") }
        };
        if let Some(path) = &self.part {
            let part = landfit_part::file::read(path)?;
            return Ok(Asked::pattern(part, self.both_show.map(Side::from)));
        }
        let target = match (self.dots, self.staggered, self.checkerboard) {
            (Some(mm), _, _) => Target::square(length("--dots", mm)?),
            (_, Some(mm), _) => Target::staggered(length("--staggered", mm)?, length("--row", self.row.unwrap_or(mm / 2.0))?),
            (_, _, Some(mm)) => Target::Checkerboard { square_mm: length("--checkerboard", mm)? },
            _ => bail!("which target is it? Give one of --dots MM, --staggered MM, --checkerboard MM, --part PART.toml"),
        };
        Ok(Asked::plain(target))
    }

    /// The part whose pattern is the target, where it is one.
    pub fn part(&self) -> anyhow::Result<Option<landfit_part::Part>> {
        Ok(self.part.as_deref().map(landfit_part::file::read).transpose()?)
    }

    /// What the ruler is called when nobody named it.
    pub fn usual_ruler(&self) -> String {
        if self.part.is_some() { "the pattern's own pitch".to_owned() } else { "a target of unnamed origin".to_owned() }
    }
}

/// The target that was asked for.
#[derive(Clone)]
pub struct Asked {
    target: AskedTarget,
}

#[derive(Clone)]
enum AskedTarget {
    Plain(Target),
    Part { part: Box<landfit_part::Part>, both: Option<Side> },
}

impl Asked {
    /// A target that both sides' views show.
    pub const fn plain(target: Target) -> Self {
        Self { target: AskedTarget::Plain(target) }
    }

    /// A part's own pattern; `both`: every view shows this side of it.
    pub fn pattern(part: landfit_part::Part, both: Option<Side>) -> Self {
        Self { target: AskedTarget::Part { part: Box::new(part), both } }
    }

    /// The target as views of this side show it.
    pub fn of(&self, side: Side) -> Target {
        match &self.target {
            AskedTarget::Plain(target) => target.clone(),
            AskedTarget::Part { part, both } => Target::Pattern { part: part.clone(), side: both.unwrap_or(side) },
        }
    }

    /// Whether part views and board views show one and the same thing.
    pub const fn is_common(&self) -> bool {
        matches!(&self.target, AskedTarget::Plain(_) | AskedTarget::Part { both: Some(_), .. })
    }
}

/// The region of a view.
pub fn region(edit: &BenchEdit, view: usize) -> RegionPx {
    region_of(&edit.bench.optics.views[view], &edit.bench.optics.frame)
}

/// The way between px and mm of a view as the bench file has it.
pub fn sight(edit: &BenchEdit, view: usize) -> anyhow::Result<Sight> {
    let optics = &edit.bench.optics;
    Sight::new(&optics.views[view], optics.lens).with_context(|| format!("view {} has a px_from_mm that cannot be inverted", view + 1))
}

/// Reads pictures of the bench's size.
pub fn read(edit: &BenchEdit, paths: &[PathBuf]) -> anyhow::Result<Vec<Picture>> {
    paths
        .iter()
        .map(|path| {
            let picture = pictures::read(path)?;
            edit.check_size(path, &picture)?;
            Ok(picture)
        })
        .collect()
}

/// Finds the target in one view's picture; places are raw px of the whole picture. Refused where it speaks of another scale than
/// `nominal`, or than the bench file.
pub fn find_in_view(
    edit: &BenchEdit,
    view: usize,
    path: &Path,
    picture: &Picture,
    target: &Target,
    nominal: Option<Nominal>,
) -> anyhow::Result<Found> {
    found_in_view(edit, view, picture, target, nominal).with_context(|| path.display().to_string())
}

/// See [`find_in_view`]: in a picture that is no file.
pub fn found_in_view(edit: &BenchEdit, view: usize, picture: &Picture, target: &Target, nominal: Option<Nominal>) -> anyhow::Result<Found> {
    let optics = &edit.bench.optics;
    let nominal = nominal.or_else(|| Nominal::of_view(optics, &edit.record, view));
    target::find_in_view(optics, view, picture, target)
        .and_then(|found| nominal.map_or(Ok(()), |nominal| nominal.check(&found)).map(|()| found))
        .with_context(|| format!("in the {} view", optics.views[view].shows.word()))
}
