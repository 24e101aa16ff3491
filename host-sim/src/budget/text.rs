//! The budget for a person, in 80 columns.

use std::fmt::Write as _;

use super::Budget;
use super::answer::{chance, failure, in_days, measured_in};
use crate::energy::{Limit, Percentiles};

const WIDTH: usize = 80;

/// What a reader should not forget.
const CAUTION: &str = "A model shows what the figures of the tag file imply; try the cell, cold and \
under its pulses, before a trip. Lithium cells burn and vent, more so sealed in resin; transmitters \
need a licence; tagging needs permits and an ethics review. Local rules come first.";

/// Folds `text` at 80 columns, the first line after `head`, the others after `indent`.
fn folded(head: &str, indent: &str, text: &str) -> String {
    let mut out = String::new();
    let mut line = head.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out += line.trim_end();
            out.push('\n');
            line = indent.to_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line += word;
        empty = false;
    }
    out += line.trim_end();
    out.push('\n');
    out
}

fn row(out: &mut String, name: &str, p: &Percentiles, note: &str) {
    let days = [p.p05, p.median, p.p95].map(short);
    let line = format!("{name:<26}{:>9}{:>10}{:>10}   {note}", days[0], days[1], days[2]);
    out.push_str(line.trim_end());
    out.push('\n');
}

/// Days for a column.
fn short(days: f64) -> String {
    if days >= 3652.0 { "> 3650".into() } else { in_days(days) }
}

fn ended(limit: Limit) -> &'static str {
    match limit {
        Limit::Ceiling => "ended by the ceiling",
        Limit::Memory => "ended by the memory",
        Limit::Reserve => "ended by the reserve",
        Limit::BrownOut => "ended by a brown-out",
        Limit::CutOff => "ended by the cut-off",
        Limit::Empty => "ended by an empty cell",
        Limit::Horizon => "not ended",
    }
}

/// Charge, mAh, for a column of 10.
fn mah(x: f64) -> String {
    if x == 0.0 {
        "-".into()
    } else if x >= 100.0 {
        format!("{x:.1}")
    } else if x >= 0.01 {
        format!("{x:.3}")
    } else {
        format!("{x:.1e}")
    }
}

/// What the core's own path draws, and the wear of the flash.
fn path(out: &mut String, b: &Budget) {
    if b.path.iter().all(|p| p.animal_mah == 0.0) {
        return;
    }
    let _ = writeln!(out, "\n{:<30}{:>12}{:>12}", "On the animal, as written", "mean uA", "mAh");
    for p in &b.path {
        let _ = writeln!(out, "  {:<28}{:>12}{:>12}", p.part, mah(p.mean_ua), mah(p.animal_mah));
    }
    if let Some(wear) = &b.flash_wear {
        *out += &folded("Flash wear: ", "  ", &wear.said());
    }
}

/// The whole report.
pub fn one(b: &Budget) -> String {
    let mut out = String::new();
    let invented = if b.invented { ", figures invented" } else { "" };
    out += &folded("", "  ", &format!("{}  ({}{invented})", b.tag, b.id));
    out += &folded(
        "",
        "  ",
        &format!("{}, {} mAh in all", b.cell, (b.nominal_mah * 10.0).round() / 10.0),
    );
    let o = &b.outlook;
    let _ = writeln!(out, "{} draws of the uncertain figures, seed {}\n", o.draws, b.seed);

    let _ = writeln!(out, "{:<26}{:>9}{:>10}{:>10}", "Days", "5th", "median", "95th");
    row(&mut out, "On the animal", &o.animal_days, ended(o.limited_by));
    row(&mut out, "  by the cell alone", &o.cell_days, "");
    if b.beacon_days_wanted > 0.0 {
        let wanted = format!("wanted {}", in_days(b.beacon_days_wanted));
        row(&mut out, "Beacons after that", &o.beacon_days, &wanted);
    }
    let _ = writeln!(out, "\nGives way before letting go   {}", chance(o.brownout_chance, o.draws));
    if b.beacon_days_wanted > 0.0 {
        let _ = writeln!(
            out,
            "Fewer beacon days than wanted {}",
            chance(o.short_search_chance, o.draws)
        );
    }

    let _ = writeln!(
        out,
        "\n{:<30}{:>12}{:>12}{:>12}",
        "Charge, mAh, as written", "before", "animal", "search"
    );
    let mut sums = [0.0; 3];
    for p in &b.parts {
        let charges = [p.before_mah, p.animal_mah, p.search_mah];
        for (sum, charge) in sums.iter_mut().zip(charges) {
            *sum += charge;
        }
        let name: String = p.part.chars().take(29).collect();
        let [x, y, z] = charges.map(mah);
        let _ = writeln!(out, "  {name:<28}{x:>12}{y:>12}{z:>12}");
    }
    let [x, y, z] = sums.map(mah);
    let _ = writeln!(out, "  {:<28}{x:>12}{y:>12}{z:>12}", "together");

    path(&mut out, b);

    let c = &b.as_written;
    out += "\nCourse, figures as written\n";
    let mut told = vec![format!(
        "Day {}: {}, {:.0} % left at this temperature.",
        in_days(c.animal_days),
        match c.animal_limit {
            Limit::Ceiling => "the ceiling; the tag lets go",
            Limit::Memory => "memory full; the tag lets go",
            Limit::Reserve => "down to the reserve; the tag lets go",
            Limit::BrownOut | Limit::CutOff | Limit::Empty => "the tag gives way",
            Limit::Horizon => "nothing has happened",
        },
        100.0 * c.left_fraction
    )];
    if let Some(volts) = c.firing_v {
        let fires = if c.fired { "the release fires" } else { "the release cannot fire" };
        told.push(format!("Firing pulls the battery to {volts:.2} V: {fires}."));
    }
    told.extend(b.failures.iter().map(failure));
    for text in &told {
        out += &folded("  ", "    ", text);
    }

    let what = measured_in(b.measure);
    let worth: Vec<_> = b.changes.iter().filter(|c| c.gain_days >= 0.005).take(6).collect();
    if !worth.is_empty() {
        let _ = writeln!(out, "\nWhat single changes would buy, {what}");
        for change in worth {
            let gain = change.gain_days;
            let head = format!("+{}", in_days(gain));
            out += &folded(&format!("  {head:>8}  "), &" ".repeat(12), &change.change);
        }
    }
    let strong: Vec<_> = b.figures.iter().filter(|f| f.sd_days >= 0.005).take(5).collect();
    if !strong.is_empty() {
        let _ = writeln!(out, "\nWhat makes it uncertain, {what} by one standard deviation");
        for f in strong {
            let _ = writeln!(out, "  {:>8}  {}", format!("+/-{}", in_days(f.sd_days)), f.key);
        }
    }

    out += "\nIn words\n";
    for sentence in &b.answer {
        out += &folded("  ", "    ", sentence);
    }
    out.push('\n');
    out += &folded("", "", CAUTION);
    out
}
