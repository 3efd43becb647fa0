//! Colours, type and sizes. The accents are those of Okabe and Ito (2008); none is the only carrier of a meaning.

use crate::overlay::canvas::Ink;
use crate::settings::Ground;
use eframe::egui::{self, Color32, CornerRadius, FontFamily, FontId, Margin, Stroke, TextStyle, Theme, Vec2, Visuals};

/// The colours on one ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette {
    /// The window.
    pub ground: Color32,
    /// Blocks on it.
    pub raised: Color32,
    /// Controls.
    pub control: Color32,
    /// A control under the pointer.
    pub control_hot: Color32,
    /// Lines that only order.
    pub faint: Color32,
    /// Text that is read first.
    pub text: Color32,
    /// All other text.
    pub quiet: Color32,
    /// The one thing to turn now.
    pub accent: Color32,
    /// Text on the accent.
    pub on_accent: Color32,
    /// What stands in the way, as a mark beside its words.
    pub mind: Color32,
    /// Terminals in drawings.
    pub terminal: Color32,
    /// Lands in drawings.
    pub land: Color32,
}

/// On quiet dark grey.
pub const DARK: Palette = Palette {
    ground: Color32::from_rgb(0x17, 0x19, 0x1C),
    raised: Color32::from_rgb(0x1F, 0x22, 0x26),
    control: Color32::from_rgb(0x2B, 0x2F, 0x34),
    control_hot: Color32::from_rgb(0x3A, 0x3F, 0x46),
    faint: Color32::from_rgb(0x45, 0x49, 0x4F),
    text: Color32::from_rgb(0xF2, 0xEF, 0xE6),
    quiet: Color32::from_rgb(0xB0, 0xAF, 0xA8),
    accent: Color32::from_rgb(0xF0, 0xE4, 0x42),
    on_accent: Color32::from_rgb(0x17, 0x19, 0x1C),
    mind: Color32::from_rgb(0xCC, 0x79, 0xA7),
    terminal: Color32::from_rgb(0x56, 0xB4, 0xE9),
    land: Color32::from_rgb(0xE6, 0x9F, 0x00),
};

/// On paper.
pub const LIGHT: Palette = Palette {
    ground: Color32::from_rgb(0xF6, 0xF4, 0xEE),
    raised: Color32::from_rgb(0xEA, 0xE8, 0xE1),
    control: Color32::from_rgb(0xDD, 0xDA, 0xD1),
    control_hot: Color32::from_rgb(0xCF, 0xCB, 0xC0),
    faint: Color32::from_rgb(0xB4, 0xB1, 0xA8),
    text: Color32::from_rgb(0x1A, 0x1C, 0x1F),
    quiet: Color32::from_rgb(0x48, 0x4B, 0x4F),
    accent: Color32::from_rgb(0x00, 0x60, 0x9A),
    on_accent: Color32::from_rgb(0xFF, 0xFF, 0xFF),
    mind: Color32::from_rgb(0x9C, 0x3F, 0x74),
    terminal: Color32::from_rgb(0x00, 0x72, 0xB2),
    land: Color32::from_rgb(0xA3, 0x5F, 0x00),
};

/// The palette of a ground.
#[must_use]
pub const fn palette(ground: Ground) -> Palette {
    match ground {
        Ground::Dark => DARK,
        Ground::Light => LIGHT,
    }
}

/// The palette that a page is drawn in.
#[must_use]
pub fn of(ui: &egui::Ui) -> Palette {
    if ui.visuals().dark_mode { DARK } else { LIGHT }
}

/// The ordinary window, points; a larger one is the same, larger.
const ORDINARY: Vec2 = Vec2::new(1280.0, 720.0);

/// How much larger everything is drawn in a window of `size` (native points) with text of `percent`.
#[must_use]
pub fn zoom(size: Vec2, text_percent: u32) -> f32 {
    let grown = (size.x / ORDINARY.x).min(size.y / ORDINARY.y).clamp(0.75, 4.0);
    // Text below its ordinary size would be too small from a metre away: a small window scrolls.
    grown.max(1.0) * text_percent as f32 / 100.0
}

