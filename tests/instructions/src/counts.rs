//! What callgrind counted, by stage of the core.
//!
//! A stage is a module of the core; of `signal`, each of its own modules is one. Code of other crates and of the standard library that
//! was inlined is charged to the stage whose function it stands in. The format is that
//! of the Callgrind Format Specification (valgrind manual, chapter "Callgrind Format").

use std::collections::{BTreeMap, HashMap};

/// Instructions by stage.
#[derive(Debug, Default, PartialEq)]
pub struct Counts(pub BTreeMap<String, u64>);

/// Names are given once, as `(3) name`, and are then `(3)`.
fn name(seen: &mut HashMap<String, String>, text: &str) -> String {
    let Some((number, rest)) = text.split_once(')') else { return text.to_owned() };
    let rest = rest.trim();
    if rest.is_empty() {
        return seen.get(number).cloned().unwrap_or_default();
    }
    seen.insert(number.to_owned(), rest.to_owned());
    rest.to_owned()
}

/// The stage of a module, outermost name first.
fn stage_of<'a>(mut path: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    match path.next() {
        Some("signal") => path.next(),
        outermost => outermost,
    }
}

/// The stage of a source file of the core.
fn stage_of_file(file: &str) -> Option<&str> {
    let (_, inside) = file.split_once("firmware-core/src/")?;
    stage_of(inside.split(['/', '.']))
}

/// The stage whose function this is.
fn stage_of_function(function: &str) -> Option<&str> {
    let (_, path) = function.split_once("firmware_core::")?;
    stage_of(path.split("::"))
}

impl Counts {
    /// Reads what callgrind wrote.
    ///
    /// # Errors
    /// A cost line that is none.
    pub fn read(text: &str) -> Result<Self, String> {
        let (mut files, mut functions) = (HashMap::new(), HashMap::new());
        let (mut file, mut function) = (String::new(), String::new());
        let mut counts = Counts::default();
        let mut called = false;
        for line in text.lines() {
            match line.split_once('=') {
                Some(("fl" | "fi" | "fe", rest)) => file = name(&mut files, rest),
                Some(("cfi" | "cfl", rest)) => drop(name(&mut files, rest)),
                Some(("fn", rest)) => function = name(&mut functions, rest),
                Some(("cfn", rest)) => drop(name(&mut functions, rest)),
                Some(("calls", _)) => called = true,
                _ if line.starts_with(|c: char| c.is_ascii_digit() || "+-*".contains(c)) => {
                    // The cost of a call is that of the function called, counted there.
                    if std::mem::take(&mut called) {
                        continue;
                    }
                    let stage = stage_of_file(&file).or_else(|| stage_of_function(&function));
                    let Some(stage) = stage else { continue };
                    let cost = line.split_whitespace().nth(1).and_then(|n| n.parse::<u64>().ok());
                    let cost = cost.ok_or_else(|| format!("callgrind: no cost in {line:?}"))?;
                    *counts.0.entry(stage.to_owned()).or_default() += cost;
                }
                _ => {}
            }
        }
        if counts.0.is_empty() {
            return Err("callgrind counted nothing in the core; is the line table there?".into());
        }
        Ok(counts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inlined_code_goes_to_its_file_and_calls_are_counted_once() {
        let text = "events: Ir\n\nfl=(1) /x/firmware-core/src/tag.rs\n\
            fn=(1) firmware_core::tag::Tag::feed\n10 5\n\
            fi=(2) /x/firmware-core/src/beats/stage.rs\n\
            +1 7\nfi=(3) /rust/core/num.rs\n* 2\ncfn=(2) main::noise\ncalls=4 20\n12 900\n\
            fe=(1)\n14 1\n\nfl=(4) /x/work.rs\nfn=(2)\n20 900\n\n\
            fl=(5) /x/firmware-core/src/kept/mod.rs\nfn=(3) x\n1 3\n\
            fl=(6) /x/firmware-core/src/signal/sway.rs\nfn=(4) y\n1 4\n\
            fl=(3)\nfn=(5) <firmware_core::signal::posture::Posture>::work\n1 6\n";
        let counts = Counts::read(text).unwrap();
        let want = [("beats", 7), ("kept", 3), ("posture", 6), ("sway", 4), ("tag", 8)];
        assert_eq!(counts.0, want.map(|(stage, n)| (stage.to_owned(), n)).into());
        assert!(Counts::read("fn=(1) main\n1 2\n").is_err());
        assert!(Counts::read("fl=(1) firmware-core/src/tag.rs\n1 x\n").is_err());
    }
}
