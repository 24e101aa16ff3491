//! The header row: which delimiter, and which column is what.

use crate::problem::{Problem, nearest, shown};

/// Standard gravity, m/s2 (CGPM 1901).
pub const STANDARD_GRAVITY_MS2: f64 = 9.80665;

/// Columns that a trace can have.
pub const KNOWN: [&str; 14] = [
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
pub(super) fn delimiter(line: &[u8], renamed: &[(&'static str, String)]) -> u8 {
    let known = |delimiter: u8| {
        let named = |cell: &&[u8]| {
            let cell = clean(cell);
            KNOWN.contains(&&*cell) || renamed.iter().any(|(_, theirs)| folded(theirs) == cell)
        };
        line.split(|&b| b == delimiter).filter(named).count()
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

/// A name as [`clean`] gives it.
fn folded(name: &str) -> String {
    clean(name.as_bytes())
}

/// Gives columns the names that they have here, by the deployment file's `[columns]`.
fn rename(
    name: &str,
    line: u64,
    names: &mut [String],
    renamed: &[(&'static str, String)],
) -> Result<(), Problem> {
    let theirs = names.to_vec();
    for (ours, wanted) in renamed {
        let Some(at) = theirs.iter().position(|n| *n == folded(wanted)) else {
            let problem = Problem::new(format!(
                "{name}: row {line}: no column {}, which [columns] in the deployment file gives as \
                 {ours}",
                shown(wanted.as_bytes())
            ));
            let list = theirs.iter().take(20).map(String::as_str).collect::<Vec<_>>().join(", ");
            let near = nearest(&folded(wanted), theirs.iter().map(String::as_str));
            let near = near.map(|n| format!("; nearest: {}", shown(n.as_bytes())));
            return Err(problem.help(format!(
                "columns found: {}{}",
                shown_list(&list),
                near.unwrap_or_default()
            )));
        };
        // A column of that name that is not meant would stand in the way.
        if let Some(other) = names.iter().position(|n| n == ours)
            && other != at
        {
            names[other] = format!("{ours} (not used)");
        }
        names[at] = (*ours).to_owned();
    }
    Ok(())
}

/// What to write into the deployment file where columns have other names.
fn snippet(name: &str, time: Option<&str>, axes: Option<[&str; 3]>, depth: Option<&str>) -> String {
    let quoted = |ours: &str, theirs: &str| format!("{ours} = {}", shown(theirs.as_bytes()));
    let mut lines = vec!["[columns]".to_owned()];
    lines.extend(time.map(|t| quoted("time_utc", t) + "   # or t_s, for seconds"));
    if let Some([x, y, z]) = axes {
        lines.push(quoted("ax_ms2", x) + "   # or ax_g, ax_raw");
        lines.push(quoted("ay_ms2", y));
        lines.push(quoted("az_ms2", z));
    }
    lines.extend(depth.map(|d| quoted("depth_m", d)));
    let file = crate::deployment::beside(std::path::Path::new(name), ".toml");
    let file = file.display();
    format!("name your columns in the deployment file {file}:\n{}", lines.join("\n"))
}

/// Columns that could be the three axes: names alike but for x, y and z.
fn axes_like(names: &[String]) -> Option<[&str; 3]> {
    names.iter().find_map(|x| {
        x.match_indices('x').find_map(|(at, _)| {
            let with = |axis: &str| format!("{}{axis}{}", &x[..at], &x[at + 1..]);
            let find = |wanted: String| names.iter().find(|n| **n == wanted).map(String::as_str);
            Some([x.as_str(), find(with("y"))?, find(with("z"))?])
        })
    })
}

/// The column that looks like the time.
fn time_like(names: &[String]) -> Option<&str> {
    let like = |n: &&String| n.contains("time") || n.contains("date") || *n == "t";
    names.iter().find(like).map(String::as_str)
}

/// Understands the header row `cells`, which is at line `line` of the file
/// called `name`. Returns the layout and the notices to give.
pub(super) fn layout<'a>(
    name: &str,
    line: u64,
    cells: impl Iterator<Item = &'a [u8]>,
    renamed: &[(&'static str, String)],
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
    rename(name, line, &mut names, renamed)?;
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
            return Err(Problem::new(format!(
                "{name}: row {line}: no time column; t_s (seconds from the start) or time_utc \
                 (RFC 3339) was expected"
            ))
            .help(format!("{}\n{}", found(), advice(name, &names))));
        }
    };

    // Acceleration: exactly one whole set.
    let count = |unit: AccelUnit| unit.columns().iter().filter(|c| find(c).is_some()).count();
    let present: Vec<_> = AccelUnit::ALL.into_iter().filter(|&u| count(u) > 0).collect();
    let unit = match present[..] {
        [unit] => unit,
        [] => {
            return Err(Problem::new(format!(
                "{name}: row {line}: no acceleration columns; one set was expected: ax_g, ay_g, \
                 az_g (g), or ax_ms2, ay_ms2, az_ms2 (m/s2), or ax_raw, ay_raw, az_raw (counts)"
            ))
            .help(format!("{}\n{}", found(), advice(name, &names))));
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
            named
                .map(|n| {
                    format!("; is {n} meant as {expected}? ([columns] in the deployment file)")
                })
                .unwrap_or_default()
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

/// The snippet for all that is not named as here.
fn advice(name: &str, names: &[String]) -> String {
    let timed = names.iter().any(|n| n == "t_s" || n == "time_utc");
    let measured = AccelUnit::ALL.iter().any(|u| names.iter().any(|n| n == u.columns()[0]));
    let time = if timed { None } else { Some(time_like(names).unwrap_or("...")) };
    let axes = (!measured).then(|| axes_like(names).unwrap_or(["...", "...", "..."]));
    let deep = names.iter().any(|n| n == "depth_m" || n == "pressure_dbar");
    let depth = names.iter().find(|n| !deep && n.contains("depth")).map(String::as_str);
    snippet(name, time, axes, depth)
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
        layout("x.csv", 1, header.as_bytes().split(|&b| b == b','), &[])
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
        assert!(e.contains("no time column") && e.contains("time_utc = \"time_s\""), "{e}");
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
    fn columns_of_other_names_are_advised_and_then_read() {
        let header = "Zeit,Timestamp,Acc X [m/s2],Acc Y [m/s2],Acc Z [m/s2],Depth";
        let e = of(header).unwrap_err();
        assert!(e.contains("time_utc = \"timestamp\"") && e.contains("\"acc z [m/s2]\""), "{e}");
        assert!(e.contains("file x.toml:") && e.contains("depth_m = \"depth\""), "{e}");
        let renamed = [
            ("time_utc", "Timestamp".to_owned()),
            ("ax_ms2", "Acc X [m/s2]".to_owned()),
            ("ay_ms2", "acc y [m/s2]".to_owned()),
            ("az_ms2", " Acc Z [m/s2]".to_owned()),
            ("depth_m", "Depth".to_owned()),
        ];
        let cells = || header.as_bytes().split(|&b| b == b',');
        let (l, _) = layout("x.csv", 1, cells(), &renamed).unwrap();
        assert_eq!((l.time, l.utc, l.accel, l.depth), (1, true, [2, 3, 4], Some(5)));
        assert_eq!(delimiter(header.replace(',', ";").as_bytes(), &renamed), b';');
        let wrong = [("ax_ms2", "Acc XX".to_owned())];
        let e = layout("x.csv", 1, cells(), &wrong).unwrap_err();
        let e = format!("{e} | {}", e.advice().unwrap_or_default());
        assert!(e.contains("no column \"Acc XX\"") && e.contains("acc x [m/s2]"), "{e}");
    }

    #[test]
    fn finds_the_delimiter() {
        assert_eq!(delimiter(b"t_s,ax_g,ay_g,az_g", &[]), b',');
        assert_eq!(delimiter(b"t_s;ax_g;ay_g;az_g", &[]), b';');
        assert_eq!(delimiter(b"t_s\tax_g\tay_g\taz_g", &[]), b'\t');
        assert_eq!(delimiter(b"foo", &[]), b',');
    }
}
