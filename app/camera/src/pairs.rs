//! Benches that light part and board in turn: one look is a picture in each light.
//!
//! A pair is taken when it is asked for, and never by itself: lights that change between 3 and 30 times a second can bring on
//! seizures in photosensitive people, so there is at most one pair a second, whoever asks. The lights are switched by the
//! person, who is asked to, or by a command that stands in that person's own settings; a bench file, which may come from
//! anywhere, never names one. Which light is on is not believed but seen, by the picture's tint.

use crate::{Frame, Latest, Source, Trouble};
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Between the beginnings of two pairs: a pair is two changes of light, well under 3 a second (the lower limit of the range that
/// WCAG 2.2, 2.3.1, and the literature on photosensitivity name).
const LEAST_BETWEEN_PAIRS: Duration = Duration::from_secs(1);
/// After the right light was seen, frames are dropped for so long: exposures that began before, and lamps that are still rising.
const SETTLING: Duration = Duration::from_millis(150);
/// ... and until the mean of two frames in a row differs by less than this share.
const SETTLED: f64 = 0.01;
/// A person who is asked to switch a light gets so long before the pair is given up.
const PERSON_PATIENCE: Duration = Duration::from_secs(60);
/// A command gets so long, to end and for its light to be seen.
const COMMAND_PATIENCE: Duration = Duration::from_secs(3);
/// Tints are told apart by the angle between them; at less than this, a picture's tint says nothing about which light is on.
const LEAST_ANGLE_RAD: f64 = 0.1;
/// Between two looks at a command that runs.
const LOOK_EVERY: Duration = Duration::from_millis(10);

/// One light of the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct Light {
    /// What the person calls it: "the light on the part".
    pub name: String,
    /// The camera's answer to it: red, green, blue in linear light, up to a factor.
    pub tint: [f64; 3],
}

/// Who switches the lights.
pub enum Switch {
    /// The person, asked by [`Desk::wanted`].
    Person,
    /// A program and its arguments for each light, in the bench's order; from the person's own settings only.
    Command(Vec<Vec<String>>),
}

/// How a pair is coming along.
#[derive(Debug, Clone, Default, PartialEq)]
pub enum Wanted {
    /// None was asked for.
    #[default]
    Nothing,
    /// One was asked for, and its time has not come (at most one a second).
    Soon,
    /// The light of this number and name is to be switched on, and the other ones off.
    Light {
        /// Its place in the bench's order.
        exposure: usize,
        /// What the person calls it.
        name: String,
    },
    /// The command in the person's settings switches the light of this name on.
    Switching {
        /// What the person calls it.
        name: String,
    },
    /// The light is on; its picture settles.
    Settling,
}

/// Where pairs are asked for, from any thread.
#[derive(Clone, Default)]
pub struct Desk {
    shared: Arc<DeskInner>,
}

#[derive(Default)]
struct DeskInner {
    state: Mutex<DeskState>,
    preview: Latest<Frame>,
}

#[derive(Default)]
struct DeskState {
    asked: bool,
    wanted: Wanted,
}

impl Desk {
    /// Nothing asked for.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    fn lock(&self) -> MutexGuard<'_, DeskState> {
        self.shared.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks for a pair. To be called when the picture is still; a second call before the pair is there changes nothing.
    pub fn ask(&self) {
        self.lock().asked = true;
    }

    /// Takes the wish back.
    pub fn never_mind(&self) {
        self.lock().asked = false;
    }

    /// How the pair is coming along: what the window says to the person.
    #[must_use]
    pub fn wanted(&self) -> Wanted {
        self.lock().wanted.clone()
    }

    /// The newest single picture, in whatever light: for the view, never for measuring.
    #[must_use]
    pub fn preview(&self) -> Option<Frame> {
        self.shared.preview.take(Duration::ZERO)
    }
}

/// A source of looks of several exposures, made from one of single pictures.
pub struct Pairs {
    inner: Box<dyn Source>,
    lights: Vec<Light>,
    gamma: f64,
    switch: Switch,
    desk: Desk,
    last_pair: Option<Instant>,
    taking: Option<Taking>,
}

/// A pair that is being taken.
struct Taking {
    pictures: Vec<Picture>,
    /// The command that switches the light of the next picture, while it runs.
    command: Option<Child>,
    asked_at: Instant,
    /// When the right light was first seen, and the mean of the last frame since.
    seen: Option<(Instant, f64)>,
}

