//! The header row: which delimiter, and which column is what.

use crate::problem::{Problem, nearest, shown};

/// Standard gravity, m/s2 (CGPM 1901).
pub const STANDARD_GRAVITY_MS2: f64 = 9.80665;

const KNOWN: [&str; 14] = [
    "t_s",
    "time_utc",
    "ax_g",
    "ay_g",
    "az_g",
    "ax_ms2",
    "ay_ms2",
    "az_ms2",
    "ax_raw",
    "ay_raw",
    "az_raw",
    "depth_m",
    "pressure_dbar",
    "temp_c",
];

/// Unit of the acceleration columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AccelUnit {
    /// g.
    G,
    /// m/s2.
    Ms2,
    /// Counts of the sensor.
    Raw,
}

impl AccelUnit {
    const ALL: [AccelUnit; 3] = [AccelUnit::G, AccelUnit::Ms2, AccelUnit::Raw];

    /// End of the column names, after the axis.
    pub fn suffix(self) -> &'static str {
        match self {
            AccelUnit::G => "g",
            AccelUnit::Ms2 => "ms2",
            AccelUnit::Raw => "raw",
        }
    }

    /// Names of the three columns.
    pub fn columns(self) -> [&'static str; 3] {
        match self {
            AccelUnit::G => ["ax_g", "ay_g", "az_g"],
            AccelUnit::Ms2 => ["ax_ms2", "ay_ms2", "az_ms2"],
            AccelUnit::Raw => ["ax_raw", "ay_raw", "az_raw"],
        }
    }
}

/// Which column is what.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    /// Names as in the file, trimmed.
    pub names: Vec<String>,
    /// Column of the time.
    pub time: usize,
    /// Whether the time is a date and time rather than seconds.
    pub utc: bool,
    /// Columns of the axes.
    pub accel: [usize; 3],
    /// Unit of the axes.
    pub unit: AccelUnit,
    /// Column of the depth or pressure.
    pub depth: Option<usize>,
    /// Whether that column is a pressure.
    pub pressure: bool,
    /// Column of the temperature.
    pub temp: Option<usize>,
    /// Columns that any row must have, as a count.
    pub needed: usize,
}

/// The delimiter of a header line: the one that yields most known names.
pub(super) fn delimiter(line: &[u8]) -> u8 {
    let known = |delimiter: u8| {
        line.split(|&b| b == delimiter).filter(|cell| KNOWN.contains(&&*clean(cell))).count()
    };
    let mut best = (b',', known(b','));
    for candidate in [b';', b'\t', b'|'] {
        let count = known(candidate);
        if count > best.1 {
            best = (candidate, count);
        }
    }
    best.0
}

/// A name without blanks and quotes around it, in lower case.
fn clean(cell: &[u8]) -> String {
    String::from_utf8_lossy(cell)
        .trim_matches(|c: char| c.is_whitespace() || c == '"' || c == '\'')
        .to_ascii_lowercase()
}

