//! What goes wrong when: `PLAN.toml`, read and drawn.
//!
//! Times and lengths may be given, or drawn from a range by the plan's seed.

use std::path::Path;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Deserialize;

use crate::problem::{Problem, nearest};
use crate::toml_text::{self, located, one_line};

const HOUR_US: f64 = 3.6e9;
const SECOND_US: f64 = 1e6;
/// Longest time a plan can name, h.
const MAX_H: f64 = 5000.0;
/// Most events one entry of a plan can make.
const MAX_COUNT: u32 = 10_000;

/// A plan as written.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(deny_unknown_fields, default)]
pub struct Plan {
    /// Draws what is given as a range.
    pub seed: u64,
    /// Resets.
    pub reset: Vec<Reset>,
    /// Times at which no sensor answers on its bus.
    pub bus: Vec<Bus>,
    /// Sensors that fail.
    pub sensor: Vec<Sensor>,
    /// Clocks that go wrong.
    pub clock: Vec<Clock>,
    /// Flash that wears.
    pub worn: Vec<Worn>,
    /// Times at which the cell sags under the pulse of the release.
    pub sag: Vec<Sag>,
    /// Time on deck.
    pub deck: Deck,
    /// The link that the release burns.
    pub link: Link,
}

/// A number, or a range to draw it from.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[serde(untagged)]
pub enum Amount {
    /// Given.
    Given(f64),
    /// Drawn, evenly.
    Drawn([f64; 2]),
}

/// When: `at_h`, or `between_h` as often as `count` says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct When {
    /// Hours after the start.
    pub at_h: Option<f64>,
    /// Range to draw them from.
    pub between_h: Option<[f64; 2]>,
    /// How often.
    pub count: Option<u32>,
}

macro_rules! entry {
    ($(#[$meta:meta])* $name:ident { $( $(#[$fmeta:meta])* $field:ident : $ty:ty, )* }) => {
        $(#[$meta])*
        #[derive(Clone, Debug, Deserialize, PartialEq)]
        #[serde(deny_unknown_fields)]
        pub struct $name {
            /// Hours after the start.
            #[serde(default)]
            pub at_h: Option<f64>,
            /// Range to draw them from.
            #[serde(default)]
            pub between_h: Option<[f64; 2]>,
            /// How often, with `between_h`.
            #[serde(default)]
            pub count: Option<u32>,
            $( $(#[$fmeta])* pub $field: $ty, )*
        }

        impl $name {
            fn when(&self) -> When {
                When { at_h: self.at_h, between_h: self.between_h, count: self.count }
            }
        }
    };
}

entry! {
    /// A reset.
    Reset {
        /// Loss of power, or the watchdog.
        #[serde(default)]
        kind: Kind,
        /// Time until the tag runs again, s.
        #[serde(default)]
        away_s: Option<Amount>,
        /// Power goes in the middle of the next write to the flash.
        #[serde(default)]
        mid_write: bool,
    }
}

entry! {
    /// No sensor answers on its bus.
    Bus {
        /// How long, s.
        lasts_s: Amount,
    }
}

entry! {
    /// A sensor fails.
    Sensor {
        /// Which.
        which: Which,
        /// How.
        #[serde(default)]
        how: How,
        /// How long, h; for ever where not given.
        #[serde(default)]
        lasts_h: Option<Amount>,
    }
}

entry! {
    /// A clock goes wrong.
    Clock {
        /// Which.
        which: WhichClock,
        /// By how much it steps, s; back where negative.
        #[serde(default)]
        step_s: Option<Amount>,
        /// It stops for good.
        #[serde(default)]
        lost: bool,
    }
}

entry! {
    /// Flash wears.
    Worn {
        /// Where: copies of everything, or the vitals.
        region: Region,
        /// Part of the bytes of one sector that have a bit that stays as it is, 0 to 1.
        part: Amount,
    }
}

entry! {
    /// The cell sags.
    Sag {
        /// How long, h.
        lasts_h: Amount,
        /// Chance that a pulse of the release resets the tag, 0 to 1.
        #[serde(default)]
        chance: Option<Amount>,
        /// Part of its charge that the cell is taken to have left, 0 to 1.
        #[serde(default)]
        cell_left: Option<Amount>,
    }
}

/// Kind of a reset.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Loss of power.
    #[default]
    Power,
    /// The watchdog.
    Watchdog,
}

/// A sensor.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum Which {
    /// Accelerometer.
    Accel,
    /// Depth sensor.
    Depth,
    /// Wet sensor.
    Wet,
}

/// How a sensor fails.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// It gives nothing.
    #[default]
    Silent,
    /// It repeats its last reading.
    Stuck,
}

/// A clock of the tag.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum WhichClock {
    /// The timer that stamps samples.
    Timer,
    /// First counter that runs on through a reset.
    #[serde(rename = "backup_1")]
    First,
    /// Second counter that runs on through a reset.
    #[serde(rename = "backup_2")]
    Second,
}