impl Pairs {
    /// Takes looks of as many exposures as there are `lights` (in the bench's order) from `inner`, whose values are the power
    /// 1/`gamma` of light.
    ///
    /// # Errors
    /// When a command is missing for one of the lights.
    pub fn new(inner: Box<dyn Source>, lights: Vec<Light>, gamma: f64, switch: Switch, desk: Desk) -> Result<Self, Trouble> {
        if let Switch::Command(commands) = &switch
            && (commands.len() != lights.len() || commands.iter().any(Vec::is_empty))
        {
            let what = format!("{} lights, and {} commands in your settings; give one for each", lights.len(), commands.len());
            return Err(Trouble::LightCommand { what });
        }
        desk.lock().wanted = Wanted::Nothing;
        Ok(Self { inner, lights, gamma, switch, desk, last_pair: None, taking: None })
    }

    fn begin(&mut self) -> Result<(), Trouble> {
        self.last_pair = Some(Instant::now());
        self.taking = Some(Taking { pictures: Vec::new(), command: None, asked_at: Instant::now(), seen: None });
        self.ask_for_light()
    }

    /// Asks the person, or the command, for the light of the next picture.
    fn ask_for_light(&mut self) -> Result<(), Trouble> {
        let Some(taking) = &mut self.taking else { return Ok(()) };
        let exposure = taking.pictures.len();
        let name = self.lights[exposure].name.clone();
        (taking.asked_at, taking.seen) = (Instant::now(), None);
        let wanted = if let Switch::Command(commands) = &self.switch {
            let words = &commands[exposure];
            let started =
                Command::new(&words[0]).args(&words[1..]).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
            taking.command = Some(started.map_err(|e| Trouble::LightCommand { what: format!("{}: {e}", words[0]) })?);
            Wanted::Switching { name }
        } else {
            Wanted::Light { exposure, name }
        };
        self.desk.lock().wanted = wanted;
        Ok(())
    }

    fn give_up(&mut self) {
        if let Some(Taking { command: Some(mut command), .. }) = self.taking.take() {
            // It may have ended by itself; there is nothing else to be done about one that does not.
            let _ = command.kill();
            let _ = command.wait();
        }
        let mut desk = self.desk.lock();
        (desk.asked, desk.wanted) = (false, Wanted::Nothing);
    }

    /// Whether the command for the light has ended well; without one, whether nothing is waited for.
    fn is_switched(&mut self) -> Result<bool, Trouble> {
        let Some(Taking { command: Some(command), pictures, asked_at, .. }) = &mut self.taking else { return Ok(true) };
        let program = match &self.switch {
            Switch::Command(commands) => commands[pictures.len()][0].as_str(),
            Switch::Person => "",
        };
        let told = |what: String| Trouble::LightCommand { what: format!("{program} {what}") };
        match command.try_wait().map_err(|e| told(e.to_string()))? {
            None if asked_at.elapsed() > COMMAND_PATIENCE => Err(told(format!("has not ended within {} s", COMMAND_PATIENCE.as_secs()))),
            None => Ok(false),
            Some(status) if status.success() => {
                if let Some(taking) = &mut self.taking {
                    taking.command = None;
                    taking.asked_at = Instant::now();
                }
                Ok(true)
            }
            Some(status) => {
                Err(told(status.code().map_or_else(|| format!("was ended by {status}"), |code| format!("ended with exit status {code}"))))
            }
        }
    }

    /// Goes on with the pair that is being taken; gives it when it is whole.
    fn go_on(&mut self, frame: Frame) -> Result<Option<Frame>, Trouble> {
        let patience = if matches!(self.switch, Switch::Person) { PERSON_PATIENCE } else { COMMAND_PATIENCE };
        let switched = self.is_switched()?;
        let Some(taking) = &mut self.taking else { return Ok(None) };
        let exposure = taking.pictures.len();
        let Some(picture) = frame.pictures.into_iter().next() else { return Ok(None) };
        let (mean, tint) = light_of(&picture, self.gamma);
        if !switched || frame.taken < taking.asked_at || !is_lit_by(tint, &self.lights, exposure) {
            taking.seen = None;
            if taking.asked_at.elapsed() > patience {
                return Err(Trouble::WrongLight { light: self.lights[exposure].name.clone() });
            }
            return Ok(None);
        }
        let Some((since, before)) = taking.seen else {
            taking.seen = Some((frame.taken, mean));
            self.desk.lock().wanted = Wanted::Settling;
            return Ok(None);
        };
        taking.seen = Some((since, mean));
        if frame.taken.saturating_duration_since(since) < SETTLING || (mean - before).abs() > SETTLED * before.max(f64::MIN_POSITIVE) {
            return Ok(None);
        }
        taking.pictures.push(picture);
        if taking.pictures.len() < self.lights.len() {
            self.ask_for_light()?;
            return Ok(None);
        }
        let pictures = std::mem::take(&mut taking.pictures);
        self.give_up();
        Ok(Some(Frame { pictures, taken: frame.taken, from_jpeg: false, number: 0 }))
    }
}

impl Drop for Pairs {
    fn drop(&mut self) {
        self.give_up();
    }
}