/// Understands the header row `cells`, which is at line `line` of the file
/// called `name`. Returns the layout and the notices to give.
pub(super) fn layout<'a>(
    name: &str,
    line: u64,
    cells: impl Iterator<Item = &'a [u8]>,
) -> Result<(Layout, Vec<String>), Problem> {
    let mut names = Vec::new();
    for cell in cells {
        if std::str::from_utf8(cell).is_err() || cell.iter().any(|b| b.is_ascii_control()) {
            return Err(Problem::new(format!(
                "{name}: row {line}: the header is not text: {}; a CSV header was expected",
                shown(cell)
            ))
            .help("a trace is a CSV file in UTF-8, plain or compressed with gzip"));
        }
        names.push(clean(cell));
    }
    if names.iter().all(|n| n.is_empty() || n.parse::<f64>().is_ok()) {
        return Err(Problem::new(format!(
            "{name}: row {line}: a header row was expected, got {}",
            shown(names.join(",").as_bytes())
        ))
        .help("name the columns in the first row, for example t_s,ax_g,ay_g,az_g,depth_m"));
    }
    for (n, column) in names.iter().enumerate() {
        if KNOWN.contains(&column.as_str()) && names[..n].contains(column) {
            return Err(Problem::new(format!("{name}: row {line}: column {column} occurs twice")));
        }
    }
    let find = |column: &str| names.iter().position(|n| n == column);
    let found = || {
        let list = names.iter().take(20).map(String::as_str).collect::<Vec<_>>().join(", ");
        format!("columns found: {}", shown_list(&list))
    };
    let mut notices = Vec::new();

    // Time.
    let (time, utc) = match (find("t_s"), find("time_utc")) {
        (Some(t), None) => (t, false),
        (None, Some(t)) => (t, true),
        (Some(t), Some(_)) => {
            notices.push(format!("{name}: has t_s and time_utc; t_s is used"));
            (t, false)
        }
        (None, None) => {
            let near = names
                .iter()
                .find(|n| n.contains("time") || n.contains("date") || *n == "t")
                .map(|n| format!("; is {} the time?", shown(n.as_bytes())))
                .unwrap_or_default();
            return Err(Problem::new(format!(
                "{name}: row {line}: no time column; t_s (seconds from the start) or time_utc \
                 (RFC 3339) was expected"
            ))
            .help(format!("{}{near}", found())));
        }
    };

    // Acceleration: exactly one whole set.
    let count = |unit: AccelUnit| unit.columns().iter().filter(|c| find(c).is_some()).count();
    let present: Vec<_> = AccelUnit::ALL.into_iter().filter(|&u| count(u) > 0).collect();
    let unit = match present[..] {
        [unit] => unit,
        [] => {
            let near = names
                .iter()
                .find(|n| !KNOWN.contains(&n.as_str()) && n.to_ascii_lowercase().contains('x'))
                .map(|n| format!("; is {} the x axis?", shown(n.as_bytes())))
                .unwrap_or_default();
            return Err(Problem::new(format!(
                "{name}: row {line}: no acceleration columns; one set was expected: ax_g, ay_g, \
                 az_g (g), or ax_ms2, ay_ms2, az_ms2 (m/s2), or ax_raw, ay_raw, az_raw (counts)"
            ))
            .help(format!("{}{near}", found())));
        }
        _ => {
            let all: Vec<_> =
                present.iter().flat_map(|u| u.columns()).filter(|c| find(c).is_some()).collect();
            return Err(Problem::new(format!(
                "{name}: row {line}: acceleration columns of more than one set ({}); one set was \
                 expected, in g, m/s2 or counts",
                all.join(", ")
            )));
        }
    };
    let missing: Vec<_> = unit.columns().into_iter().filter(|c| find(c).is_none()).collect();
    if let Some(first) = missing.first() {
        let others = names.iter().filter(|n| !KNOWN.contains(&n.as_str())).map(String::as_str);
        let near = nearest(first, others)
            .map(|n| format!("; is {} meant?", shown(n.as_bytes())))
            .unwrap_or_default();
        return Err(Problem::new(format!(
            "{name}: row {line}: axis missing: {}; all of {} are needed",
            missing.join(", "),
            unit.columns().join(", ")
        ))
        .help(format!("{}{near}", found())));
    }
    let accel = unit.columns().map(|c| find(c).unwrap_or(0));

    // Depth and temperature.
    let (depth, pressure) = match (find("depth_m"), find("pressure_dbar")) {
        (Some(d), p) => {
            if p.is_some() {
                notices.push(format!("{name}: has depth_m and pressure_dbar; depth_m is used"));
            }
            (Some(d), false)
        }
        (None, p) => (p, p.is_some()),
    };
    let temp = find("temp_c");

    let unknown: Vec<_> = names
        .iter()
        .filter(|n| !KNOWN.contains(&n.as_str()))
        .map(|n| shown(n.as_bytes()))
        .collect();
    if !unknown.is_empty() {
        // A reading under another name would be lost without a word.
        let lost = |absent: bool, part: &str, expected: &str| {
            let named = unknown.iter().find(|n| absent && n.contains(part));
            named.map(|n| format!("; is {n} meant as {expected}?")).unwrap_or_default()
        };
        notices.push(format!(
            "{name}: {} unknown {} ignored: {}{}{}{}",
            unknown.len(),
            if unknown.len() == 1 { "column" } else { "columns" },
            shown_list(&unknown.iter().take(12).map(String::as_str).collect::<Vec<_>>().join(", ")),
            lost(depth.is_none(), "depth", "depth_m"),
            lost(depth.is_none(), "press", "pressure_dbar"),
            lost(temp.is_none(), "temp", "temp_c"),
        ));
    }
    let needed = accel.iter().copied().chain([time]).max().unwrap_or(0) + 1;
    Ok((Layout { names, time, utc, accel, unit, depth, pressure, temp, needed }, notices))
}

/// A list of names cut to a readable length.
fn shown_list(list: &str) -> String {
    if list.chars().count() <= 200 {
        return list.to_owned();
    }
    list.chars().take(200).chain("...".chars()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(header: &str) -> Result<(Layout, Vec<String>), String> {
        layout("x.csv", 1, header.as_bytes().split(|&b| b == b','))
            .map_err(|p| format!("{p} | {}", p.advice().unwrap_or_default()))
    }

    #[test]
    fn order_is_free_and_unknown_columns_give_one_notice() {
        let (l, notices) = of("depth_m,az_g,foo,ay_g,ax_g,bar,t_s").unwrap();
        assert_eq!((l.time, l.accel, l.depth, l.needed), (6, [4, 3, 1], Some(0), 7));
        assert_eq!(notices.len(), 1);
        assert!(notices[0].contains("\"foo\", \"bar\""));
    }

    #[test]
    fn says_what_is_missing() {
        let e = of("t_s,ax_g,ay_g,a_z").unwrap_err();
        assert!(e.contains("missing: az_g") && e.contains("\"a_z\""), "{e}");
        let e = of("time_s,ax_g,ay_g,az_g").unwrap_err();
        assert!(e.contains("no time column") && e.contains("is \"time_s\" the time?"), "{e}");
        let (_, notices) = of("t_s,ax_g,ay_g,az_g,depth,temp_c").unwrap();
        assert!(notices[0].contains("is \"depth\" meant as depth_m?"), "{notices:?}");
        let (_, notices) = of("t_s,ax_g,ay_g,az_g,depth_m,depth_raw").unwrap();
        assert!(!notices[0].contains("meant"), "{notices:?}");
        let e = of("t_s,x,y,z").unwrap_err();
        assert!(e.contains("ax_ms2"), "{e}");
        let e = of("t_s,ax_g,ay_g,az_ms2").unwrap_err();
        assert!(e.contains("more than one set"), "{e}");
        let e = of("t_s,ax_g,ay_g,az_g,ax_g").unwrap_err();
        assert!(e.contains("twice"), "{e}");
        let e = of("0.0,0.1,0.2,1.0").unwrap_err();
        assert!(e.contains("header row was expected"), "{e}");
    }

    #[test]
    fn finds_the_delimiter() {
        assert_eq!(delimiter(b"t_s,ax_g,ay_g,az_g"), b',');
        assert_eq!(delimiter(b"t_s;ax_g;ay_g;az_g"), b';');
        assert_eq!(delimiter(b"t_s\tax_g\tay_g\taz_g"), b'\t');
        assert_eq!(delimiter(b"foo"), b',');
    }
}
