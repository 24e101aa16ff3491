//! A detector of one's own in the host.
//!
//! A program registers its detector once, at its start ([`register`]). From there on the host
//! carries it as [`Own`], which needs no type parameter: nothing else in the host knows its type.
//! Where none is registered, an [`Own`] is blank and does nothing.

pub mod given;
mod told;

use std::fmt;
use std::sync::OnceLock;

use firmware_core::config::{self, ConfigError, Param};
use firmware_core::detector::{Detector, Motion, Out, OwnKind};
use firmware_core::kept::{Cursor, Kept};
use firmware_core::store::record::OwnNames;
use firmware_core::tag::Tag;
use firmware_core::types::{MinuteSummary, OWN_NUMBERS};

use crate::problem::{Problem, shown};

pub use told::{Names, OwnEvents, Told};

/// The tag as the host runs it.
pub type HostTag = Tag<Own>;

/// Longest name of a detector, its events, its numbers and its settings, characters.
pub const NAME_MAX: usize = 24;

/// Names that files use already, beside the built-in settings: truth events, tables of deployment
/// files and grids, events of an image, beginnings of statistics, and keys of an event.
const TAKEN: [&str; 34] = [
    "beat",
    "glide",
    "rest",
    "burst",
    "death",
    "recovered",
    "detached",
    "surface",
    "released",
    "picked_up",
    "eaten",
    "floating",
    "on_bottom",
    "hanging",
    "aboard",
    "deployment",
    "animal",
    "logger",
    "detector",
    "release",
    "columns",
    "group",
    "made_by",
    "sampling",
    "record",
    "pareto",
    "fate",
    "recovery_estimated",
    "recovery_decided",
    "fault",
    "reset",
    "beats",
    "event",
    "t_s",
];

/// A [`Detector`] behind a pointer.
trait Plug: Send + Sync {
    fn on_block(&mut self, motion: &Motion<'_>, out: &mut Out);
    fn on_minute(&mut self, minute: &MinuteSummary, out: &mut Out);
    fn on_gap(&mut self);
    fn walk(&mut self, cursor: &mut Cursor<'_>);
    fn copy(&self) -> Box<dyn Plug>;
    fn text(&self) -> String;
}

impl<X: Detector + Send + Sync + 'static> Plug for X {
    fn on_block(&mut self, motion: &Motion<'_>, out: &mut Out) {
        self.block(motion, out);
    }

    fn on_minute(&mut self, minute: &MinuteSummary, out: &mut Out) {
        self.minute(minute, out);
    }

    fn on_gap(&mut self) {
        self.gap();
    }

    fn walk(&mut self, cursor: &mut Cursor<'_>) {
        self.visit(cursor);
    }

    fn copy(&self) -> Box<dyn Plug> {
        Box::new(self.clone())
    }

    fn text(&self) -> String {
        format!("{self:?}")
    }
}

/// The registered detector at work, or nothing.
#[derive(Default)]
pub struct Own(Option<Box<dyn Plug>>);

impl Own {
    /// True where there is a detector.
    pub fn is_some(&self) -> bool {
        self.0.is_some()
    }
}

impl Clone for Own {
    fn clone(&self) -> Self {
        Own(self.0.as_ref().map(|own| own.copy()))
    }
}

impl fmt::Debug for Own {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.as_ref().map_or_else(|| "Own".to_owned(), |own| own.text()))
    }
}

/// By their debug text, which shows every field of a derived [`fmt::Debug`].
impl PartialEq for Own {
    fn eq(&self, other: &Self) -> bool {
        match (&self.0, &other.0) {
            (None, None) => true,
            (Some(a), Some(b)) => a.text() == b.text(),
            _ => false,
        }
    }
}

impl Kept for Own {
    fn blank() -> Self {
        Own(registered().map(|r| (r.blank)()))
    }

    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        if let Some(own) = &mut self.0 {
            own.walk(cursor);
        }
    }
}

/// The name, settings and events are those of the registered detector ([`registered`]); those of
/// this type itself are empty.
impl Detector for Own {
    const NAME: &'static str = "";

    fn new(params: &[f32]) -> Self {
        Own(registered().map(|r| (r.make)(params)))
    }

    #[inline]
    fn block(&mut self, motion: &Motion<'_>, out: &mut Out) {
        if let Some(own) = &mut self.0 {
            own.on_block(motion, out);
        }
    }

    #[inline]
    fn minute(&mut self, minute: &MinuteSummary, out: &mut Out) {
        if let Some(own) = &mut self.0 {
            own.on_minute(minute, out);
        }
    }

    #[inline]
    fn gap(&mut self) {
        if let Some(own) = &mut self.0 {
            own.on_gap();
        }
    }
}

