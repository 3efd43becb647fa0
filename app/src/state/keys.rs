//! What keys mean: the pedal goes on, a scanner's burst is a code, a held key accepts. Pure: egui's events in, meanings out.
//!
//! A keyboard-wedge scanner types its code faster than hands do and ends it with Enter. Whatever such a burst holds, spaces and Enter
//! included, it neither goes on nor accepts nor presses what has the focus.

use eframe::egui::{Event, Key};

/// What the keys asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Meant {
    /// The pedal.
    GoOn,
    /// A scanner's code, its Enter left off.
    Scanned(String),
    /// A page, counted from 0, by its function key.
    Page(usize),
    /// Adjuster (counted from 0), clockwise or not, and whether by ten divisions: the rehearsal's screws.
    Turn {
        /// Which.
        adjuster: usize,
        /// Else anticlockwise.
        clockwise: bool,
        /// Ten divisions in place of one.
        by_ten: bool,
    },
}

/// Characters that follow each other faster than this come from a scanner, s: they type one in 1 to 20 ms (common practice, no source),
/// but a busy machine hands keys on only with its next frame. Hands that type letters outside a text field mean nothing by it.
const BURST_S: f64 = 0.15;

/// Fewer characters than this are no code.
const LEAST_CODE: usize = 4;

/// Keys as they come.
#[derive(Debug, Clone, Default)]
pub struct Keys {
    burst: String,
    last_s: f64,
    /// A press of the pedal's key that may yet turn out to be part of a scanner's code.
    pedal_s: Option<f64>,
    accept_down: bool,
}

/// Where keys go at the moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Focus {
    /// A text field has the focus: what edits text is its own.
    Text,
    /// The rehearsal's screws are on the screen: Home and End, Insert and Delete, PageUp and PageDown turn them.
    Screws,
    /// Neither.
    Elsewhere,
}

/// Which keys the person has set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyChoice {
    /// Goes on.
    pub pedal: Key,
    /// Accepts when held.
    pub accept: Key,
}

impl Keys {
    /// Reads and takes out of `events` what has a meaning here; leaves the rest to the widgets.
    pub fn read(&mut self, events: &mut Vec<Event>, choice: KeyChoice, focus: Focus, now_s: f64) -> Vec<Meant> {
        let text_open = focus == Focus::Text;
        let mut meant = Vec::new();
        let mut kept = Vec::with_capacity(events.len());
        for event in events.drain(..) {
            match &event {
                Event::Text(text) => {
                    self.typed(text, now_s);
                    kept.push(event);
                }
                Event::Key { key: Key::Enter, pressed: true, .. } => {
                    let code = std::mem::take(&mut self.burst);
                    if code.chars().count() >= LEAST_CODE && now_s - self.last_s <= BURST_S {
                        self.pedal_s = None;
                        meant.push(Meant::Scanned(code.trim().to_owned()));
                    } else {
                        kept.push(event);
                    }
                }
                // A key that is let go is let go, whatever has the focus by then.
                Event::Key { key, pressed, .. } if *key == choice.accept && (!text_open || !*pressed) => self.accept_down = *pressed,
                Event::Key { key, pressed, repeat, .. } if *key == choice.pedal && !text_open => {
                    let in_burst = !self.burst.is_empty() && now_s - self.last_s <= BURST_S;
                    if *pressed && !*repeat && !in_burst && self.pedal_s.is_none() {
                        self.pedal_s = Some(now_s);
                    }
                }
                // What presses the focused control is Enter alone: the space bar is the pedal's.
                Event::Key { key: Key::Space, .. } if !text_open => {}
                Event::Key { key, pressed: true, modifiers, .. } => match (page(*key), turn(*key)) {
                    (Some(page), _) => meant.push(Meant::Page(page)),
                    (None, Some((adjuster, clockwise))) if focus == Focus::Screws => {
                        meant.push(Meant::Turn { adjuster, clockwise, by_ten: modifiers.shift });
                    }
                    (None, _) => kept.push(event),
                },
                _ => kept.push(event),
            }
        }
        *events = kept;
        if self.pedal_s.is_some_and(|at| now_s - at > BURST_S) {
            self.pedal_s = None;
            meant.push(Meant::GoOn);
        }
        meant
    }

    fn typed(&mut self, text: &str, now_s: f64) {
        if now_s - self.last_s > BURST_S {
            self.burst.clear();
        }
        // A space that begins a burst is the pedal until more follows.
        if self.burst.trim().is_empty() || self.burst.chars().count() < 200 {
            self.burst.push_str(text);
        }
        if self.burst.trim().chars().count() > 1 {
            self.pedal_s = None;
        }
        self.last_s = now_s;
    }

    /// Whether the accepting key is held down.
    #[must_use]
    pub const fn is_accept_down(&self) -> bool {
        self.accept_down
    }

    /// A press of the pedal waits to be told from a code: look again in a moment.
    #[must_use]
    pub const fn is_waiting(&self) -> bool {
        self.pedal_s.is_some()
    }

    /// The window lost the focus: nothing is held any more.
    pub fn let_go(&mut self) {
        self.accept_down = false;
        self.pedal_s = None;
    }
}

/// F1 to F6: the pages.
const fn page(key: Key) -> Option<usize> {
    Some(match key {
        Key::F1 => 0,
        Key::F2 => 1,
        Key::F3 => 2,
        Key::F4 => 3,
        Key::F5 => 4,
        Key::F6 => 5,
        _ => return None,
    })
}

