//! A target to print at true scale, with a ruler to check the printer by.

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str};
use std::fmt::Write as _;

/// What to print.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    /// The marks.
    pub marks: Marks,
    /// Rows and columns of dots or squares.
    pub size: [u32; 2],
    /// Paper, mm: width and height.
    pub paper_mm: [f64; 2],
}

/// Which marks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Marks {
    /// Dots in rows and columns, half a pitch across.
    Square {
        /// mm.
        pitch_mm: f64,
    },
    /// Every other row moved by half a pitch; rows half a pitch apart.
    Staggered {
        /// mm.
        pitch_mm: f64,
    },
    /// Squares, dark and light by turns.
    Checkerboard {
        /// Side of a square, mm.
        square_mm: f64,
    },
}

/// A4 upright.
pub const A4_MM: [f64; 2] = [210.0, 297.0];
const RULER_MM: f64 = 100.0;
const MARGIN_MM: f64 = 10.0;
/// Room for the ruler and the line of text below the marks.
const FOOT_MM: f64 = 22.0;
/// The stated limit of a printed target's scale, relative: for practice and for the shape of the lens.
pub const PRINTED_LIMIT: f64 = 0.003;

/// Why a sheet cannot be printed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SheetError {
    /// Larger than the paper.
    #[error("{width_mm:.1} x {height_mm:.1} mm of marks do not fit on the paper: fewer rows and columns, or a smaller pitch")]
    TooLarge {
        /// Of the marks.
        width_mm: f64,
        /// Of the marks.
        height_mm: f64,
    },
    /// No length.
    #[error("a pitch of {pitch_mm} mm cannot be printed: take one from 0.2 to 50 mm")]
    Pitch {
        /// As asked for.
        pitch_mm: f64,
    },
    /// Too few marks.
    #[error("{rows} rows and {columns} columns are no target: take at least 5 of each")]
    Few {
        /// As asked for.
        rows: u32,
        /// As asked for.
        columns: u32,
    },
}

/// One shape, mm from the upper left corner of the paper, y down.
enum Ink {
    Disc { x: f64, y: f64, radius: f64 },
    Box { x: f64, y: f64, width: f64, height: f64 },
    Text { x: f64, y: f64, text: String },
}

impl Sheet {
    fn pitch_mm(&self) -> f64 {
        match self.marks {
            Marks::Square { pitch_mm } | Marks::Staggered { pitch_mm } => pitch_mm,
            Marks::Checkerboard { square_mm } => square_mm,
        }
    }

    fn ink(&self) -> Result<Vec<Ink>, SheetError> {
        let [rows, columns] = self.size;
        let pitch = self.pitch_mm();
        if !(0.2..=50.0).contains(&pitch) {
            return Err(SheetError::Pitch { pitch_mm: pitch });
        }
        if rows < 5 || columns < 5 {
            return Err(SheetError::Few { rows, columns });
        }
        let row_mm = if matches!(self.marks, Marks::Staggered { .. }) { pitch / 2.0 } else { pitch };
        let (width, height) = (pitch * f64::from(columns), row_mm * f64::from(rows) + pitch / 2.0);
        let [paper_width, paper_height] = self.paper_mm;
        if width > paper_width - 2.0 * MARGIN_MM || height > paper_height - 2.0 * MARGIN_MM - FOOT_MM {
            return Err(SheetError::TooLarge { width_mm: width, height_mm: height });
        }
        let (x0, y0) = ((paper_width - width) / 2.0, MARGIN_MM);
        let mut ink = Vec::new();
        for r in 0..rows {
            for c in 0..columns {
                let (x, y) = (x0 + pitch * f64::from(c), y0 + row_mm * f64::from(r));
                match self.marks {
                    Marks::Square { .. } => ink.push(Ink::Disc { x: x + pitch / 2.0, y: y + pitch / 2.0, radius: pitch / 4.0 }),
                    Marks::Staggered { .. } => {
                        let moved = if r % 2 == 1 { pitch * 0.75 } else { pitch * 0.25 };
                        ink.push(Ink::Disc { x: x + moved, y: y + pitch / 4.0, radius: pitch / 8.0 * 1.2 });
                    }
                    Marks::Checkerboard { .. } if (r + c) % 2 == 0 => ink.push(Ink::Box { x, y, width: pitch, height: pitch }),
                    Marks::Checkerboard { .. } => {}
                }
            }
        }
        let ruler_mm = RULER_MM.min(((paper_width - 2.0 * MARGIN_MM) / 10.0).floor() * 10.0);
        let (rx, ry) = ((paper_width - ruler_mm) / 2.0, paper_height - MARGIN_MM - 12.0);
        for mm in 0..=ruler_mm as u32 {
            let length = if mm % 10 == 0 {
                5.0
            } else if mm % 5 == 0 {
                3.5
            } else {
                2.0
            };
            ink.push(Ink::Box { x: rx + f64::from(mm) - 0.05, y: ry, width: 0.1, height: length });
        }
        let text = format!(
            "The ruler must be {ruler_mm:.0} mm long: print at 100 %, measure it, and give --pitch what it really is. {} Printed scale: good to 0.3 % at best.",
            self.named()
        );
        ink.push(Ink::Text { x: MARGIN_MM, y: ry + 10.0, text });
        Ok(ink)
    }