/// The detector that this program registered.
pub struct Registered {
    /// Its name.
    pub name: &'static str,
    /// Its settings.
    pub params: &'static [Param],
    /// What it reports.
    pub events: &'static [OwnKind],
    /// The record of its names, as the log keeps it.
    pub record: OwnNames,
    /// Its settings as `NAME.key`, in the order of `params`.
    keys: Vec<String>,
    names: Names,
    make: fn(&[f32]) -> Box<dyn Plug>,
    blank: fn() -> Box<dyn Plug>,
}

static REGISTERED: OnceLock<Registered> = OnceLock::new();

/// Registers a detector for the rest of the program. To be called once, before anything is run.
///
/// # Errors
/// A name that is taken or cannot be written in a file, a setting whose default lies outside its
/// range, names too long for their record in the log, and a second call.
pub fn register<X: Detector + Send + Sync + 'static>() -> Result<(), Problem> {
    let one = Registered::of::<X>()?;
    REGISTERED
        .set(one)
        .map_err(|one| Problem::new(format!("detector {}: one is registered already", one.name)))
}

/// The detector that this program registered.
pub fn registered() -> Option<&'static Registered> {
    REGISTERED.get()
}

/// The kinds of event of the registered detector; none without one.
pub fn kinds() -> &'static [OwnKind] {
    registered().map_or(&[], |r| r.events)
}

/// The settings of the registered detector as `NAME.key`, each with its description.
pub fn settings() -> impl Iterator<Item = (&'static str, &'static Param)> {
    registered().into_iter().flat_map(|r| r.keys.iter().map(String::as_str).zip(r.params))
}

/// Defaults of the settings, in their order.
pub fn defaults() -> Vec<f32> {
    settings().map(|(_, param)| param.default).collect()
}

/// Names of what the registered detector reports.
pub fn names() -> Option<&'static Names> {
    registered().map(|r| &r.names)
}

/// True where an event or a detector cannot be called so, since a file uses the name already.
pub fn is_taken(name: &str) -> bool {
    let mut built_in = config::Detector::PARAMS.iter().chain(config::Release::PARAMS);
    TAKEN.contains(&name) || built_in.any(|p| p.key == name)
}

/// What to say where a detector is named that is not registered.
pub fn absent() -> String {
    match registered() {
        Some(own) => format!("the detector of this program: {}", own.name),
        None => "the program that has the detector built in reads its settings".to_owned(),
    }
}

/// A value of a setting, checked.
///
/// # Errors
/// [`ConfigError::OutOfRange`].
pub fn checked(key: &'static str, param: &Param, value: f32) -> Result<f32, ConfigError> {
    let Param { min, max, .. } = *param;
    if value >= min && value <= max {
        Ok(value)
    } else {
        Err(ConfigError::OutOfRange { key, got: value, min, max })
    }
}

impl Registered {
    fn of<X: Detector + Send + Sync + 'static>() -> Result<Self, Problem> {
        let one = Registered {
            name: X::NAME,
            params: X::PARAMS,
            events: X::EVENTS,
            record: OwnNames::of::<X>(),
            keys: X::PARAMS.iter().map(|p| format!("{}.{}", X::NAME, p.key)).collect(),
            names: Names::of::<X>(),
            make: |params| Box::new(X::new(params)),
            blank: || Box::new(X::blank()),
        };
        one.check().map_err(|why| {
            Problem::new(format!("detector {}: {why}", shown(X::NAME.as_bytes())))
                .help("docs/own-detector.md says which names a detector can use")
        })?;
        Ok(one)
    }

    fn check(&self) -> Result<(), String> {
        name("NAME", self.name)?;
        free("NAME", self.name)?;
        if self.events.len() > usize::from(u8::MAX) {
            return Err(format!("{} kinds of event; a record counts to 255", self.events.len()));
        }
        for (n, kind) in self.events.iter().enumerate() {
            name("event", kind.name)?;
            free("event", kind.name)?;
            if kind.numbers.len() > OWN_NUMBERS {
                let all = kind.numbers.len();
                return Err(format!("event {}: {all} numbers; {OWN_NUMBERS} at most", kind.name));
            }
            for (n, number) in kind.numbers.iter().enumerate() {
                name("number", number)?;
                if ["event", "t_s"].contains(number) || kind.numbers[..n].contains(number) {
                    return Err(format!("event {}: number {number} is taken", kind.name));
                }
            }
            if self.events[..n].iter().any(|earlier| earlier.name == kind.name) {
                return Err(format!("event {} occurs twice", kind.name));
            }
        }
        for (n, p) in self.params.iter().enumerate() {
            name("setting", p.key)?;
            if self.params[..n].iter().any(|earlier| earlier.key == p.key) {
                return Err(format!("setting {} occurs twice", p.key));
            }
            if !(p.min <= p.default && p.default <= p.max) {
                return Err(format!(
                    "setting {}: the default {} must lie between {} and {}",
                    p.key, p.default, p.min, p.max
                ));
            }
        }
        if self.record.text() != self.names.text() {
            return Err(format!(
                "the names of its events and numbers take {} bytes, more than a record holds",
                self.names.text().len()
            ));
        }
        Ok(())
    }
}