/// Home and End, Insert and Delete, PageUp and PageDown: keys that no scanner types.
const fn turn(key: Key) -> Option<(usize, bool)> {
    Some(match key {
        Key::Home => (0, false),
        Key::End => (0, true),
        Key::Insert => (1, false),
        Key::Delete => (1, true),
        Key::PageUp => (2, false),
        Key::PageDown => (2, true),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use eframe::egui::Modifiers;

    const CHOICE: KeyChoice = KeyChoice { pedal: Key::Space, accept: Key::F12 };

    fn key(key: Key, pressed: bool, repeat: bool) -> Event {
        Event::Key { key, physical_key: None, pressed, repeat, modifiers: Modifiers::NONE }
    }

    fn read(keys: &mut Keys, events: Vec<Event>, now_s: f64) -> (Vec<Meant>, Vec<Event>) {
        let mut events = events;
        let meant = keys.read(&mut events, CHOICE, Focus::Screws, now_s);
        (meant, events)
    }

    /// Types a code as a scanner does, 5 ms a character, then Enter.
    fn scan(keys: &mut Keys, code: &str, from_s: f64) -> Vec<Meant> {
        let mut meant = Vec::new();
        let mut now_s = from_s;
        for c in code.chars() {
            let mut events = vec![Event::Text(c.to_string())];
            if c == ' ' {
                events.insert(0, key(Key::Space, true, false));
                events.push(key(Key::Space, false, false));
            }
            meant.extend(read(keys, events, now_s).0);
            now_s += 0.005;
        }
        let (last, left) = read(keys, vec![key(Key::Enter, true, false)], now_s);
        assert!(left.is_empty(), "its Enter presses nothing");
        meant.extend(last);
        meant.extend(read(keys, vec![], now_s + 1.0).0);
        meant
    }

    #[test]
    fn the_space_bar_goes_on_once_however_long_it_is_held() {
        let mut keys = Keys::default();
        let down = vec![key(Key::Space, true, false), Event::Text(" ".into())];
        assert!(read(&mut keys, down, 0.0).0.is_empty(), "it might be a scanner's");
        assert_eq!(read(&mut keys, vec![], 0.2).0, [Meant::GoOn]);
        for i in 0..50 {
            let again = vec![key(Key::Space, true, true), Event::Text(" ".into())];
            assert!(read(&mut keys, again, 0.5 + 0.03 * f64::from(i)).0.is_empty());
        }
    }

    #[test]
    fn a_scanned_code_neither_goes_on_nor_accepts_nor_presses_what_has_the_focus() {
        let mut keys = Keys::default();
        assert_eq!(scan(&mut keys, "PART 0815 B", 3.0), [Meant::Scanned("PART 0815 B".into())]);
        assert!(!keys.is_accept_down());
    }

    #[test]
    fn a_code_that_begins_with_a_space_does_not_go_on() {
        assert_eq!(scan(&mut Keys::default(), " AB12", 3.0), [Meant::Scanned("AB12".into())]);
    }

    #[test]
    fn enter_alone_is_left_to_the_focused_control_and_does_not_go_on() {
        let (meant, left) = read(&mut Keys::default(), vec![key(Key::Enter, true, false)], 1.0);
        assert!(meant.is_empty() && left.len() == 1);
    }

    #[test]
    fn in_a_text_field_the_space_bar_types() {
        let mut keys = Keys::default();
        let mut events = vec![key(Key::Space, true, false), Event::Text(" ".into()), key(Key::F12, true, false)];
        assert!(keys.read(&mut events, CHOICE, Focus::Text, 0.0).is_empty());
        assert!(events.contains(&Event::Text(" ".into())) && !keys.is_accept_down());
        assert!(keys.read(&mut vec![], CHOICE, Focus::Text, 1.0).is_empty());
    }

    #[test]
    fn the_accepting_key_is_let_go_also_in_a_text_field_that_was_opened_meanwhile() {
        let mut keys = Keys::default();
        let _ = read(&mut keys, vec![key(Key::F12, true, false)], 0.0);
        assert!(keys.is_accept_down());
        let _ = keys.read(&mut vec![key(Key::F12, false, false)], CHOICE, Focus::Text, 0.3);
        assert!(!keys.is_accept_down());
    }

    #[test]
    fn keys_that_edit_text_or_scroll_a_page_turn_screws_only_where_those_are() {
        for key_of in [Key::Home, Key::End, Key::Insert, Key::Delete, Key::PageUp, Key::PageDown] {
            for (focus, turns) in [(Focus::Text, 0), (Focus::Elsewhere, 0), (Focus::Screws, 1)] {
                let mut events = vec![key(key_of, true, false)];
                let meant = Keys::default().read(&mut events, CHOICE, focus, 0.0);
                assert_eq!((meant.len(), events.len()), (turns, 1 - turns), "{key_of:?} {focus:?}");
            }
        }
    }

    #[test]
    fn a_pedal_of_another_key_leaves_the_space_bar_without_effect() {
        let mut keys = Keys::default();
        let choice = KeyChoice { pedal: Key::F9, ..CHOICE };
        let mut events = vec![key(Key::Space, true, false)];
        let _ = keys.read(&mut events, choice, Focus::Elsewhere, 0.0);
        assert!(events.is_empty() && keys.read(&mut vec![], choice, Focus::Elsewhere, 1.0).is_empty());
        let _ = keys.read(&mut vec![key(Key::F9, true, false)], choice, Focus::Elsewhere, 2.0);
        assert_eq!(keys.read(&mut vec![], choice, Focus::Elsewhere, 2.2), [Meant::GoOn]);
    }
}
