//! The truth file: what really happened, invented with the trace or annotated.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use crate::own;
use crate::problem::{Problem, nearest, shown};
use crate::trace::{Source, open_file};

/// What can happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Event {
    /// One whole tail cycle, at its left-most sway.
    Beat,
    /// Gliding between beats.
    Glide,
    /// Resting.
    Rest,
    /// A burst.
    Burst,
    /// The animal dies.
    Death,
    /// The animal has recovered.
    Recovered,
    /// The tag comes off.
    Detached,
    /// At the surface.
    Surface,
    /// The animal is set free.
    Released,
    /// The package is picked up.
    PickedUp,
    /// The animal is eaten, tag and all.
    Eaten,
    /// The package floats.
    Floating,
    /// The package lies on the bottom.
    OnBottom,
    /// The package hangs by its line.
    Hanging,
    /// The package is aboard a boat.
    Aboard,
    /// An event of the registered detector ([`own::kinds`]): the number of its kind.
    Own(u8),
}

/// All built-in events with their names in the file.
pub const EVENTS: [(&str, Event); 15] = [
    ("beat", Event::Beat),
    ("glide", Event::Glide),
    ("rest", Event::Rest),
    ("burst", Event::Burst),
    ("death", Event::Death),
    ("recovered", Event::Recovered),
    ("detached", Event::Detached),
    ("surface", Event::Surface),
    ("released", Event::Released),
    ("picked_up", Event::PickedUp),
    ("eaten", Event::Eaten),
    ("floating", Event::Floating),
    ("on_bottom", Event::OnBottom),
    ("hanging", Event::Hanging),
    ("aboard", Event::Aboard),
];

/// One line of a truth file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruthEvent {
    /// Time on the clock of the trace, s.
    pub t_s: f64,
    /// What happened.
    pub event: Event,
    /// When it ended, s, where it lasted.
    pub end_s: Option<f64>,
    /// Line of the file, from 1.
    pub row: u64,
}

/// Events that a truth file may name: the built-in ones and those of the registered detector.
fn known() -> impl Iterator<Item = (&'static str, Event)> {
    let own = own::kinds().iter().zip(0..).map(|(kind, n)| (kind.name, Event::Own(n)));
    EVENTS.into_iter().chain(own)
}

/// The event that a truth file calls `name`.
pub fn named(name: &str) -> Option<Event> {
    known().find(|(known, _)| *known == name).map(|(_, event)| event)
}

/// Reads the truth file at `path`. Events are returned in order of time.
///
/// # Errors
/// As for [`parse`], and a file that cannot be read.
pub fn load(path: &Path) -> Result<Vec<TruthEvent>, Problem> {
    parse(&path.display().to_string(), Box::new(open_file(path)?))
}