/// Lower case, digits and `_`, from 1 to [`NAME_MAX`] characters, a letter first.
fn name(what: &str, name: &str) -> Result<(), String> {
    let sound = name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_');
    let first = name.bytes().next().is_some_and(|b| b.is_ascii_lowercase());
    if sound && first && name.len() <= NAME_MAX {
        return Ok(());
    }
    Err(format!(
        "{what} {} must be lower-case letters, digits and _, a letter first, at most {NAME_MAX}",
        shown(name.as_bytes())
    ))
}

fn free(what: &str, name: &str) -> Result<(), String> {
    if is_taken(name) { Err(format!("{what} {name} is a built-in name")) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use firmware_core::kept::Memory;

    firmware_core::kept! {
        /// Counts blocks.
        #[derive(Clone, Debug, PartialEq)]
        struct Counts {
            blocks: u32,
            least: f32,
        }
    }

    impl Detector for Counts {
        const NAME: &'static str = "counts";
        const EVENTS: &'static [OwnKind] = &[OwnKind { name: "many", numbers: &["blocks"] }];

        fn new(params: &[f32]) -> Self {
            Counts { blocks: 0, least: params.first().copied().unwrap_or(1.0) }
        }
    }

    fn own(counts: Counts) -> Own {
        Own(Some(Box::new(counts)))
    }

    #[test]
    fn a_box_is_kept_copied_and_compared_by_its_value() {
        let mut a = own(Counts { blocks: 7, least: 0.1 });
        assert_eq!(a.clone(), a);
        assert_ne!(a, own(Counts { blocks: 8, least: 0.1 }));
        assert_ne!(a, Own::default());
        assert_eq!(Own::default(), Own::blank());
        let mut bytes = [0; 8];
        let mut port = Memory::new(&mut bytes);
        let mut cursor = Cursor::save(&mut port);
        a.visit(&mut cursor);
        assert!(cursor.finish().is_some());
        let mut b = own(Counts { blocks: 0, least: 0.0 });
        let mut port = Memory::new(&mut bytes);
        let mut cursor = Cursor::load(&mut port, 8);
        b.visit(&mut cursor);
        assert!(cursor.finish().is_some());
        assert_eq!(a, b);
    }

    macro_rules! with_names {
        ($($of:ident $name:literal $event:literal $number:literal;)*) => { $(
            firmware_core::kept! {
                #[derive(Clone, Debug, PartialEq)]
                struct $of { n: u8 }
            }
            impl Detector for $of {
                const NAME: &'static str = $name;
                const EVENTS: &'static [OwnKind] =
                    &[OwnKind { name: $event, numbers: &[$number, "peak_g"] }];
                fn new(_: &[f32]) -> Self {
                    $of { n: 0 }
                }
            }
        )* };
    }

    with_names! {
        Fine "fine" "fine" "swings";
        Upper "Fine" "fine" "swings";
        Empty "" "fine" "swings";
        Spaced "fine" "a b" "swings";
        Long "fine" "a_name_that_is_far_too_long" "swings";
        InTruth "fine" "burst" "swings";
        Setting "min_beat_hz" "fine" "swings";
        Table "animal" "fine" "swings";
        Beats "fine" "beats" "swings";
        Number "fine" "fine" "t_s";
        Twice "fine" "fine" "peak_g";
    }

    #[test]
    fn names_that_cannot_be_used_are_refused() {
        assert!(Registered::of::<Fine>().is_ok());
        assert!(Registered::of::<Counts>().is_ok());
        let why = |r: Result<Registered, Problem>| r.err().map(|p| p.to_string()).unwrap();
        assert!(why(Registered::of::<Upper>()).contains("lower-case"));
        assert!(why(Registered::of::<Empty>()).contains("lower-case"));
        assert!(why(Registered::of::<Spaced>()).contains("\"a b\""));
        assert!(why(Registered::of::<Long>()).contains("at most 24"));
        for (problem, name) in [
            (Registered::of::<InTruth>(), "event burst"),
            (Registered::of::<Setting>(), "NAME min_beat_hz"),
            (Registered::of::<Table>(), "NAME animal"),
            (Registered::of::<Beats>(), "event beats"),
        ] {
            assert!(why(problem).contains(&format!("{name} is a built-in name")));
        }
        assert!(why(Registered::of::<Number>()).contains("number t_s is taken"));
        assert!(why(Registered::of::<Twice>()).contains("number peak_g is taken"));
    }
}
