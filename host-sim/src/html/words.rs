//! What happened, in sentences: the animal, its recovery, the tag.

use firmware_core::config::Config;

use super::gather::Gather;
use crate::replay::{Report, utc, why};

/// One of the three things a reader wants to know first.
pub struct Verdict {
    /// What it is about.
    pub about: &'static str,
    /// What happened, in one sentence.
    pub said: String,
    /// How sure that is, and by what.
    pub sure: String,
    /// Sort of verdict, for its mark: `good`, `bad`, `open`, `plain`.
    pub mark: &'static str,
}

/// Hours after release, and the date where it is known.
pub fn when(r: &Report, t_s: f64) -> String {
    let hours = (t_s - r.facts.first_t_s) / 3600.0;
    match r.facts.start_unix_us {
        Some(start) => {
            let us = start + ((t_s - r.facts.first_t_s) * 1e6) as i64;
            format!("{hours:.2} h after release, at {}", utc(us))
        }
        None => format!("{hours:.2} h after release"),
    }
}

/// Odds in words: `1 100 to 1`.
pub fn odds(log_ratio: f32) -> String {
    let odds = f64::from(log_ratio).exp();
    if odds >= 1e6 {
        return "more than a million to 1".into();
    }
    format!("{} to 1", grouped(odds))
}

/// A number with two figures and thin groups of three.
fn grouped(x: f64) -> String {
    let unit = 10f64.powi((x.max(1.0).log10().floor() as i32 - 1).max(0));
    let digits = format!("{:.0}", (x / unit).round() * unit);
    let mut out = String::new();
    for (n, c) in digits.chars().enumerate() {
        if n > 0 && (digits.len() - n).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(c);
    }
    out
}

/// All three.
pub fn verdicts(r: &Report, config: &Config, gathered: &Gather) -> [Verdict; 3] {
    [animal(r, config, gathered), recovery(r, config), tag(r)]
}

fn animal(r: &Report, config: &Config, gathered: &Gather) -> Verdict {
    let d = config.detector();
    let end = r.facts.first_t_s + r.duration_s;
    let false_call = format!(
        "The test is set to call a living animal lost at most once in {} times.",
        grouped(1.0 / f64::from(d.false_death_prob))
    );
    let known = r.fate_decided_t_s.map_or(String::new(), |t| {
        format!(" The tag knew {:.2} h after release.", (t - r.facts.first_t_s) / 3600.0)
    });
    let odds_said = r.fate_evidence.map_or(String::new(), |e| {
        format!("Odds of {} against a living animal that wears the tag. ", odds(e))
    });
    let at = r.fate_t_s.map_or(String::new(), |t| when(r, t));
    let (said, sure, mark) = match (r.fate, r.fate_detail) {
        ("dead", _) => {
            (format!("The animal died {at}."), format!("{odds_said}{false_call}{known}"), "bad")
        }
        ("detached", detail) => {
            let then = match detail {
                Some("on_bottom") => "and lay on the bottom",
                _ => "and floated",
            };
            (
                format!("The tag came off the animal {at}, {then}."),
                format!(
                    "{odds_said}{false_call}{known} What became of the animal after that is not \
                     known."
                ),
                "open",
            )
        }
        ("alive", _) => {
            let last_s = last_swum_s(gathered);
            let swam = last_s.map(|t| when(r, t + r.facts.first_t_s));
            let unseen_min = (r.duration_s - last_s.unwrap_or(0.0)) / 60.0;
            let unseen = if unseen_min > f64::from(wait_min(config)) {
                format!(
                    " In the last {:.1} h it rested, or the record is at fault: look there.",
                    unseen_min / 60.0
                )
            } else {
                String::new()
            };
            (
                format!("The animal was alive when the record ended, {}.", when(r, end)),
                format!(
                    "Last seen swimming {}. A death in the last {:.0} min would not be known \
                     yet.{unseen}",
                    swam.unwrap_or_else(|| "at no time".into()),
                    wait_min(config)
                ),
                "good",
            )
        }
        _ => (
            "What became of the animal cannot be told from this record.".into(),
            format!(
                "The evidence reached neither bound by the end, {}. Count this deployment as \
                 undetermined, not as a survivor.",
                when(r, end)
            ),
            "open",
        ),
    };
    Verdict { about: "Animal", said, sure, mark }
}

