//! The baseline file: JSON lines, a header and then one line a deployment in the
//! order of their names, so that a change of one decision is a change of one line.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::decision::{Decision, defaults};
use crate::batch::DETECTOR_VERSION;
use crate::problem::Problem;

/// Version of the layout.
pub const SCHEMA: u32 = 1;

/// The header line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Header {
    swaymark_baseline: u32,
    detector: String,
    default_settings: BTreeMap<String, f64>,
}

/// Decisions to compare with.
#[derive(Clone, Debug, PartialEq)]
pub struct Baseline {
    /// The on-tag code that decided: version and hash of its sources.
    pub detector: String,
    /// Defaults of the settings then.
    pub default_settings: BTreeMap<String, f64>,
    /// Decisions, sorted by name.
    pub decisions: Vec<Decision>,
}

impl Baseline {
    /// Of decisions taken by this very code.
    pub fn new(mut decisions: Vec<Decision>) -> Self {
        decisions.sort_by(|a, b| a.trace.cmp(&b.trace));
        Baseline { detector: DETECTOR_VERSION.to_owned(), default_settings: defaults(), decisions }
    }

    /// Reads the file at `path`.
    ///
    /// # Errors
    /// No such file, or one that is no baseline; says how to make one.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let name = path.display();
        let text = std::fs::read_to_string(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Problem::new(format!("{name}: no such baseline"))
                .help("add --accept to make it from the folders named"),
            _ => Problem::new(format!("{name}: cannot be read: {e}")),
        })?;
        Self::parse(&name.to_string(), &text)
    }

    /// Understands the text of a baseline called `name`.
    ///
    /// # Errors
    /// A line that is not what it should be, with its number.
    pub fn parse(name: &str, text: &str) -> Result<Self, Problem> {
        let mut lines = text.lines().enumerate();
        let header = lines.next().map(|(_, line)| serde_json::from_str::<Header>(line));
        let Some(Ok(header)) = header else {
            return Err(Problem::new(format!(
                "{name}: line 1: is not the header of a baseline; it was left as it is"
            ))
            .help("a baseline is made by `swaymark compare BASELINE DIR... --accept`"));
        };
        if header.swaymark_baseline != SCHEMA {
            return Err(Problem::new(format!(
                "{name}: line 1: layout {} where {SCHEMA} was expected",
                header.swaymark_baseline
            ))
            .help("make it anew with the present program and --accept"));
        }
        let mut decisions: Vec<Decision> = Vec::new();
        for (at, line) in lines.filter(|(_, line)| !line.trim().is_empty()) {
            let decision: Decision = serde_json::from_str(line).map_err(|e| {
                let line = at + 1;
                Problem::new(format!("{name}: line {line}: is not a deployment's decisions: {e}"))
                    .help("a conflict of two versions is settled by taking one and --accept")
            })?;
            if decisions.iter().any(|d| d.trace == decision.trace) {
                return Err(Problem::new(format!(
                    "{name}: line {}: {} occurs twice",
                    at + 1,
                    decision.trace
                )));
            }
            decisions.push(decision);
        }
        decisions.sort_by(|a, b| a.trace.cmp(&b.trace));
        Ok(Baseline {
            detector: header.detector,
            default_settings: header.default_settings,
            decisions,
        })
    }

    /// The text of the file.
    ///
    /// # Errors
    /// A number that JSON cannot hold; none occurs.
    pub fn to_text(&self) -> Result<String, Problem> {
        let failed = |e| Problem::new(format!("the baseline cannot be written: {e}"));
        let header = Header {
            swaymark_baseline: SCHEMA,
            detector: self.detector.clone(),
            default_settings: self.default_settings.clone(),
        };
        let mut out = serde_json::to_string(&header).map_err(failed)?;
        out.push('\n');
        for decision in &self.decisions {
            out.push_str(&serde_json::to_string(decision).map_err(failed)?);
            out.push('\n');
        }
        Ok(out)
    }
}