/// Least side of what is touched, screen px: 54 is about 15 mm on a 24-inch full-HD screen, a gloved fingertip.
pub const TOUCH_PX: f32 = 54.0;

/// Least height of a control, points.
#[must_use]
pub fn touch(ctx: &egui::Context) -> f32 {
    (TOUCH_PX / ctx.pixels_per_point()).clamp(36.0, TOUCH_PX)
}

/// A field for one line of text, at least as high as any control. It is told from others by its name: what comes and goes above it (a list
/// of cameras that was looked for) does not take the focus from under who types.
pub fn text_line<'a>(ui: &egui::Ui, name: &str, text: &'a mut String, width: f32) -> egui::TextEdit<'a> {
    egui::TextEdit::singleline(text)
        .id(egui::Id::unique(("line of text", name)))
        .desired_width(width)
        .align(egui::Align2::LEFT_CENTER)
        .min_size(Vec2::new(0.0, touch(ui.ctx())))
}

/// Size of the next move's digits, points of the em: 0.7 of it is their height, so that they are 49 px high on full HD (zoom 1.5).
pub const DIGITS: f32 = 47.0;
/// Sizes of type, points.
pub const HEADLINE: f32 = 27.0;
pub const BODY: f32 = 17.0;
pub const SMALL: f32 = 14.5;

/// Sets type, colours and sizes.
pub fn set(ctx: &egui::Context, ground: Ground) {
    let theme = if ground == Ground::Dark { Theme::Dark } else { Theme::Light };
    ctx.set_theme(theme);
    let p = palette(ground);
    let touch = touch(ctx);
    ctx.style_mut_of(theme, |style| {
        style.text_styles = [(TextStyle::Small, SMALL), (TextStyle::Body, BODY), (TextStyle::Button, BODY), (TextStyle::Heading, HEADLINE)]
            .into_iter()
            .map(|(name, size)| (name, FontId::new(size, FontFamily::Proportional)))
            .chain([(TextStyle::Monospace, FontId::new(BODY, FontFamily::Monospace))])
            .collect();
        style.spacing.interact_size = Vec2::new(touch, touch);
        style.spacing.button_padding = Vec2::new(14.0, 6.0);
        style.spacing.item_spacing = Vec2::new(10.0, 8.0);
        style.spacing.icon_width = 22.0;
        style.spacing.icon_width_inner = 13.0;
        // Nothing glides or fades: what changes is there at once.
        style.animation_time = 0.0;
        style.visuals = visuals(p, ground);
    });
    ctx.options_mut(|o| o.zoom_with_keyboard = false);
}

fn visuals(p: Palette, ground: Ground) -> Visuals {
    let mut v = if ground == Ground::Dark { Visuals::dark() } else { Visuals::light() };
    v.panel_fill = p.ground;
    v.window_fill = p.raised;
    v.extreme_bg_color = p.ground;
    v.text_edit_bg_color = Some(if ground == Ground::Dark { Color32::from_rgb(0x10, 0x11, 0x13) } else { Color32::WHITE });
    v.faint_bg_color = p.raised;
    v.override_text_color = None;
    v.weak_text_color = Some(p.quiet);
    v.warn_fg_color = p.text;
    v.error_fg_color = p.text;
    v.hyperlink_color = p.accent;
    v.selection.bg_fill = p.control_hot;
    v.selection.stroke = Stroke::new(2.0, p.accent);
    v.disabled_alpha = 0.75;
    let radius = CornerRadius::same(5);
    for (widget, fill, line) in [
        (&mut v.widgets.noninteractive, p.raised, Stroke::new(1.0, p.faint)),
        (&mut v.widgets.inactive, p.control, Stroke::new(1.0, p.faint)),
        (&mut v.widgets.hovered, p.control_hot, Stroke::new(1.5, p.quiet)),
        (&mut v.widgets.active, p.control_hot, Stroke::new(2.0, p.text)),
        (&mut v.widgets.open, p.control, Stroke::new(1.0, p.quiet)),
    ] {
        widget.bg_fill = fill;
        widget.weak_bg_fill = fill;
        widget.bg_stroke = line;
        widget.corner_radius = radius;
        widget.expansion = 0.0;
        widget.fg_stroke = Stroke::new(1.5, p.text);
    }
    v.widgets.noninteractive.fg_stroke = Stroke::new(1.0, p.text);
    v
}

