//! Bars of plain boxes beside the numbers of a table: they need no script.

use maud::{Markup, html};

/// A bar of parts side by side. Each part: its share of the whole width, 0 to 1, and
/// the number of its pattern, 0 to 2.
pub(super) fn stacked(parts: &[(f64, usize)]) -> Markup {
    html! {
        div .bar aria-hidden="true" {
            @for &(share, kind) in parts.iter().filter(|(share, _)| *share > 0.0) {
                i data-kind=(kind) style=(format!("width:{:.2}%", 100.0 * share)) {}
            }
        }
    }
}

/// Two bars from a middle line out: from `middle` to `less` and to `more`, on an axis
/// from `axis[0]` to `axis[1]`.
pub(super) fn tornado(axis: [f64; 2], middle: f64, less: f64, more: f64) -> Markup {
    let place = |v: f64| 100.0 * ((v - axis[0]) / (axis[1] - axis[0])).clamp(0.0, 1.0);
    let piece = |to: f64| {
        let (a, b) = (place(middle.min(to)), place(middle.max(to)));
        format!("left:{a:.2}%;width:{:.2}%", b - a)
    };
    html! {
        div .tornado aria-hidden="true" {
            i data-kind="0" style=(piece(less)) {}
            i data-kind="1" style=(piece(more)) {}
            b style=(format!("left:{:.2}%", place(middle))) {}
        }
    }
}

/// What the patterns of bars mean.
pub(super) fn key(words: &[&str]) -> Markup {
    html! {
        p .key { @for (kind, word) in words.iter().enumerate() {
            span { i .swatch data-kind=(kind) aria-hidden="true" {} (word) }
        } }
    }
}
