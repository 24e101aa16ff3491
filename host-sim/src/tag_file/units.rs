//! Units in the names of keys, to say what a slip of the unit should have been.

use super::keys::Table;

/// Endings, quantity, and size in a base unit of that quantity; 0 where a factor
/// does not convert.
const UNITS: &[(&str, &str, f64)] = &[
    ("na", "current", 1e-9),
    ("ua", "current", 1e-6),
    ("ma", "current", 1e-3),
    ("a", "current", 1.0),
    ("uah", "charge", 3.6e-3),
    ("mah", "charge", 3.6),
    ("ah", "charge", 3600.0),
    ("uc", "charge", 1e-6),
    ("mc", "charge", 1e-3),
    ("c", "charge", 1.0),
    ("us", "time", 1e-6),
    ("ms", "time", 1e-3),
    ("s", "time", 1.0),
    ("min", "time", 60.0),
    ("h", "time", 3600.0),
    ("days", "time", 86400.0),
    ("years", "time", 365.25 * 86400.0),
    ("mv", "voltage", 1e-3),
    ("v", "voltage", 1.0),
    ("mohm", "resistance", 1e-3),
    ("ohm", "resistance", 1.0),
    ("kohm", "resistance", 1e3),
    ("pf", "capacitance", 1e-12),
    ("nf", "capacitance", 1e-9),
    ("uf", "capacitance", 1e-6),
    ("mf", "capacitance", 1e-3),
    ("f", "capacitance", 1.0),
    ("hz", "frequency", 1.0),
    ("khz", "frequency", 1e3),
    ("mhz", "frequency", 1e6),
    ("kib", "size", 1.0 / 1024.0),
    ("mib", "size", 1.0),
    ("gib", "size", 1024.0),
    ("kb", "size", 1e3 / 1_048_576.0),
    ("mb", "size", 1e6 / 1_048_576.0),
    ("gb", "size", 1e9 / 1_048_576.0),
    ("bytes", "size", 1.0 / 1_048_576.0),
    ("k", "temperature", 0.0),
    ("degf", "temperature", 0.0),
    ("degc", "temperature", 1.0),
    ("c", "temperature", 1.0),
    ("f", "temperature", 0.0),
];

fn units(ending: &str) -> impl Iterator<Item = &'static (&'static str, &'static str, f64)> {
    let ending = ending.to_owned();
    UNITS.iter().filter(move |u| u.0 == ending)
}

/// A key of `table` that says the same in another unit, or with its unit, and the
/// factor from the unit given to that of the key, where there is one.
pub fn same_figure(given: &str, table: &'static Table) -> Option<(&'static str, Option<f64>)> {
    let given = given.to_ascii_lowercase();
    for key in table.keys {
        let (Some((stem, unit)), Some((given_stem, given_unit))) =
            (key.name.rsplit_once('_'), given.rsplit_once('_'))
        else {
            continue;
        };
        if stem != given_stem || unit == given_unit {
            continue;
        }
        for a in units(unit) {
            if let Some(b) = units(given_unit).find(|b| b.1 == a.1) {
                let converts = a.2 > 0.0 && b.2 > 0.0;
                return Some((key.name, converts.then(|| b.2 / a.2)));
            }
        }
    }
    // The unit left out, or one that is not known.
    let bare = match given.rsplit_once('_') {
        Some((stem, unit)) if units(unit).next().is_some() => stem,
        _ => &given[..],
    };
    let key = table.keys.iter().find(|k| {
        k.name.rsplit_once('_').is_some_and(|(s, unit)| s == bare && units(unit).next().is_some())
    })?;
    Some((key.name, None))
}

/// The unit at the end of the name of a key, as a person reads it.
pub fn spoken(key: &str) -> &'static str {
    if key.ends_with("_mah_per_day") {
        return "mAh a day";
    }
    match key.rsplit_once('_').map_or("", |(_, unit)| unit) {
        "ua" => "uA",
        "ma" => "mA",
        "mah" => "mAh",
        "us" => "us",
        "ms" => "ms",
        "s" => "s",
        "min" => "min",
        "h" => "h",
        "days" => "days",
        "years" => "years",
        "v" => "V",
        "ohm" => "ohm",
        "mf" => "mF",
        "hz" => "Hz",
        "khz" => "kHz",
        "pf" => "pF",
        "mib" => "MiB",
        "c" => "deg C",
        "mhz" if key.contains("_per_") => "uA/MHz",
        "mhz" => "MHz",
        "byte" => "uC a byte",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use super::super::keys::table;
    use super::*;

    #[test]
    fn finds_the_key_behind_another_unit() {
        for (t, given, want, factor) in [
            ("mcu", "sleep_ma", "sleep_ua", Some(1e3)),
            ("mcu", "sleep", "sleep_ua", None),
            ("cell", "nominal_ah", "nominal_mah", Some(1e3)),
            ("release", "firing_min", "firing_s", Some(60.0)),
            ("phase", "temp_f", "temp_c", None),
            ("supply", "brownout_mv", "brownout_v", Some(1e-3)),
            ("supply", "buffer_f", "buffer_mf", Some(1e3)),
            ("memory", "size_gib", "size_mib", Some(1024.0)),
        ] {
            let (key, got) = same_figure(given, table(t).unwrap()).unwrap();
            assert_eq!(key, want, "{given}");
            match (factor, got) {
                (Some(f), Some(g)) => assert!((f / g - 1.0).abs() < 1e-9, "{given} {g}"),
                (a, b) => assert_eq!(a, b, "{given}"),
            }
        }
        assert_eq!(same_figure("colour", table("mcu").unwrap()), None);
    }
}
