//! The same notice on thousands of traces, told once.

use std::path::Path;

use crate::deployment::beside;

/// Notices by what they say, in the order in which each was first given.
#[derive(Debug, Default)]
pub struct Notices {
    groups: Vec<Group>,
}

#[derive(Debug)]
struct Group {
    /// Without the names of the files.
    alike: String,
    first: String,
    traces: u64,
}

impl Notices {
    /// Adds the notices on `trace`.
    pub fn add(&mut self, trace: &Path, notices: &[String]) {
        let (name, toml) = (trace.display().to_string(), beside(trace, ".toml"));
        for notice in notices {
            let alike =
                notice.replace(&toml.display().to_string(), "NAME.toml").replace(&name, "NAME");
            match self.groups.iter_mut().find(|group| group.alike == alike) {
                Some(group) => group.traces += 1,
                None => self.groups.push(Group { alike, first: notice.clone(), traces: 1 }),
            }
        }
    }

    /// One line for each kind of notice.
    pub fn lines(&self) -> impl Iterator<Item = String> + '_ {
        self.groups.iter().map(|group| match group.traces {
            1 => group.first.clone(),
            n => format!("{} (and {} more traces likewise)", group.first, n - 1),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn alike_notices_are_one_line() {
        let mut notices = Notices::default();
        for n in 0..3 {
            let trace = format!("bay/k{n}.csv.gz");
            let told = [
                format!("{trace}: no deployment file bay/k{n}.toml; assumed: ram"),
                format!("{trace}: sample rate inferred from the times: 1{n} Hz"),
            ];
            notices.add(Path::new(&trace), &told);
        }
        let lines: Vec<_> = notices.lines().collect();
        assert_eq!(lines.len(), 4);
        assert_eq!(
            lines[0],
            "bay/k0.csv.gz: no deployment file bay/k0.toml; assumed: ram (and 2 more traces likewise)"
        );
    }
}
