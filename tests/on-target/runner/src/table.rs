//! The table of `run measure`.

use std::fmt::Write as _;

use host_sim::energy::cost::Core;
use host_sim::energy::path_table::{self, Counted};
use on_target_wire::deployed::FIFO;

use crate::measure::Measured;
use crate::model::{self, Model};
use crate::path::{Counts, STAGES};

/// The whole table, but for the section of `run whole`.
pub fn of(measured: &[Measured], model: &Model) -> String {
    let mut t = format!(
        "<!-- Written by `tests/on-target/run measure`; edit nothing here. -->\n\
         # What the tag costs on the target\n\n\
         Counted on an emulated core; how, and what it does not tell, is in\n\
         [on-target.md](on-target.md).\n\n\
         **The deployed path is `Keeper::feed` with log and journal**, fed what a FIFO of {FIFO}\n\
         samples held. It holds the detectors (`Tag::feed`), clocks, water and release, and writes\n\
         minutes, hours and events to the log. Copies of state stand on lines of their own.\n\n"
    );
    deployed(&mut t, measured);
    copies(&mut t, measured);
    sizes(&mut t, measured);
    stages(&mut t, measured);
    let means: Vec<_> = measured.iter().map(|m| (m.target, m.with_copies())).collect();
    model::section(&mut t, &means, model);
    t.push('\n');
    t.push_str(&path_table::section(&counted(measured)));
    t
}

/// Counts as they are printed above, so that the section follows from the table alone.
fn counted(measured: &[Measured]) -> Vec<Counted> {
    let cores = [Core::CortexM4F, Core::CortexM0];
    let all = each(measured).filter_map(|(m, c)| {
        let core = cores.into_iter().find(|core| core.name() == m.target.name)?;
        let copies = (c.copies.a_sample * 10.0).round() / 10.0;
        Some(Counted { core, sample_hz: c.hz.into(), path: c.mean.round(), copies })
    });
    all.collect()
}

fn deployed(t: &mut String, measured: &[Measured]) {
    let _ = writeln!(
        t,
        "## Instructions of the deployed path\n\n\
         Over a deployment of the length given and half an hour more, and over the short\n\
         traces full of faults, copies of state left out. A feed is a run of {FIFO} samples, or what\n\
         was there before a jump of the clock. The worst feed opens no segment of the log; the\n\
         worst that does, and so erases flash, stands beside it.\n\n\
         | core | rate, Hz | length, h | **mean a sample** | with faults | of it detectors \
         | feed, mean | feed, 99 % | feed, worst | opening a segment | the worst feed |\n\
         | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |"
    );
    for (m, c) in each(measured) {
        let _ = writeln!(
            t,
            "| {} | {} | {} | **{:.0}** | {:.0} | {:.0} | {:.0} | {:.0} | {:.0} | {:.0} | {} |",
            m.target.name,
            c.hz,
            c.hours,
            c.mean,
            c.mean_faulty,
            c.detectors,
            c.feed.mean,
            c.feed.p99,
            c.worst.instructions,
            c.opened,
            c.worst.place
        );
    }
}

fn copies(t: &mut String, measured: &[Measured]) {
    t.push_str(
        "\n## Instructions of copies of state\n\n\
         At the default intervals: vitals every minute, everything every five minutes, the journal\n\
         every hour. Each is erased for, written and read back. That of the journal is the whole\n\
         feed in which it is kept.\n\n\
         | core | rate, Hz | vitals | everything | feed with the journal's | all of them, a sample |\n\
         | --- | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for (m, c) in each(measured) {
        let k = c.copies;
        let _ = writeln!(
            t,
            "| {} | {} | {:.0} | {:.0} | {:.0} | {:.1} |",
            m.target.name, c.hz, k.vitals, k.all, k.journal_feed, k.a_sample
        );
    }
}

fn each(measured: &[Measured]) -> impl Iterator<Item = (&Measured, &Counts)> {
    measured.iter().flat_map(|m| m.rates.iter().map(move |c| (m, c)))
}

fn sizes(t: &mut String, measured: &[Measured]) {
    t.push_str("\n## Size, bytes\n\n| | ");
    let row = |t: &mut String, name: &str, value: &dyn Fn(&Measured) -> String| {
        let values: Vec<String> = measured.iter().map(value).collect();
        let _ = writeln!(t, "| {name} | {} |", values.join(" | "));
    };
    let names: Vec<&str> = measured.iter().map(|m| m.target.name).collect();
    let _ = writeln!(t, "{} |\n| --- |{}", names.join(" | "), " ---: |".repeat(names.len()));
    row(t, "state of the deployed path", &|m| m.state.to_string());
    row(t, "flash of the image that counts it", &|m| m.image.flash.to_string());
    row(t, "flash of the detectors (code and constants)", &|m| m.detectors.flash.to_string());
    row(t, "state of the detectors (`size_of::<Tag>()`)", &|m| m.detectors.tag.to_string());
    row(t, "other memory of theirs with a fixed place", &|m| {
        (m.detectors.ram - m.detectors.tag).to_string()
    });
    row(t, "deepest stack of `Tag::feed`", &|m| m.feed_stack.to_string());
    row(t, "deepest stack of building a tag", &|m| m.new_stack.to_string());
}

fn stages(t: &mut String, measured: &[Measured]) {
    let _ = writeln!(
        t,
        "\n## Instructions by stage\n\n\
         Of the deployed path over three minutes at the length given, in which a recovery fit runs and\n\
         no copy is kept: a sample on the mean / a feed at 99 % / a feed at worst. The mean of\n\
         recovery is that of its half hour.\n"
    );
    for m in measured {
        let rates: Vec<String> = m.rates.iter().map(|r| format!("{} Hz", r.hz)).collect();
        let rule = " ---: |".repeat(rates.len());
        let _ = writeln!(t, "| {} | {} |\n| --- |{rule}", m.target.name, rates.join(" | "));
        for (name, _) in STAGES {
            let values: Vec<String> = m
                .rates
                .iter()
                .map(|r| {
                    r.stages.iter().find(|s| s.0 == name).map_or("-".to_owned(), |(_, s)| {
                        format!("{:.1} / {:.0} / {:.0}", s.mean, s.p99, s.worst)
                    })
                })
                .collect();
            if values.iter().any(|c| c != "-") {
                let _ = writeln!(t, "| {name} | {} |", values.join(" | "));
            }
        }
        t.push('\n');
    }
}