impl Source for Pairs {
    fn name(&self) -> String {
        self.inner.name()
    }

    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
        let asked = self.desk.lock().asked;
        if !asked && self.taking.is_some() {
            self.give_up();
        }
        if asked && self.taking.is_none() {
            if self.last_pair.is_none_or(|at| at.elapsed() >= LEAST_BETWEEN_PAIRS) {
                if let Err(trouble) = self.begin() {
                    self.give_up();
                    return Err(trouble);
                }
            } else {
                self.desk.lock().wanted = Wanted::Soon;
            }
        }
        // A command is looked after even where no picture comes.
        let patience = if self.taking.as_ref().is_some_and(|t| t.command.is_some()) { patience.min(LOOK_EVERY) } else { patience };
        let Some(frame) = self.inner.next(patience)? else { return Ok(None) };
        self.desk.shared.preview.put(frame.clone());
        let result = self.go_on(frame);
        if result.is_err() {
            self.give_up();
        }
        result
    }
}

/// The mean light of a picture (of the strongest channel), and its tint.
fn light_of(picture: &Picture, gamma: f64) -> (f64, [f64; 3]) {
    const EVERY: usize = 37;
    let full = picture.full_scale();
    let mut sums = [0.0; 3];
    let mut count = 0.0f64;
    let mut add = |pixel: [f64; 3]| {
        for (sum, value) in sums.iter_mut().zip(pixel) {
            *sum += (value / full).powf(gamma);
        }
        count += 1.0;
    };
    let channels = picture.channels.max(1);
    match &picture.samples {
        Samples::U8(v) => {
            v.chunks_exact(channels).step_by(EVERY).for_each(|p| add(std::array::from_fn(|c| f64::from(p[c.min(channels - 1)]))))
        }
        Samples::U16(v) => {
            v.chunks_exact(channels).step_by(EVERY).for_each(|p| add(std::array::from_fn(|c| f64::from(p[c.min(channels - 1)]))))
        }
    }
    let tint = sums.map(|sum| sum / count.max(1.0));
    (tint.iter().copied().fold(0.0, f64::max), tint)
}

/// Whether a picture's tint is nearer to that of the light that was asked for than to every other one.
///
/// Lights of one colour (and monochrome cameras) cannot be told apart so: then the one who switches is believed.
fn is_lit_by(tint: [f64; 3], lights: &[Light], exposure: usize) -> bool {
    let wanted = lights[exposure].tint;
    let off_by = angle(tint, wanted);
    lights
        .iter()
        .enumerate()
        .all(|(i, other)| i == exposure || angle(wanted, other.tint) < LEAST_ANGLE_RAD || off_by < angle(tint, other.tint))
}

