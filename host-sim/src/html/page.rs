//! The frame of every page.

use std::path::Path;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::batch::write_whole;
use crate::problem::Problem;

const UPLOT: &str = include_str!("../../assets/uplot/uPlot.iife.min.js");
const UPLOT_STYLE: &str = include_str!("../../assets/uplot/uPlot.min.css");
const STYLE: &str = include_str!("../../assets/page.css");
const PLOTS: &str = include_str!("../../assets/plots.js");

/// Nothing is fetched, whatever a page may come to hold.
const POLICY: &str = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; \
                      img-src data:";

/// A piece of data for the script.
pub(super) struct Data<'a> {
    /// Id of its element.
    pub id: &'a str,
    /// JSON, or base64.
    pub text: String,
}

/// A whole page.
pub(super) struct Page<'a> {
    /// Title of the document.
    pub title: &'a str,
    /// What kind of report it is.
    pub kind: &'a str,
    /// Everything between head line and footer.
    pub body: Markup,
    /// Data for the script.
    pub data: Vec<Data<'a>>,
    /// The scripts of this kind of page, in order.
    pub scripts: &'a [&'a str],
}

impl Page<'_> {
    pub fn render(self) -> String {
        let scripts = [UPLOT, PLOTS].into_iter().chain(self.scripts.iter().copied());
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta http-equiv="Content-Security-Policy" content=(POLICY);
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    meta name="generator" content=(concat!("swaymark ", env!("CARGO_PKG_VERSION")));
                    title { (self.title) }
                    style { (PreEscaped(UPLOT_STYLE)) (PreEscaped(STYLE)) }
                }
                body {
                    a .skip href="#content" { "Skip to the report" }
                    header .top {
                        p .kind { (self.kind) }
                        h1 { (self.title) }
                        button #theme type="button" { "Colours: as the system" }
                    }
                    main #content { (self.body) }
                    footer {
                        p { "Made by swaymark " (env!("CARGO_PKG_VERSION")) ". " (caution()) }
                        p { "Tagging live animals needs permits and an ethics review, and is done \
                             by licensed people. Lithium cells burn and vent, more so when sealed in \
                             resin. Transmitters need a licence. A search from a boat is limited by \
                             weather." }
                        p { "Plots are drawn with uPlot (MIT licence, \u{a9} Leon Sorokin)." }
                    }
                    @for data in &self.data {
                        script id=(data.id) type="text/plain" { (PreEscaped(guarded(&data.text))) }
                    }
                    @for script in scripts {
                        script { (PreEscaped(script)) }
                    }
                }
            }
        }
        .into_string()
    }
}

/// Plots over something else than the time of a deployment; for [`Page::scripts`].
pub(super) const CHARTS: &str = include_str!("../../assets/charts.js");

/// One of the sentences at the top: what about, its mark, what is said, and how far to
/// trust it, after the words `lead`.
pub(super) fn verdict(about: &str, mark: &str, said: &str, lead: &str, sure: &str) -> Markup {
    html! {
        div .verdict data-mark=(mark) {
            h2 { (about) }
            p .said { (said) }
            p .sure { strong { (lead) " " } (sure) }
        }
    }
}

/// What most verdicts lead their last words with.
pub(super) const HOW_SURE: &str = "How sure:";

/// What was assumed where a file does not tell.
pub(super) fn assumed(notices: &[String]) -> Markup {
    html! {
        @if !notices.is_empty() {
            section { h2 { "Assumed" } ul { @for n in notices { li { (n) } } } }
        }
    }
}

/// The caution of every report, on one line.
fn caution() -> String {
    crate::replay::CAUTION.replace('\n', " ")
}

/// Text that cannot end the element that holds it.
fn guarded(text: &str) -> std::borrow::Cow<'_, str> {
    if text.contains('<') { text.replace('<', "\\u003c").into() } else { text.into() }
}

/// Writes a page: whole, or not at all.
///
/// # Errors
/// A place that cannot be written to.
pub fn write(path: &Path, page: &str) -> Result<(), Problem> {
    if path.is_dir() {
        return Err(Problem::new(format!(
            "{}: is a folder; the name of a file was expected",
            path.display()
        )));
    }
    write_whole(path, page.as_bytes())
}