/// A region of the flash.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum Region {
    /// Copies of everything.
    Copies,
    /// Copies of the vitals.
    Vitals,
}

/// Time on deck; the trace counts in between.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(deny_unknown_fields, default)]
pub struct Deck {
    /// On deck from the start until then, h.
    pub until_h: Option<f64>,
    /// On deck from then on, h.
    pub from_h: Option<f64>,
    /// On deck in between: from, to, h.
    pub outings_h: Vec<[f64; 2]>,
}

/// The link.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, default)]
pub struct Link {
    /// Attempts that fail before one parts it.
    pub fails: u32,
}

/// One thing that goes wrong, times in microseconds since the start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// The tag is reset.
    Reset {
        /// Kind.
        kind: Kind,
        /// Time until it runs again.
        away_us: u64,
        /// Power goes in the middle of a write.
        mid_write: bool,
    },
    /// No sensor answers until then.
    Bus {
        /// End.
        until_us: u64,
    },
    /// A sensor fails until then.
    Sensor {
        /// Which.
        which: Which,
        /// How.
        how: How,
        /// End.
        until_us: u64,
    },
    /// A clock steps.
    Step {
        /// Which.
        which: WhichClock,
        /// By how much.
        step_us: i64,
    },
    /// A clock stops for good.
    Lost {
        /// Which.
        which: WhichClock,
    },
    /// A sector wears.
    Worn {
        /// Where.
        region: Region,
        /// Part of its bytes.
        part: f64,
    },
    /// The cell sags until then.
    Sag {
        /// End.
        until_us: u64,
        /// Chance that a pulse resets the tag.
        chance: f64,
        /// Part of the charge that is left.
        cell_left: Option<f32>,
    },
}

/// A plan with everything drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drawn {
    /// What goes wrong, by time.
    pub faults: Vec<(u64, Fault)>,
    /// On deck: from, to, microseconds.
    pub deck_us: Vec<(u64, u64)>,
    /// Attempts that fail.
    pub fails: u32,
    /// Draws what is left to chance while it runs.
    pub seed: u64,
}

impl Drawn {
    /// Since when it has been on deck at a time, microseconds; `None`: it is in the sea.
    pub fn deck_since_us(&self, at_us: u64) -> Option<u64> {
        self.deck_us.iter().find(|(from, to)| (*from..*to).contains(&at_us)).map(|(from, _)| *from)
    }
}

impl Plan {
    /// Reads the file at `path`.
    ///
    /// # Errors
    /// As for [`Plan::parse`], and a file that cannot be read.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let name = path.display().to_string();
        Self::parse(&name, &toml_text::read(path)?)
    }

    /// Understands the content of a plan called `name`.
    ///
    /// # Errors
    /// Text that is not TOML, unknown keys, values of the wrong kind or out of range.
    pub fn parse(name: &str, bytes: &[u8]) -> Result<Self, Problem> {
        let text = toml_text::decode(name, bytes, "a plan of a few lines")?;
        let plan: Plan = toml::from_str(text).map_err(|e| {
            let span = e.span().unwrap_or(0..0);
            let message = one_line(e.message());
            unknown(&message, located(name, text, &span, &message, "here"))
        })?;
        // Shows everything out of range before anything is run.
        plan.draw().map_err(|message| Problem::new(format!("{name}: {message}")))?;
        Ok(plan)
    }

    /// Draws everything that is given as a range.
    ///
    /// # Errors
    /// A sentence that names table, key and range of a value that cannot be.
    pub fn draw(&self) -> Result<Drawn, String> {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let mut faults = Vec::new();
        let seconds = |x: f64| (x * SECOND_US) as u64;
        let hours = |x: f64| (x * HOUR_US) as u64;
        for e in &self.reset {
            for at_us in times(&mut rng, "reset", e.when())? {
                let away_s =
                    amount(&mut rng, "reset", "away_s", e.away_s, 0.5, 0.0, MAX_H * 3600.0)?;
                let (kind, mid_write) = (e.kind, e.mid_write);
                faults.push((at_us, Fault::Reset { kind, away_us: seconds(away_s), mid_write }));
            }
        }
        for e in &self.bus {
            for at_us in times(&mut rng, "bus", e.when())? {
                let lasts_s =
                    amount(&mut rng, "bus", "lasts_s", Some(e.lasts_s), 0.0, 0.0, MAX_H * 3600.0)?;
                faults.push((at_us, Fault::Bus { until_us: at_us + seconds(lasts_s) }));
            }
        }
        for e in &self.sensor {
            for at_us in times(&mut rng, "sensor", e.when())? {
                let lasts_h = amount(&mut rng, "sensor", "lasts_h", e.lasts_h, MAX_H, 0.0, MAX_H)?;
                let until_us = at_us + hours(lasts_h);
                faults.push((at_us, Fault::Sensor { which: e.which, how: e.how, until_us }));
            }
        }
        for e in &self.clock {
            for at_us in times(&mut rng, "clock", e.when())? {
                if e.lost == e.step_s.is_some() {
                    return Err("[[clock]] needs either step_s or lost = true".into());
                }
                let day = MAX_H * 3600.0;
                let step_s = amount(&mut rng, "clock", "step_s", e.step_s, 0.0, -day, day)?;
                let step_us = (step_s * SECOND_US) as i64;
                faults.push((
                    at_us,
                    match e.lost {
                        true => Fault::Lost { which: e.which },
                        false => Fault::Step { which: e.which, step_us },
                    },
                ));
            }
        }
        for e in &self.worn {
            for at_us in times(&mut rng, "worn", e.when())? {
                let part = amount(&mut rng, "worn", "part", Some(e.part), 0.0, 0.0, 1.0)?;
                faults.push((at_us, Fault::Worn { region: e.region, part }));
            }
        }
        for e in &self.sag {
            for at_us in times(&mut rng, "sag", e.when())? {
                let lasts_h = amount(&mut rng, "sag", "lasts_h", Some(e.lasts_h), 0.0, 0.0, MAX_H)?;
                let chance = amount(&mut rng, "sag", "chance", e.chance, 1.0, 0.0, 1.0)?;
                let left = amount(&mut rng, "sag", "cell_left", e.cell_left, 1.0, 0.0, 1.0)?;
                let cell_left = e.cell_left.is_some().then_some(left as f32);
                let until_us = at_us + hours(lasts_h);
                faults.push((at_us, Fault::Sag { until_us, chance, cell_left }));
            }
        }
        faults.sort_by_key(|(at_us, _)| *at_us);
        for (key, h) in [("until_h", self.deck.until_h), ("from_h", self.deck.from_h)] {
            within("deck", key, h.unwrap_or(0.0), 0.0, MAX_H)?;
        }
        let mut deck_us = vec![(0, hours(self.deck.until_h.unwrap_or(0.0)))];
        for &[from_h, to_h] in &self.deck.outings_h {
            within("deck", "outings_h", from_h, 0.0, MAX_H)?;
            within("deck", "outings_h", to_h, 0.0, MAX_H)?;
            if from_h > to_h {
                return Err(format!("outings_h of [deck]: {from_h} is more than {to_h}"));
            }
            deck_us.push((hours(from_h), hours(to_h)));
        }
        deck_us.extend(self.deck.from_h.map(|from_h| (hours(from_h), u64::MAX)));
        Ok(Drawn { faults, deck_us, fails: self.link.fails, seed: self.seed })
    }
}

