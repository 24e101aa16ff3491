//! The traces that went worst, each with what went wrong and how to see it again.

use std::cmp::Ordering;

use serde::Serialize;

use super::entry::Entry;
use super::trace_score::{Breathing, TagFate, TraceScore, TrueFate, Verdict};

/// Errors of recovery beyond this are told, h.
const RECOVERY_H: f64 = 1.5;
/// Beats worse than this are told, F1.
const F1: f64 = 0.95;
/// Decisions of death later than this are told, min: ram, buccal.
const DEATH_DELAY_MIN: (f64, f64) = (60.0, 360.0);

/// A trace that went wrong.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Worst {
    /// The trace.
    pub trace: String,
    /// Its family.
    pub family: String,
    /// What went wrong, the worst first.
    pub why: Vec<String>,
    /// The command that replays it, from the folder in which the score was run.
    pub replay: String,
}

/// The command that replays `trace`, ready for a POSIX shell.
pub fn replay_command(trace: &str) -> String {
    let path = if trace.starts_with('-') { format!("./{trace}") } else { trace.to_owned() };
    // Only a zero byte cannot be quoted, and no path holds one.
    let quoted = shlex::try_quote(&path).map_or_else(|_| path.clone(), |q| q.into_owned());
    format!("swaymark replay {quoted}")
}

/// How serious (0 is worst), how large, and in words.
type Complaint = (u8, f64, String);

/// The worst `most` of `entries`, the worst first.
pub fn worst(entries: &[Entry], most: usize) -> Vec<Worst> {
    let mut bad: Vec<(Vec<Complaint>, &Entry)> = entries
        .iter()
        .map(|entry| (complaints(&entry.score), entry))
        .filter(|(complaints, _)| !complaints.is_empty())
        .collect();
    bad.sort_by(|(a, x), (b, y)| graver(&a[0], &b[0]).then_with(|| x.trace.cmp(&y.trace)));
    bad.truncate(most);
    let told = |(complaints, entry): (Vec<Complaint>, &Entry)| Worst {
        trace: entry.trace.clone(),
        family: entry.family.clone(),
        why: complaints.into_iter().map(|c| c.2).collect(),
        replay: replay_command(&entry.trace),
    };
    bad.into_iter().map(told).collect()
}

fn graver(a: &Complaint, b: &Complaint) -> Ordering {
    a.0.cmp(&b.0).then_with(|| b.1.total_cmp(&a.1))
}

fn complaints(s: &TraceScore) -> Vec<Complaint> {
    let mut all: Vec<Complaint> = Vec::new();
    let h = |t: f64| t / 3600.0;
    let at = |t: Option<f64>| t.map_or(String::new(), |t| format!(" at {:.2} h", h(t)));
    let truth = match s.fate.truth {
        TrueFate::Alive => "alive".to_owned(),
        TrueFate::Dead => format!("dead{}", at(s.fate.event_s)),
        TrueFate::Eaten => format!("eaten{}", at(s.fate.event_s)),
        TrueFate::Detached => format!("detached{}", at(s.fate.event_s)),
    };
    let told = match s.fate.tag {
        TagFate::Alive => "alive",
        TagFate::Dead => "dead",
        TagFate::Detached => "detached",
        TagFate::Undetermined => "undetermined",
    };
    if s.release.false_release {
        let text = format!("let go for {}{}, truth: {truth}", s.release.cause, at(s.release.t_s));
        all.push((0, 0.0, text));
    }
    let since_h = s.fate.event_s.map_or(0.0, |t| h(s.duration_s - t));
    if s.fate.early {
        all.push((2, 0.0, format!("held {told}{}, before it was: {truth}", at(s.fate.decided_s))));
    } else if s.fate.verdict == Verdict::Wrong {
        let rank = if s.fate.truth == TrueFate::Alive { 1 } else { 3 };
        let text = format!("held {told}{}, truth: {truth}", at(s.fate.decided_s));
        all.push((rank, since_h, text));
    } else if s.fate.verdict == Verdict::Undetermined {
        let rank = if s.fate.truth == TrueFate::Alive { 8 } else { 4 };
        all.push((rank, since_h, format!("fate undetermined, truth: {truth}")));
    } else if s.fate.before_ceiling == Some(false) {
        all.push((5, 0.0, format!("{truth}, known after the ceiling{}", at(s.fate.decided_s))));
    }
    if s.release.before_recovery == Some(true) {
        all.push((6, 0.0, format!("let go as recovered{}, before it had", at(s.release.t_s))));
    }
    if s.recovery.made_up() == Some(true) {
        all.push((6, 0.0, "recovery made up: it had not recovered".into()));
    }
    if s.recovery.within_h(RECOVERY_H) == Some(false) {
        let error = s.recovery.error_s.map_or(0.0, h);
        all.push((7, error.abs(), format!("recovery {error:+.1} h off")));
    }
    let slow = match s.breathing {
        Breathing::Ram => DEATH_DELAY_MIN.0,
        Breathing::Buccal => DEATH_DELAY_MIN.1,
    };
    if s.fate.truth == TrueFate::Dead
        && let Some(delay) = s.fate.delay_s.map(|t| t / 60.0).filter(|&t| t > slow)
    {
        all.push((9, delay, format!("death known after {delay:.0} min")));
    }
    if let Some(f1) = s.beats.and_then(|b| b.f1()).filter(|&f| f < F1) {
        all.push((10, 1.0 - f1, format!("beats F1 {f1:.3}")));
    }
    all.sort_by(graver);
    all
}

#[cfg(test)]
mod tests {
    use super::replay_command;

    #[test]
    fn commands_survive_a_shell() {
        for (path, want) in [
            ("bay/k07.csv.gz", "swaymark replay bay/k07.csv.gz"),
            ("my bay/a.csv", "swaymark replay 'my bay/a.csv'"),
            ("-x.csv", "swaymark replay ./-x.csv"),
            ("it's.csv", "swaymark replay \"it's.csv\""),
        ] {
            assert_eq!(replay_command(path), want);
        }
        // What a shell reads is what was meant.
        for path in ["a$b`c`\"d\".csv", "new\nline.csv", "*?[x].csv", "é ~.csv", "!x.csv"] {
            assert_eq!(shlex::split(&replay_command(path)).unwrap()[2], path);
        }
    }
}
