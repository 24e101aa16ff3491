//! Instructions a sample, by sample rate and stage; the committed form of them.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

use crate::counts::Counts;
use crate::work::Way;

/// A count this small is not judged by itself, instructions a sample: a few more of
/// them are no growth worth a failure. It is part of the sum, which is judged.
const SMALL: f64 = 5.0;
/// Name of the sum.
const ALL: &str = "all";

/// Instructions a sample.
#[derive(Debug, PartialEq)]
pub struct Table {
    /// The compiler they were counted with.
    pub compiler: String,
    cells: BTreeMap<(u32, String), f64>,
}

impl Table {
    /// Without counts.
    pub fn new(compiler: String) -> Self {
        Table { compiler, cells: BTreeMap::new() }
    }

    /// Adds what was counted over so many samples at `hz`, handed in that way.
    pub fn add(&mut self, hz: u32, way: Way, counts: &Counts, samples: u64) {
        let per = |n: u64| (n as f64 / samples as f64 * 100.0).round() / 100.0;
        let name =
            |stage: &str| if way == Way::Runs { format!("run:{stage}") } else { stage.into() };
        for (stage, &n) in &counts.0 {
            self.cells.insert((hz, name(stage)), per(n));
        }
        self.cells.insert((hz, name(ALL)), per(counts.0.values().sum()));
    }

    /// What grew by more than so many %.
    pub fn grown(&self, was: &Table, percent: f64) -> Vec<String> {
        let mut grown = Vec::new();
        for ((hz, stage), &now) in &self.cells {
            let before = was.cells.get(&(*hz, stage.clone())).copied().unwrap_or(0.0);
            if now > SMALL && now > before * (1.0 + percent / 100.0) {
                grown.push(format!("{stage} at {hz} Hz takes {now:.2}, was {before:.2}"));
            }
        }
        grown
    }

    /// For a person, with the change since `was`.
    pub fn beside(&self, was: &Table) -> String {
        let mut out = String::from("  Hz stage        instructions a sample   committed\n");
        for ((hz, stage), now) in &self.cells {
            let before = was.cells.get(&(*hz, stage.clone())).copied().unwrap_or(0.0);
            // Writing to a string cannot fail.
            let _ = writeln!(out, "{hz:>4} {stage:<12} {now:>21.2} {before:>11.2}");
        }
        out
    }

    /// Reads the committed form.
    ///
    /// # Errors
    /// No such file, or a line that is none of ours; named.
    pub fn load(path: &Path) -> Result<Self, String> {
        let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
        Self::parse(&text).map_err(|e| format!("{}: {e}", path.display()))
    }

    fn parse(text: &str) -> Result<Self, String> {
        let mut table = Table::new(String::new());
        for (n, line) in text.lines().enumerate().filter(|(_, line)| !line.starts_with('#')) {
            if let Some(compiler) = line.strip_prefix("compiler ") {
                table.compiler = compiler.to_owned();
                continue;
            }
            let cells: Vec<&str> = line.split_whitespace().collect();
            let parsed = match cells.as_slice() {
                [hz, stage, count] => hz.parse().ok().zip(count.parse().ok()).map(|p| (p, *stage)),
                _ => None,
            };
            let Some(((hz, count), stage)) = parsed else {
                return Err(format!("line {}: rate, stage and count were expected", n + 1));
            };
            table.cells.insert((hz, stage.to_owned()), count);
        }
        Ok(table)
    }

    fn text(&self) -> String {
        let mut out = String::from(
            "# Instructions a sample takes on x86-64 without extensions, by sample rate in Hz and\n\
             # stage; `run:` in runs of a second, else in runs of one. Written by `tests/instructions/run bless`.\n",
        );
        // Writing to a string cannot fail.
        let _ = writeln!(out, "compiler {}", self.compiler);
        for ((hz, stage), count) in &self.cells {
            let _ = writeln!(out, "{hz} {stage} {count:.2}");
        }
        out
    }

    /// Writes the committed form, beside its place first.
    ///
    /// # Errors
    /// A folder that cannot be written to.
    pub fn save(&self, path: &Path) -> Result<(), String> {
        let part = path.with_extension("part");
        std::fs::write(&part, self.text())
            .and_then(|()| std::fs::rename(&part, path))
            .map_err(|e| format!("{}: {e}", path.display()))?;
        print!("{}", self.text());
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(beats: u64) -> Table {
        let mut table = Table::new("rustc 1".to_owned());
        let counts = [("beats", beats), ("sun", 12)].map(|(s, n)| (s.to_owned(), n)).into();
        table.add(25, Way::Singles, &Counts(counts), 10);
        table
    }

    #[test]
    fn growth_over_the_bound_is_told_and_less_is_not() {
        let was = table(10_000);
        assert_eq!(Table::parse(&was.text()), Ok(table(10_000)));
        assert!(table(10_299).grown(&was, 3.0).is_empty());
        let told = table(10_400).grown(&was, 3.0).join("\n");
        assert!(told.contains("beats at 25 Hz") && told.contains("all at 25 Hz"), "{told}");
        // A stage that is new counts as grown.
        let was = Table::new(String::new());
        assert_eq!(table(10_000).grown(&was, 3.0).len(), 2);
        assert!(Table::parse("25 beats\n").unwrap_err().contains("line 1"));
    }
}
