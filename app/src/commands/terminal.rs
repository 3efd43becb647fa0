//! What commands share in asking: amounts as people write them, and questions on the terminal.

use anyhow::{Context as _, bail};
use landfit_calibration::bench::{Sense, Stands};
use std::io::{BufRead, IsTerminal, Write};

/// A length in mm, with or without its unit: "0.8", "0.8mm", "0.8 mm".
pub fn mm(text: &str) -> Result<f64, String> {
    let text = text.trim();
    amount(text.strip_suffix("mm").unwrap_or(text))
        .ok_or_else(|| format!("\"{text}\" is no length in mm; write it like 0.8 or \"0.8 mm\" (other units are not read)"))
}

/// One length for x and y, or two: "0.8", "14x12", "0.8,0.65".
pub fn mm_pair(text: &str) -> Result<[f64; 2], String> {
    let fields: Vec<&str> = text.split(['x', ',', '×']).collect();
    let neither = || format!("\"{text}\" is neither one length in mm nor two; write 14 or 14x12");
    match fields[..] {
        [both] => mm(both).map(|v| [v, v]),
        [x, y] => mm(x).and_then(|x| Ok([x, mm(y)?])).map_err(|_| neither()),
        _ => Err(neither()),
    }
}

/// A place: "0.4,-1.1", mm.
pub fn mm_point(text: &str) -> Result<[f64; 2], String> {
    let (x, y) = text.split_once(',').ok_or_else(|| format!("\"{text}\" is no place; write mm right and mm away, like 0.4,-1.1"))?;
    Ok([mm(x)?, mm(y)?])
}

/// Two counts: "1280x960".
pub fn counts(text: &str) -> Result<[u32; 2], String> {
    let wrong = || format!("\"{text}\" is no pair of whole numbers; write them like 1280x960");
    let (a, b) = text.split_once(['x', ',', '×']).ok_or_else(wrong)?;
    let count = |s: &str| s.trim().parse::<u32>().ok().filter(|n| *n > 0).ok_or_else(wrong);
    Ok([count(a)?, count(b)?])
}

/// A finite number.
pub fn amount_of(text: &str) -> Result<f64, String> {
    amount(text).ok_or_else(|| format!("\"{}\" is no number; write it like 0.5", text.trim()))
}

fn amount(text: &str) -> Option<f64> {
    text.trim().parse().ok().filter(|v: &f64| v.is_finite())
}

/// Where an adjuster stands, in words.
pub const STANDS: [(&str, Stands); 5] =
    [("right", Stands::Right), ("near", Stands::Near), ("left", Stands::Left), ("far", Stands::Far), ("top", Stands::Top)];

/// A sense of turning, in words.
pub const fn sense(sense: Sense) -> &'static str {
    match sense {
        Sense::Clockwise => "clockwise",
        Sense::Anticlockwise => "anticlockwise",
    }
}

/// Asks questions on standard error and reads the answers from standard input, a line each.
pub struct Questions<R> {
    input: R,
    /// Asks again after a bad answer; piped answers would only run out of step.
    asks_again: bool,
    /// Takes what is usual for all that is left.
    silent: bool,
}

impl Questions<std::io::StdinLock<'static>> {
    /// Questions to whoever sits at the terminal, or to a pipe. With `silent` nothing is asked.
    pub fn on_standard_input(silent: bool) -> Self {
        let input = std::io::stdin();
        Self { asks_again: input.is_terminal(), input: input.lock(), silent }
    }
}

impl<R: BufRead> Questions<R> {
    /// The answer to `question`; an empty line, or the end of the input, takes `usual`. `flag` is named in errors.
    pub fn ask<T>(&mut self, flag: &str, question: &str, usual: &str, read: impl Fn(&str) -> Result<T, String>) -> anyhow::Result<T> {
        loop {
            let mut line = String::new();
            if !self.silent {
                let mut prompt = std::io::stderr().lock();
                let _ = write!(prompt, "{question} [{usual}]: ").and_then(|()| prompt.flush());
                if self.input.read_line(&mut line).with_context(|| format!("cannot read the answer for {flag}"))? == 0 {
                    let _ = writeln!(prompt, "\nno more answers: the usual values are taken for the rest");
                    self.silent = true;
                } else if !self.asks_again {
                    // A pipe does not echo, so the question would run into the next one.
                    let _ = writeln!(prompt, "{}", line.trim());
                }
            }
            let answer = if line.trim().is_empty() { usual } else { line.trim() };
            match read(answer) {
                Ok(value) => return Ok(value),
                Err(problem) if self.asks_again && !self.silent => {
                    let _ = writeln!(std::io::stderr(), "  {problem}");
                }
                Err(problem) => bail!("{flag}: {problem}"),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn questions(input: &str) -> Questions<&[u8]> {
        Questions { input: input.as_bytes(), asks_again: false, silent: false }
    }

    #[test]
    fn lengths_are_read_with_and_without_their_unit() {
        assert_eq!(mm("0.8"), Ok(0.8));
        assert_eq!(mm(" 0.8 mm "), Ok(0.8));
        assert_eq!(mm_pair("14x12mm"), Ok([14.0, 12.0]));
        assert_eq!(mm_pair("0.8"), Ok([0.8, 0.8]));
        assert_eq!(mm_point("0.4, -1.1"), Ok([0.4, -1.1]));
        for bad in ["", "mm", "0.8 in", "31 mil", "nan", "inf", "1e999"] {
            assert!(mm(bad).is_err(), "{bad}");
        }
        assert!(mm_pair("1x2x3").is_err() && counts("0x4").is_err() && counts("12").is_err());
    }

    #[test]
    fn an_empty_line_and_the_end_of_the_input_take_what_is_usual() {
        let mut questions = questions("2.5\n\n");
        assert_eq!(questions.ask("--a", "a", "1", mm).expect("answer"), 2.5);
        assert_eq!(questions.ask("--b", "b", "1", mm).expect("usual"), 1.0);
        assert_eq!(questions.ask("--c", "c", "3", mm).expect("usual"), 3.0);
        assert_eq!(questions.ask("--d", "d", "4", mm).expect("usual"), 4.0);
    }

    #[test]
    fn a_bad_piped_answer_is_an_error_that_names_the_flag() {
        let text = questions("wide\n").ask("--size", "size", "1280x960", counts).expect_err("bad").to_string();
        assert_eq!(text, "--size: \"wide\" is no pair of whole numbers; write them like 1280x960");
    }

    #[test]
    fn a_bad_answer_at_a_terminal_is_asked_for_again() {
        let mut questions = Questions { input: &b"wide\n640x480\n"[..], asks_again: true, silent: false };
        assert_eq!(questions.ask("--size", "size", "1280x960", counts).expect("second answer"), [640, 480]);
    }
}