fn within(table: &str, key: &str, x: f64, least: f64, most: f64) -> Result<f64, String> {
    if (least..=most).contains(&x) {
        Ok(x)
    } else {
        Err(format!("{key} of [{table}] must lie between {least} and {most}, got {x}"))
    }
}

fn between(
    rng: &mut ChaCha8Rng,
    table: &str,
    key: &str,
    [low, high]: [f64; 2],
    [least, most]: [f64; 2],
) -> Result<f64, String> {
    within(table, key, low, least, most)?;
    within(table, key, high, least, most)?;
    if low > high {
        return Err(format!("{key} of [{table}]: {low} is more than {high}"));
    }
    Ok(low + (high - low) * rng.random::<f64>())
}

fn amount(
    rng: &mut ChaCha8Rng,
    table: &str,
    key: &str,
    given: Option<Amount>,
    default: f64,
    least: f64,
    most: f64,
) -> Result<f64, String> {
    match given {
        None => Ok(default),
        Some(Amount::Given(x)) => within(table, key, x, least, most),
        Some(Amount::Drawn(range)) => between(rng, table, key, range, [least, most]),
    }
}

fn times(rng: &mut ChaCha8Rng, table: &str, when: When) -> Result<Vec<u64>, String> {
    let hours = |x: f64| (x * HOUR_US) as u64;
    let count = when.count.unwrap_or(1);
    if count > MAX_COUNT {
        return Err(format!("count of [[{table}]] must be at most {MAX_COUNT}, got {count}"));
    }
    match (when.at_h, when.between_h) {
        (Some(at_h), None) if when.count.is_none() => {
            Ok(vec![hours(within(table, "at_h", at_h, 0.0, MAX_H)?)])
        }
        (None, Some(range)) => (0..count)
            .map(|_| between(rng, table, "between_h", range, [0.0, MAX_H]).map(hours))
            .collect(),
        _ => Err(format!(
            "[[{table}]] needs a time: either at_h, or between_h = [from, to] with a count"
        )),
    }
}

/// Adds the nearest known name to a message about an unknown one, which lists the
/// known ones between back quotes.
fn unknown(message: &str, problem: Problem) -> Problem {
    let mut names = message.split('`').skip(1).step_by(2);
    let Some(given) = names.next().filter(|_| message.starts_with("unknown")) else {
        return problem;
    };
    match nearest(given, names) {
        Some(near) => problem.help(format!("nearest known name: {near}")),
        None => problem,
    }
}