    fn named(&self) -> String {
        match self.marks {
            Marks::Square { pitch_mm } => format!("Dots, pitch {pitch_mm} mm."),
            Marks::Staggered { pitch_mm } => format!("Staggered dots, pitch {pitch_mm} mm."),
            Marks::Checkerboard { square_mm } => format!("Squares of {square_mm} mm."),
        }
    }

    /// The sheet as an SVG drawing, one unit a millimetre.
    ///
    /// # Errors
    /// See [`SheetError`].
    pub fn svg(&self) -> Result<String, SheetError> {
        let [w, h] = self.paper_mm;
        let mut text = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">\n<rect width=\"{w}\" height=\"{h}\" fill=\"white\"/>\n"
        );
        for ink in self.ink()? {
            let _ = match ink {
                Ink::Disc { x, y, radius } => writeln!(text, "<circle cx=\"{x:.4}\" cy=\"{y:.4}\" r=\"{radius:.4}\"/>"),
                Ink::Box { x, y, width, height } => {
                    writeln!(text, "<rect x=\"{x:.4}\" y=\"{y:.4}\" width=\"{width:.4}\" height=\"{height:.4}\"/>")
                }
                Ink::Text { x, y, text: words } => {
                    writeln!(text, "<text x=\"{x}\" y=\"{y}\" font-size=\"2.4\" font-family=\"sans-serif\">{words}</text>")
                }
            };
        }
        text.push_str("</svg>\n");
        Ok(text)
    }

    /// The sheet as a PDF of one page.
    ///
    /// # Errors
    /// See [`SheetError`].
    pub fn pdf(&self) -> Result<Vec<u8>, SheetError> {
        const POINTS: f64 = 72.0 / 25.4;
        let [w, h] = self.paper_mm;
        let pt = |mm: f64| (mm * POINTS) as f32;
        let mut content = Content::new();
        for ink in self.ink()? {
            match ink {
                Ink::Disc { x, y, radius } => disc(&mut content, [pt(x), pt(h - y)], pt(radius)),
                Ink::Box { x, y, width, height } => {
                    content.rect(pt(x), pt(h - y - height), pt(width), pt(height));
                    content.fill_nonzero();
                }
                Ink::Text { x, y, text } => {
                    content.begin_text();
                    content.set_font(Name(b"F1"), 6.5);
                    content.next_line(pt(x), pt(h - y));
                    content.show(Str(text.as_bytes()));
                    content.end_text();
                }
            }
        }
        let [catalogue, pages, page, font, stream] = [1, 2, 3, 4, 5].map(Ref::new);
        let mut pdf = Pdf::new();
        pdf.catalog(catalogue).pages(pages);
        pdf.pages(pages).kids([page]).count(1);
        let mut one = pdf.page(page);
        one.media_box(Rect::new(0.0, 0.0, pt(w), pt(h))).parent(pages).contents(stream);
        one.resources().fonts().pair(Name(b"F1"), font);
        one.finish();
        pdf.type1_font(font).base_font(Name(b"Helvetica"));
        pdf.stream(stream, &content.finish());
        Ok(pdf.finish())
    }
}

/// A disc of four cubics; 0.5523 keeps them within 0.03 % of the circle.
fn disc(content: &mut Content, [x, y]: [f32; 2], r: f32) {
    let k = 0.552_284_8 * r;
    content.move_to(x + r, y);
    content.cubic_to(x + r, y + k, x + k, y + r, x, y + r);
    content.cubic_to(x - k, y + r, x - r, y + k, x - r, y);
    content.cubic_to(x - r, y - k, x - k, y - r, x, y - r);
    content.cubic_to(x + k, y - r, x + r, y - k, x + r, y);
    content.fill_nonzero();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_is_drawn_at_true_scale_with_its_ruler() {
        let sheet = Sheet { marks: Marks::Square { pitch_mm: 1.0 }, size: [20, 30], paper_mm: A4_MM };
        let svg = sheet.svg().expect("fits");
        assert_eq!(svg.matches("<circle").count(), 600);
        assert!(svg.contains("width=\"210mm\"") && svg.contains("viewBox=\"0 0 210 297\"") && svg.contains("100 mm long"));
        assert!(svg.contains("<circle cx=\"90.5000\" cy=\"10.5000\" r=\"0.2500\"/>"), "{}", &svg[..400]);
        let pdf = sheet.pdf().expect("fits");
        assert!(pdf.starts_with(b"%PDF-1.") && pdf.len() > 20_000);
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let of = |marks, size| Sheet { marks, size, paper_mm: A4_MM }.svg().err();
        assert!(matches!(of(Marks::Square { pitch_mm: 10.0 }, [30, 30]), Some(SheetError::TooLarge { .. })));
        assert!(matches!(of(Marks::Square { pitch_mm: 0.0 }, [30, 30]), Some(SheetError::Pitch { .. })));
        assert!(matches!(of(Marks::Checkerboard { square_mm: 5.0 }, [3, 30]), Some(SheetError::Few { .. })));
    }
}