/// Understands the content of a truth file called `name`. A truth is either
/// wholly right or of no use, so nothing in it is passed over.
///
/// # Errors
/// Any row that is not `t_s,event[,end_s]`, with row, column and what was expected.
pub fn parse(name: &str, source: Source) -> Result<Vec<TruthEvent>, Problem> {
    let mut csv = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .quoting(false)
        .terminator(csv::Terminator::Any(b'\n'))
        .from_reader(crate::trace::bounded(source).chain(&b"\n"[..]));
    let mut record = csv::ByteRecord::new();
    let read = |csv: &mut csv::Reader<_>, record: &mut csv::ByteRecord| {
        csv.read_byte_record(record)
            .map_err(|e| Problem::new(format!("{name}: cannot be read: {e}")))
    };
    if !read(&mut csv, &mut record)? {
        return Err(Problem::new(format!(
            "{name}: is empty; a header t_s,event[,end_s] was expected"
        )));
    }
    let mut columns = BTreeMap::new();
    for (at, cell) in record.iter().enumerate() {
        let cell = cell.strip_prefix(b"\xef\xbb\xbf").unwrap_or(cell).trim_ascii();
        let column = match cell {
            b"t_s" => "t_s",
            b"event" => "event",
            b"end_s" => "end_s",
            other => {
                return Err(Problem::new(format!(
                    "{name}: row 1: unknown column {}; t_s,event[,end_s] was expected",
                    shown(other)
                )));
            }
        };
        if columns.insert(column, at).is_some() {
            return Err(Problem::new(format!("{name}: row 1: column {column} occurs twice")));
        }
    }
    let want = record.len();
    for column in ["t_s", "event"] {
        if !columns.contains_key(column) {
            return Err(Problem::new(format!(
                "{name}: row 1: column {column} is missing; t_s,event[,end_s] was expected"
            )));
        }
    }
    let mut events = Vec::new();
    while read(&mut csv, &mut record)? {
        let row = csv.position().line().saturating_sub(1);
        if record.len() == 1 && record[0].trim_ascii().is_empty() {
            continue;
        }
        let cell = |column: &str| {
            columns.get(column).and_then(|&at| record.get(at)).unwrap_or_default().trim_ascii()
        };
        if record.len() > want || cell("t_s").is_empty() || cell("event").is_empty() {
            return Err(Problem::new(format!(
                "{name}: row {row}: {} cells where t_s,event[,end_s] was expected",
                record.len()
            )));
        }
        let seconds = |column: &str| -> Result<f64, Problem> {
            fast_float2::parse::<f64, _>(cell(column))
                .ok()
                .filter(|v| v.is_finite() && v.abs() <= 1e9)
                .ok_or_else(|| {
                    Problem::new(format!(
                        "{name}: row {row}, column {column}: {} where a time in seconds was expected",
                        shown(cell(column))
                    ))
                })
        };
        let t_s = seconds("t_s")?;
        let word = cell("event");
        let Some(event) = std::str::from_utf8(word).ok().and_then(named) else {
            let names: Vec<&str> = known().map(|(known, _)| known).collect();
            let given = String::from_utf8_lossy(&word[..word.len().min(40)]);
            let near = nearest(&given, names.iter().copied());
            return Err(Problem::new(format!(
                "{name}: row {row}, column event: unknown event {}; one of {} was expected",
                shown(word),
                names.join(", ")
            ))
            .help(format!("nearest known event: {}", near.unwrap_or_default())));
        };
        let end_s = if cell("end_s").is_empty() { None } else { Some(seconds("end_s")?) };
        if let Some(end_s) = end_s
            && end_s < t_s
        {
            return Err(Problem::new(format!(
                "{name}: row {row}, column end_s: {end_s} lies before t_s {t_s}"
            )));
        }
        events.push(TruthEvent { t_s, event, end_s, row });
    }
    events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
    Ok(events)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &'static str) -> Result<Vec<TruthEvent>, String> {
        parse("x.truth.csv", Box::new(text.as_bytes())).map_err(|p| p.to_string())
    }

    #[test]
    fn reads_and_sorts() {
        let events =
            of("\u{feff}t_s,event,end_s\r\n5.5,glide,9\r\n1,beat,\r\n\r\n2,beat\r\n").unwrap();
        assert_eq!(events.len(), 3);
        assert_eq!(
            events[2],
            TruthEvent { t_s: 5.5, event: Event::Glide, end_s: Some(9.0), row: 2 }
        );
        assert_eq!(of("event,t_s\nbeat,1").unwrap().len(), 1);
        assert_eq!(of("t_s,event\n").unwrap(), []);
    }

    #[test]
    fn no_detector_can_take_the_name_of_a_built_in_event() {
        assert!(EVENTS.iter().all(|(name, _)| own::is_taken(name)));
    }

    #[test]
    fn says_what_is_wrong() {
        for (text, want) in [
            ("", "empty"),
            ("a,b\n", "unknown column \"a\""),
            ("t_s\n", "column event is missing"),
            ("t_s,event\n1,baet\n", "row 2, column event: unknown event \"baet\""),
            ("t_s,event\nx,beat\n", "row 2, column t_s: \"x\""),
            ("t_s,event\nNaN,beat\n", "column t_s"),
            ("t_s,event\n1\n", "row 2"),
            ("t_s,event\n1,beat,3\n", "row 2"),
            ("t_s,event,end_s\n5,glide,4\n", "lies before"),
        ] {
            let error = of(text).unwrap_err();
            assert!(error.contains(want), "{text:?}: {error}");
        }
    }
}