fn angle(a: [f64; 3], b: [f64; 3]) -> f64 {
    let dot = |a: [f64; 3], b: [f64; 3]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let lengths = (dot(a, a) * dot(b, b)).sqrt();
    if lengths > 0.0 { (dot(a, b) / lengths).clamp(-1.0, 1.0).acos() } else { std::f64::consts::FRAC_PI_2 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bench whose lamp follows a file or a variable: which light is on, and how far it has risen.
    struct Lamp {
        on: Arc<Mutex<(usize, Instant)>>,
        taken: u64,
    }

    const AMBER: [f64; 3] = [0.8, 0.5, 0.05];
    const CYAN: [f64; 3] = [0.05, 0.5, 0.7];
    const RISE: f64 = 0.3;

    impl Source for Lamp {
        fn name(&self) -> String {
            "lamp".into()
        }

        fn next(&mut self, _: Duration) -> Result<Option<Frame>, Trouble> {
            std::thread::sleep(Duration::from_millis(20));
            self.taken += 1;
            let (which, since) = *self.on.lock().unwrap();
            let risen = (since.elapsed().as_secs_f64() / RISE).min(1.0);
            let tint = [AMBER, CYAN, [0.3; 3]][which];
            let pixel = tint.map(|t| (t * risen * 200.0) as u8);
            let picture = Picture { width_px: 40, height_px: 10, channels: 3, samples: Samples::U8(pixel.repeat(400)) };
            Ok(Some(Frame { pictures: vec![picture], taken: Instant::now(), from_jpeg: false, number: self.taken }))
        }
    }

    fn lights() -> Vec<Light> {
        vec![Light { name: "the light on the part".into(), tint: AMBER }, Light { name: "the light on the board".into(), tint: CYAN }]
    }

    fn bench(switch: Switch) -> (Pairs, Desk, Arc<Mutex<(usize, Instant)>>) {
        let on = Arc::new(Mutex::new((2, Instant::now())));
        let desk = Desk::new();
        let lamp = Box::new(Lamp { on: Arc::clone(&on), taken: 0 });
        (Pairs::new(lamp, lights(), 1.0, switch, desk.clone()).unwrap(), desk, on)
    }

    fn first_value(picture: &Picture) -> [u8; 3] {
        match &picture.samples {
            Samples::U8(v) => [v[0], v[1], v[2]],
            Samples::U16(_) => panic!("8 bits"),
        }
    }

    /// Looks on, doing what the desk asks for, until a pair comes or `most` frames have gone by.
    fn look_on(pairs: &mut Pairs, desk: &Desk, on: &Mutex<(usize, Instant)>, most: usize) -> Option<Frame> {
        for _ in 0..most {
            if let Wanted::Light { exposure, .. } = desk.wanted()
                && on.lock().unwrap().0 != exposure
            {
                *on.lock().unwrap() = (exposure, Instant::now());
            }
            if let Some(frame) = pairs.next(Duration::from_millis(50)).unwrap() {
                return Some(frame);
            }
        }
        None
    }

    #[test]
    fn no_pair_is_taken_unasked_and_the_view_goes_on() {
        let (mut pairs, desk, on) = bench(Switch::Person);
        assert!(look_on(&mut pairs, &desk, &on, 20).is_none());
        assert_eq!(desk.wanted(), Wanted::Nothing);
        assert!(desk.preview().is_some());
    }

    #[test]
    fn a_pair_holds_each_light_settled_in_the_benchs_order() {
        let (mut pairs, desk, on) = bench(Switch::Person);
        desk.ask();
        let pair = look_on(&mut pairs, &desk, &on, 500).unwrap();
        let full = |tint: [f64; 3]| tint.map(|t| (t * 200.0) as u8);
        assert_eq!(pair.pictures.iter().map(first_value).collect::<Vec<_>>(), [full(AMBER), full(CYAN)], "fully risen");
        assert_eq!(desk.wanted(), Wanted::Nothing);
        assert!(look_on(&mut pairs, &desk, &on, 20).is_none(), "one pair for one wish");
    }

    #[test]
    fn pairs_begin_at_least_a_second_apart() {
        let (mut pairs, desk, on) = bench(Switch::Person);
        // Lights that are told apart by nothing: the quickest pair there can be.
        pairs.lights.iter_mut().for_each(|l| l.tint = [1.0; 3]);
        *on.lock().unwrap() = (2, Instant::now() - Duration::from_secs(1));
        let mut begun = Vec::new();
        for _ in 0..3 {
            desk.ask();
            while pairs.next(Duration::from_millis(50)).unwrap().is_none() {}
            begun.push(pairs.last_pair.unwrap());
        }
        assert!(begun.windows(2).all(|w| w[1] - w[0] >= LEAST_BETWEEN_PAIRS), "{begun:?}");
    }

    #[test]
    fn the_wrong_light_is_waited_out_and_a_wish_can_be_taken_back() {
        let (mut pairs, desk, on) = bench(Switch::Person);
        desk.ask();
        *on.lock().unwrap() = (1, Instant::now());
        for _ in 0..30 {
            assert!(pairs.next(Duration::from_millis(50)).unwrap().is_none());
        }
        assert_eq!(desk.wanted(), Wanted::Light { exposure: 0, name: "the light on the part".into() });
        desk.never_mind();
        assert!(pairs.next(Duration::from_millis(50)).unwrap().is_none());
        assert_eq!(desk.wanted(), Wanted::Nothing);
    }

    #[cfg(unix)]
    #[test]
    fn a_command_that_fails_or_switches_nothing_is_said() {
        let command = |line: &str| {
            let words: Vec<String> = line.split(' ').map(str::to_owned).collect();
            Switch::Command(vec![words.clone(), words])
        };
        for (program, wanted) in [
            ("sleep 60", "the command for the lights did not do its work (sleep has not ended within 3 s)"),
            ("/nonexistent/switch", "the command for the lights did not do its work (/nonexistent/switch"),
            ("false", "the command for the lights did not do its work (false ended with exit status 1)"),
            ("true", "the light on the part was to be on"),
        ] {
            let (mut pairs, desk, on) = bench(command(program));
            *on.lock().unwrap() = (1, Instant::now());
            desk.ask();
            let trouble = loop {
                if let Err(trouble) = pairs.next(Duration::from_millis(50)) {
                    break trouble;
                }
            };
            assert!(trouble.to_string().starts_with(wanted), "{trouble}");
            assert!(!trouble.ends_the_source());
            assert_eq!(desk.wanted(), Wanted::Nothing);
        }
        let lamp = Box::new(Lamp { on: Arc::new(Mutex::new((0, Instant::now()))), taken: 0 });
        assert!(Pairs::new(lamp, lights(), 1.0, Switch::Command(vec![vec!["true".into()]]), Desk::new()).is_err());
    }
}
