//! Every table and key of a tag file, with unit, range and default: the one place
//! that the reader checks against and `docs/tag-file.md` is written from.

mod board;
mod inside;
mod outside;

/// What a key takes.
#[derive(Clone, Copy, Debug)]
pub enum Kind {
    /// Text in quotes.
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    /// A list of names.
    Names,
    /// true or false.
    Flag,
    /// A number somebody measured or stated: range; needs a source.
    Figure(f64, f64),
    /// A number somebody chose: range; needs no source.
    Choice(f64, f64),
    /// A whole number somebody chose: range.
    Count(f64, f64),
    /// Pairs: range of the first number, range of the second; needs a source.
    Curve([f64; 2], [f64; 2]),
    /// Pairs in order of time: range of the length, range of the current; needs a source.
    Steps([f64; 2], [f64; 2]),
}

/// Whether a key has to be there.
#[derive(Clone, Copy, Debug)]
pub enum Need {
    /// An error without it.
    Must,
    /// May be absent; the text says what then holds.
    May(&'static str),
    /// May be absent; then this number, whose source is the text.
    Default(f64, &'static str),
}

/// A key.
#[derive(Debug)]
pub struct Key {
    /// Its name, unit at the end.
    pub name: &'static str,
    /// Whether it has to be there.
    pub need: Need,
    /// What it takes.
    pub kind: Kind,
    /// What it says.
    pub doc: &'static str,
}

/// A table.
#[derive(Debug)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// Written `[[name]]`, any number of them.
    pub many: bool,
    /// An error without it.
    pub must: bool,
    /// What it is.
    pub doc: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
}

const fn must(name: &'static str, kind: Kind, doc: &'static str) -> Key {
    Key { name, need: Need::Must, kind, doc }
}

const fn may(name: &'static str, kind: Kind, absent: &'static str, doc: &'static str) -> Key {
    Key { name, need: Need::May(absent), kind, doc }
}

const fn with(
    name: &'static str,
    kind: Kind,
    default: f64,
    from: &'static str,
    doc: &'static str,
) -> Key {
    Key { name, need: Need::Default(default, from), kind, doc }
}

use Kind::Figure;

/// Steady currents, uA.
const UA: Kind = Figure(0.0, 1e6);
/// Pulse currents, mA.
const MA: Kind = Figure(1e-6, 1e5);
const NONE: &str = "none";
/// The range of all that is a temperature, deg C.
const DEG_C: [f64; 2] = [-60.0, 90.0];

/// The tables, in the order of the documentation.
pub static TABLES: [&Table; 18] = [
    &inside::TAG,
    &inside::CELL,
    &inside::SUPPLY,
    &inside::MCU,
    &inside::ACCELEROMETER,
    &inside::DEPTH_SENSOR,
    &inside::FLASH,
    &board::BUS,
    &board::COPIES,
    &outside::RADIO_BEACON,
    &outside::SATELLITE_BEACON,
    &outside::POSITION_FIX,
    &outside::RELEASE,
    &outside::PASSIVE_LINK,
    &outside::MEMORY,
    &outside::RECORD,
    &outside::LOAD,
    &outside::PHASE,
];

/// The table called `name`.
pub fn table(name: &str) -> Option<&'static Table> {
    TABLES.iter().copied().find(|t| t.name == name)
}

impl Table {
    /// The key called `name`.
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        TABLES.iter().find(|t| t.name == self.name)?.keys.iter().find(|k| k.name == name)
    }

    /// True where figures stand in it, so that it takes `source` and `sd_percent`.
    pub fn has_figures(&self) -> bool {
        self.keys
            .iter()
            .any(|k| matches!(k.kind, Kind::Figure(..) | Kind::Curve(..) | Kind::Steps(..)))
    }
}