/// About how long a lifeless animal has to lie before the test is through, minutes.
fn wait_min(config: &Config) -> f32 {
    let d = config.detector();
    let pause = match config.animal().breathing {
        firmware_core::config::Breathing::Ram => d.ram_pause_min,
        firmware_core::config::Breathing::Buccal => 60.0 * d.buccal_pause_h,
    };
    pause * -d.false_death_prob.ln() / 1000f32.ln()
}

fn last_swum_s(gathered: &Gather) -> Option<f64> {
    let states = gathered.minutes.get(8)?;
    let last = states.iter().rposition(|&s| s == 1.0)?;
    gathered.minutes.first()?.get(last).map(|&t| f64::from(t) + 60.0)
}

fn recovery(r: &Report, config: &Config) -> Verdict {
    let about = "Recovery";
    let hours = |t_s: f64| (t_s - r.facts.first_t_s) / 3600.0;
    let part = 100.0 * config.detector().recovered_fraction;
    let (Some(t), Some(se), Some(p)) = (r.recovery_estimate_t_s, r.recovery_se_s, r.recovery_prob)
    else {
        return Verdict {
            about,
            said: "Recovery cannot be judged: too little swimming was recorded.".into(),
            sure: "At least four hours with regular tail beats are needed for a first estimate."
                .into(),
            mark: "open",
        };
    };
    let se_h = f64::from(se) / 3600.0;
    let low = (hours(t) - 1.96 * se_h).max(0.0);
    let high = hours(t) + 1.96 * se_h;
    let range = format!("95 % interval {low:.1} to {high:.1} h");
    match (r.recovery_t_s, r.recovery_decided_t_s) {
        (Some(t), Some(known)) => Verdict {
            about,
            said: format!("The animal had settled on its own normal {}.", when(r, t)),
            sure: format!(
                "{range}. Settled: {part:.0} % of the way from the first to its own level of beat \
                 rate, amplitude and activity. The tag knew {:.2} h after release.",
                hours(known)
            ),
            mark: "good",
        },
        _ => Verdict {
            about,
            said: match r.fate {
                "dead" => "The animal was not seen to recover before it died.".into(),
                "detached" => {
                    "Whether the animal had settled was not decided before the tag came off.".into()
                }
                _ => "Whether the animal had settled was not decided by the end of the record."
                    .into(),
            },
            sure: format!(
                "From what was seen until then it would settle {:.1} h after release, {range}; the \
                 probability that it had was {:.0} %, which is not enough to decide.",
                hours(t),
                100.0 * p
            ),
            mark: "open",
        },
    }
}

fn tag(r: &Report) -> Verdict {
    let about = "Tag";
    match r.release.t_s {
        Some(t) => Verdict {
            about,
            said: format!("The tag lets go {}.", when(r, t)),
            sure: format!(
                "Cause: {}. This is what the program decided; whether the link parted is not in \
                 this record.",
                why(r)
            ),
            mark: "plain",
        },
        None => Verdict {
            about,
            said: format!(
                "The tag had not let go when the record ended, {}.",
                when(r, r.facts.first_t_s + r.duration_s)
            ),
            sure: "No cause had stood for its confirmation time after the floor.".into(),
            mark: "plain",
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_are_readable() {
        assert_eq!(odds(7.0), "1\u{202f}100 to 1");
        assert_eq!(odds(20.0), "more than a million to 1");
        assert_eq!(odds(0.0), "1 to 1");
    }
}
