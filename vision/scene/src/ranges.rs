//! The ranges that random scenes are drawn from: one data file, embedded.

use crate::scene::SceneError;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use serde::Deserialize;
use std::sync::OnceLock;

/// Least and most of an even distribution.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
pub(crate) struct Span([f64; 2]);

impl Span {
    /// A value from the span.
    pub fn draw(self, rng: &mut ChaCha8Rng) -> f64 {
        let [least, most] = self.0;
        least + (most - least) * rng.random::<f64>()
    }

    /// A whole number from the span, both ends included.
    pub fn draw_count(self, rng: &mut ChaCha8Rng) -> usize {
        let [least, most] = self.0.map(|v| v.max(0.0) as usize);
        rng.random_range(least..=most.max(least))
    }
}

/// All of `data/ranges.toml`; the file's comments give units and origin.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ranges {
    pub(crate) camera: Camera,
    pub(crate) light: LightRanges,
    pub(crate) pattern: Pattern,
    pub(crate) pose: PoseRanges,
    pub(crate) terminal: Terminal,
    pub(crate) land: Land,
    pub(crate) clutter: ClutterRanges,
    pub(crate) defects: Defects,
    pub(crate) kinds: Kinds,
    pub(crate) terminals: TerminalRanges,
    pub(crate) arrangements: crate::kinds::arrangements::ArrangementRanges,
    pub(crate) ugly: crate::kinds::ugly::UglyRanges,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Camera {
    pub size_px: [u32; 2],
    pub um_per_px: Span,
    pub squeeze: Span,
    pub turn_deg: Span,
    pub quarter_turn_share: f64,
    pub centre_px: Span,
    pub registration_px: Span,
    pub registration_deg: Span,
    pub registration_scale: Span,
    pub blur_px: Span,
    pub blur_ratio: Span,
    pub vignetting: Span,
    pub stray: Span,
    pub full_well_e: f64,
    pub read_noise_e: f64,
    pub peak: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LightRanges {
    pub gradient: Span,
    pub crosstalk: Span,
    pub tint_error: f64,
    pub tint_strength: Span,
    pub pairs: Vec<LightPair>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LightPair {
    pub part: [f64; 3],
    pub board: [f64; 3],
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Pattern {
    pub rows: Span,
    pub columns: Span,
    pub edge_px: f64,
    pub body_margin_mm: Span,
    pub body_off_mm: Span,
    pub terminal_size: Span,
    pub land_size: Span,
    pub full_share: f64,
    pub ring_share: f64,
    pub corner_share: f64,
    pub sizes: Vec<Sizes>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Sizes {
    pub pitch_mm: f64,
    pub ball_mm: Span,
    pub land_mm: Span,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PoseRanges {
    pub board_mm: Span,
    pub board_deg: Span,
    pub offset_pitches: Span,
    pub offset_deg: Span,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Terminal {
    pub ring_share: f64,
    pub ring_spot_share: f64,
    pub disc_share: f64,
    pub contrast: Span,
    pub body: Span,
    pub dark_face: Span,
    pub face: Span,
    pub face_fall: Span,
    pub ring_radius: Span,
    pub ring_width: Span,
    pub ring_soft: Span,
    pub spot_radius: Span,
    pub spot_share_of_ring: Span,
    pub spot_off: Span,
    pub uneven: Span,
    pub uneven_second: Span,
    pub drift_rad_per_mm: Span,
    pub brightness_scatter: Span,
    pub size_scatter: Span,
    pub place_scatter_mm: Span,
    pub residue: Span,
    pub grain: Span,
    pub grain_mm: Span,
    pub mottle: Span,
    pub mottle_mm: Span,
    pub surround: Span,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Land {
    pub contrast: Span,
    pub mask: Span,
    pub tin_share: f64,
    pub tin_fall: Span,
    pub flat_fall: Span,
    pub highlight_gain: Span,
    pub highlight_off: Span,
    pub highlight_sigma: Span,
    pub open_share: f64,
    pub gap_mm: Span,
    pub gap: Span,
    pub opening_shift_mm: Span,
    pub brightness_scatter: Span,
    pub size_scatter: Span,
    pub place_scatter_mm: Span,
    pub grain: Span,
    pub grain_mm: Span,
    pub mottle: Span,
    pub mottle_mm: Span,
    pub weave: Span,
    pub weave_pitch_mm: Span,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ClutterRanges {
    pub trace_share: Span,
    pub trace_mm: Span,
    pub trace_gain: Span,
    pub via_pad_mm: Span,
    pub via_hole_mm: Span,
    pub printing: Span,
    pub printing_mm: Span,
    pub stain_gain: Span,
    pub stain_mm: Span,
    pub stain_soft_mm: Span,
    pub dust_mm: Span,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Defects {
    pub missing: Span,
    pub bridged: Span,
    pub small: Span,
    pub large: Span,
    pub displaced: Span,
    pub land_missing: Span,
    pub land_bridged: Span,
    pub hidden: Span,
    pub bridge_width: Span,
    pub small_ratio: Span,
    pub large_ratio: Span,
    pub displaced_pitches: Span,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Kinds {
    pub low_light: f64,
    pub uneven: f64,
    /// Softest edge of a ring in good light, of the radius.
    pub sharp_ring: f64,
    pub far_pitches: Span,
    pub far_deg: Span,
    pub far_cut_share: f64,
    pub far_cut_pitches: Span,
    pub smear_pitches: Span,
    pub motion_pitches: Span,
    pub blank_grey: Span,
    pub vias_stains: Span,
}

/// Leads and pads.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TerminalRanges {
    pub leads_along: Span,
    pub pads_along: Span,
    pub foot_length_mm: Span,
    pub land_longer_mm: Span,
    pub lead_reach_mm: Span,
    pub pad_width_mm: Span,
    pub pad_length_mm: Span,
    pub pad_toe_mm: Span,
    pub terminal_wider_mm: Span,
    pub terminal_longer_mm: Span,
    pub land_wider_mm: Span,
    pub shank: Span,
    pub offset_pitches: Span,
    pub leads: Vec<LeadSizes>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LeadSizes {
    pub pitch_mm: f64,
    pub foot_mm: Span,
    pub land_mm: Span,
}

impl TerminalRanges {
    /// The sizes of the pitch nearest to the given one; the file has at least one.
    pub fn at(&self, pitch_mm: f64) -> &LeadSizes {
        let off = |s: &LeadSizes| (s.pitch_mm - pitch_mm).abs();
        let nearest = (0..self.leads.len()).min_by(|a, b| off(&self.leads[*a]).total_cmp(&off(&self.leads[*b])));
        &self.leads[nearest.unwrap_or(0)]
    }
}

/// The embedded ranges.
///
/// # Errors
/// [`SceneError::Ranges`] when the embedded file does not parse; a test makes sure that it does.
pub fn reference_ranges() -> Result<&'static Ranges, SceneError> {
    static RANGES: OnceLock<Result<Ranges, String>> = OnceLock::new();
    let parsed = RANGES.get_or_init(|| toml_edit::de::from_str(include_str!("../data/ranges.toml")).map_err(|e| e.to_string()));
    parsed.as_ref().map_err(|e| SceneError::Ranges(e.clone()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_ranges_parse_and_hold_the_reference_scene() {
        let ranges = reference_ranges().unwrap();
        assert_eq!(ranges.camera.size_px, [1280, 960]);
        assert_eq!(ranges.camera.um_per_px, Span([10.0, 14.0]));
        assert_eq!(ranges.camera.blur_px, Span([0.8, 1.5]));
        assert_eq!((ranges.camera.full_well_e, ranges.camera.read_noise_e), (10_000.0, 8.0));
        assert_eq!(ranges.terminal.contrast, Span([0.25, 0.60]));
        assert_eq!(ranges.land.contrast, Span([0.20, 0.50]));
        assert_eq!(ranges.light.crosstalk, Span([0.05, 0.20]));
    }
}
