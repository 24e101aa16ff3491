//! What went wrong with a file, said so that a person can put it right.

use std::fmt;
use std::ops::Range;

use miette::{Diagnostic, LabeledSpan, NamedSource, SourceCode};
#[cfg(feature = "cli")]
use miette::{GraphicalReportHandler, GraphicalTheme};

/// A file that cannot be used: which, where, why, and what was expected.
#[derive(Debug)]
pub struct Problem(Box<Inner>);

#[derive(Debug)]
struct Inner {
    message: String,
    help: Option<String>,
    source: Option<NamedSource<String>>,
    label: Option<LabeledSpan>,
}

impl Problem {
    /// A problem told by `message`, which names the file (and row and column).
    pub fn new(message: impl Into<String>) -> Self {
        Problem(Box::new(Inner { message: message.into(), help: None, source: None, label: None }))
    }

    /// Adds a sentence that says what would do.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.0.help = Some(help.into());
        self
    }

    /// Points at the bytes `span` of `text`, the content of the file called `name`.
    #[must_use]
    pub fn at(mut self, name: &str, text: &str, span: Range<usize>, label: &str) -> Self {
        let start = floor_char(text, span.start);
        let end = floor_char(text, span.end).max(start);
        self.0.source = Some(NamedSource::new(name, text.to_owned()));
        self.0.label = Some(LabeledSpan::new(Some(label.to_owned()), start, end - start));
        self
    }

    /// The advice given with the message, if any.
    pub fn advice(&self) -> Option<&str> {
        self.0.help.as_deref()
    }

    /// The whole report as printed on standard error. `fancy` draws with
    /// Unicode and colour and folds long lines, for a terminal.
    #[cfg(feature = "cli")]
    pub fn render(&self, fancy: bool) -> String {
        let theme = if fancy { GraphicalTheme::unicode() } else { GraphicalTheme::none() };
        let mut out = String::new();
        let handler =
            GraphicalReportHandler::new_themed(theme).with_wrap_lines(fancy).with_width(80);
        if handler.render_report(&mut out, self).is_err() {
            // The report could not be drawn: the bare message still says it all.
            out = self.0.message.clone();
        }
        // Without the mark that the drawing puts before the message.
        let text = out.trim_start();
        let text = text.strip_prefix("x ").or(text.strip_prefix("× ")).unwrap_or(text);
        text.trim_end().to_owned()
    }
}

/// Largest character boundary of `text` that is not past `at`.
fn floor_char(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.message)
    }
}

impl std::error::Error for Problem {}

impl Diagnostic for Problem {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.0.help.as_ref().map(|help| Box::new(help) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.0.source.as_ref().map(|source| source as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        self.0
            .label
            .clone()
            .map(|label| Box::new(std::iter::once(label)) as Box<dyn Iterator<Item = LabeledSpan>>)
    }
}

/// A cell or a name as it can be shown: quoted, control characters escaped,
/// and cut after 40 characters.
pub fn shown(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let mut out = String::from("\"");
    for (n, c) in text.chars().enumerate() {
        if n == 40 {
            out.push_str("...");
            break;
        }
        if c.is_control() { out.extend(c.escape_default()) } else { out.push(c) }
    }
    out.push('"');
    out
}

/// The name among `known` that `given` was most likely meant to be.
pub fn nearest<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let given = given.to_ascii_lowercase();
    known
        .into_iter()
        .map(|name| (strsim::damerau_levenshtein(&given, name), name))
        .min_by_key(|&(distance, _)| distance)
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_finds_a_slip_of_the_pen() {
        assert_eq!(nearest("flor_h", ["ceiling_h", "floor_h"]), Some("floor_h"));
        assert_eq!(nearest("x", []), None);
    }

    #[test]
    fn points_at_the_line_and_survives_odd_spans() {
        let text = "a = 1\nb = é\n";
        let report = Problem::new("bad").at("x.toml", text, 6..11, "here").render(false);
        assert!(report.contains("x.toml:2:1"), "{report}");
        for start in 0..20 {
            for end in 0..20 {
                let _ = Problem::new("bad").at("x.toml", text, start..end, "here").render(false);
            }
        }
    }

    #[test]
    fn shows_control_characters_and_cuts() {
        assert_eq!(shown(b"a\x1b[1m"), "\"a\\u{1b}[1m\"");
        assert!(shown(&[b'x'; 100]).ends_with("...\""));
    }
}