/// A block that stands out a little from the ground.
pub fn block(p: Palette) -> egui::Frame {
    egui::Frame::new().fill(p.raised).corner_radius(CornerRadius::same(6)).inner_margin(Margin::same(12))
}

/// An ink of the marked picture as a colour on the screen.
#[must_use]
pub fn ink(ink: Ink) -> Color32 {
    let [r, g, b] = ink.rgb;
    Color32::from_rgba_unmultiplied(r, g, b, (ink.cover.clamp(0.0, 1.0) * 255.0).round() as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast by WCAG 2.2.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let channel = |v: u8| {
            let s = f64::from(v) / 255.0;
            if s <= 0.04045 { s / 12.92 } else { ((s + 0.055) / 1.055).powf(2.4) }
        };
        let luminance = |c: Color32| 0.2126 * channel(c.r()) + 0.7152 * channel(c.g()) + 0.0722 * channel(c.b());
        let (x, y) = (luminance(a), luminance(b));
        (x.max(y) + 0.05) / (x.min(y) + 0.05)
    }

    #[test]
    fn the_contrast_is_reckoned_as_published() {
        // Black on white is 21 : 1, Okabe and Ito's blue on white 5.185 : 1 (computed from the published hex values).
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
        assert!((contrast(Color32::from_rgb(0x00, 0x72, 0xB2), Color32::WHITE) - 5.185).abs() < 2e-3);
    }

    #[test]
    fn every_text_stands_out_by_four_and_a_half_to_one_and_every_line_by_three() {
        for (name, p) in [("dark", DARK), ("light", LIGHT)] {
            for ground in [p.ground, p.raised, p.control, p.control_hot] {
                for (what, colour) in [("text", p.text), ("quiet", p.quiet)] {
                    let found = contrast(colour, ground);
                    assert!(found >= 4.5, "{name} {what}: {found:.2}");
                }
            }
            for ground in [p.ground, p.raised] {
                assert!(contrast(p.accent, ground) >= 4.5, "{name} accent");
                for (what, colour) in [("mind", p.mind), ("terminal", p.terminal), ("land", p.land)] {
                    let found = contrast(colour, ground);
                    assert!(found >= 3.0, "{name} {what}: {found:.2}");
                }
            }
            assert!(contrast(p.on_accent, p.accent) >= 4.5, "{name} on accent");
        }
    }

    #[test]
    fn full_hd_makes_the_digits_of_the_next_move_47_px_high_and_targets_54() {
        let zoom = zoom(Vec2::new(1920.0, 1080.0), 100);
        let ctx = egui::Context::default();
        let mut output = ctx.run_ui(egui::RawInput::default(), |ui| {
            let height = ui.fonts_mut(|f| {
                let galley = f.layout_no_wrap("0".into(), FontId::proportional(DIGITS * zoom), Color32::WHITE);
                galley.mesh_bounds.height()
            });
            assert!(height >= 47.0, "{height} px");
        });
        output.textures_delta.clear();
        assert!(zoom * touch_of(zoom) >= TOUCH_PX);
        assert!(touch_of(1.0) >= TOUCH_PX && 2.0 * touch_of(2.0) >= TOUCH_PX);
    }

    fn touch_of(zoom: f32) -> f32 {
        (TOUCH_PX / zoom).clamp(36.0, TOUCH_PX)
    }
}
