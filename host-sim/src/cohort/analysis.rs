//! A cohort put together: as a whole, and by group.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::logrank::{LogRank, log_rank};
use super::proportion::Proportion;
use super::record::{Deployment, Fate};
use super::survival::{Curve, Quantile, Watched};

/// Name of the group of those for which none is given.
pub const NOT_GIVEN: &str = "(not given)";
/// Groups that a column may have to be compared by itself.
const MOST_GROUPS: usize = 8;
/// Times at which survival is told, h, as far as anybody was followed.
const TIMES_H: [f64; 9] = [6.0, 12.0, 24.0, 48.0, 72.0, 120.0, 240.0, 480.0, 720.0];
/// Parts recovered whose times are told.
const PARTS: [f64; 5] = [0.1, 0.25, 0.5, 0.75, 0.9];
/// Below this many, numbers are small.
const FEW_DEPLOYMENTS: u64 = 10;
const FEW_EVENTS: f64 = 5.0;

/// Survival at a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct At {
    /// Hours after release.
    pub time_h: f64,
    /// Part still alive.
    pub survival: f64,
    /// Lower bound, 95 %.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
    /// Followed until then or longer.
    pub at_risk: u64,
}

/// Deployments put together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Summary {
    /// Deployments.
    pub deployments: u64,
    /// Of them by fate.
    pub fates: BTreeMap<&'static str, u64>,
    /// Hours followed, in all.
    pub followed_h: f64,
    /// Part not seen to die, of those whose fate is known.
    pub surviving: Proportion,
    /// The same, had all undetermined ones died.
    pub surviving_at_worst: Proportion,
    /// The same, had all undetermined ones lived.
    pub surviving_at_best: Proportion,
    /// Survival over time.
    pub survival: Curve,
    /// Survival at round times.
    pub survival_at: Vec<At>,
    /// Time by which half have died; not reached in most cohorts.
    pub half_dead: Quantile,
    /// Recovered while followed.
    pub recovered: u64,
    /// Part not yet recovered over time.
    pub unrecovered: Curve,
    /// Times by which parts have recovered.
    pub recovery: Vec<Quantile>,
}

/// One column and its groups.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Grouping {
    /// The column.
    pub column: String,
    /// Its groups, in order.
    pub groups: Vec<Group>,
    /// Do they differ in survival?
    pub survival_test: Option<LogRank>,
    /// Do they differ in recovery?
    pub recovery_test: Option<LogRank>,
    /// What to bear in mind.
    pub remarks: Vec<String>,
}

/// One group.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// The group by itself.
    #[serde(flatten)]
    pub summary: Summary,
}

/// Everything.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cohort {
    /// Version of this layout.
    pub schema: u32,
    /// All together.
    pub all: Summary,
    /// By column.
    pub by: Vec<Grouping>,
    /// What to bear in mind.
    pub remarks: Vec<String>,
    /// What could not be read, and is in no number above.
    pub unreadable: Vec<String>,
    /// Every deployment.
    pub deployments: Vec<Deployment>,
}

impl Cohort {
    /// Puts `deployments` together, by `columns`, or where none are named by every
    /// column with two to eight groups.
    pub fn new(deployments: Vec<Deployment>, columns: &[String], unreadable: Vec<String>) -> Self {
        let chosen = if columns.is_empty() { columns_of(&deployments) } else { columns.to_vec() };
        let by: Vec<Grouping> = chosen.iter().map(|c| grouping(&deployments, c)).collect();
        let all = Summary::new(deployments.iter());
        let mut remarks = remarks(&all, unreadable.len());
        if by.len() > 1 {
            remarks.push(format!(
                "{} groupings are compared: of twenty comparisons of groups that are alike, one \
                 shows p below 0.05 by chance.",
                by.len()
            ));
        }
        Cohort { schema: 1, all, by, remarks, unreadable, deployments }
    }
}

/// Columns with a sensible number of groups.
fn columns_of(deployments: &[Deployment]) -> Vec<String> {
    let columns: BTreeSet<&String> = deployments.iter().flat_map(|d| d.groups.keys()).collect();
    let sensible = |column: &&String| {
        let names: BTreeSet<_> =
            deployments.iter().filter_map(|d| d.groups.get(column.as_str())).collect();
        (2..=MOST_GROUPS).contains(&names.len())
    };
    columns.into_iter().filter(sensible).cloned().collect()
}

impl Summary {
    fn new<'a>(deployments: impl Iterator<Item = &'a Deployment> + Clone) -> Self {
        let count = |fate: Fate| deployments.clone().filter(|d| d.fate == fate).count() as u64;
        let all = deployments.clone().count() as u64;
        let (dead, open) = (count(Fate::Dead), count(Fate::Undetermined));
        let known = all - open;
        let lived = known - dead;
        let survival: Vec<Watched> = deployments.clone().map(Deployment::survival).collect();
        let recovery: Vec<Watched> = deployments.clone().map(Deployment::recovery).collect();
        let curve = Curve::new(&survival);
        let unrecovered = Curve::new(&recovery);
        let survival_at = TIMES_H
            .iter()
            .filter(|&&t| t <= curve.end())
            .map(|&time_h| {
                let (survival, low, high) =
                    curve.at(time_h).map_or((1.0, 1.0, 1.0), |s| (s.survival, s.low, s.high));
                let at_risk = survival_count(&survival_times(&curve), time_h);
                At { time_h, survival, low, high, at_risk }
            })
            .collect();
        Summary {
            deployments: all,
            fates: Fate::ALL.iter().map(|&f| (f.word(), count(f))).collect(),
            followed_h: deployments.clone().map(|d| d.time_h).sum(),
            surviving: Proportion::new(lived, known),
            surviving_at_worst: Proportion::new(lived, all),
            surviving_at_best: Proportion::new(lived + open, all),
            half_dead: curve.quantile(0.5),
            survival: curve,
            survival_at,
            recovered: recovery.iter().filter(|w| w.event).count() as u64,
            recovery: PARTS.iter().map(|&part| unrecovered.quantile(part)).collect(),
            unrecovered,
        }
    }

    /// How many had this fate.
    pub fn of(&self, fate: Fate) -> u64 {
        self.fates.get(fate.word()).copied().unwrap_or(0)
    }
}

/// Times at which somebody left, with how many.
fn survival_times(curve: &Curve) -> Vec<(f64, u64)> {
    curve.steps.iter().map(|s| (s.time, s.events + s.censored)).collect()
}

/// Followed until `time` or longer.
fn survival_count(left: &[(f64, u64)], time: f64) -> u64 {
    left.iter().filter(|(t, _)| *t >= time).map(|(_, n)| n).sum()
}

fn grouping(deployments: &[Deployment], column: &str) -> Grouping {
    let name_of = |d: &Deployment| d.groups.get(column).cloned();
    let mut names: Vec<String> = deployments.iter().filter_map(name_of).collect();
    names.sort_by(|a, b| match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(a), Ok(b)) => a.total_cmp(&b),
        _ => a.cmp(b),
    });
    names.dedup();
    let tested = names.len();
    let without = deployments.iter().filter(|d| name_of(d).is_none()).count();
    if without > 0 {
        names.push(NOT_GIVEN.to_owned());
    }
    let groups: Vec<Group> = names
        .iter()
        .map(|name| Group {
            name: name.clone(),
            summary: Summary::new(
                deployments.iter().filter(|d| name_of(d).as_deref().unwrap_or(NOT_GIVEN) == name),
            ),
        })
        .collect();
    // Those without a group are shown, and not compared.
    let (members, places): (Vec<&Deployment>, Vec<usize>) = deployments
        .iter()
        .filter_map(|d| Some((d, names.iter().position(|n| Some(n) == name_of(d).as_ref())?)))
        .unzip();
    let test = |of: fn(&Deployment) -> Watched| {
        let watched: Vec<Watched> = members.iter().map(|d| of(d)).collect();
        log_rank(&watched, &places, tested)
    };
    let survival_test = test(Deployment::survival);
    let recovery_test = test(Deployment::recovery);
    let mut remarks = Vec::new();
    if without > 0 {
        remarks.push(format!(
            "{} without a value for {column}: shown, and left out of the comparison.",
            counted(without as u64, "deployment")
        ));
    }
    small_groups(&groups[..tested], survival_test.as_ref(), &mut remarks);
    Grouping { column: column.to_owned(), groups, survival_test, recovery_test, remarks }
}

/// A plain word where numbers are small.
fn small_groups(groups: &[Group], test: Option<&LogRank>, remarks: &mut Vec<String>) {
    let few: Vec<&str> = groups
        .iter()
        .filter(|g| g.summary.deployments < FEW_DEPLOYMENTS)
        .map(|g| g.name.as_str())
        .collect();
    if !few.is_empty() {
        remarks.push(format!(
            "Fewer than {FEW_DEPLOYMENTS} deployments in {}: read the intervals, not the \
             percentages.",
            few.join(", ")
        ));
    }
    let Some(test) = test else {
        remarks
            .push("No deaths to compare: nothing can be said of a difference in survival.".into());
        return;
    };
    if test.expected.iter().any(|&e| e < FEW_EVENTS) {
        remarks.push(format!(
            "Fewer than {FEW_EVENTS:.0} deaths expected in a group: the chi-squared p is rough; go by \
             the shuffled one."
        ));
    }
    if test.p_permutation >= 0.05 {
        remarks.push(
            "No difference in survival is shown; with so few deaths that does not show that there \
             is none."
                .into(),
        );
    }
}

fn remarks(all: &Summary, unreadable: usize) -> Vec<String> {
    let mut out = Vec::new();
    let open = all.of(Fate::Undetermined);
    if open > 0 {
        out.push(format!(
            "{} of undetermined fate: in no proportion of those known; in the curve until last seen \
             swimming. What all of them dead or alive would mean is told beside.",
            counted(open, "deployment")
        ));
    }
    if unreadable > 0 {
        out.push(format!(
            "{} could not be read and {} in no number here.",
            counted(unreadable as u64, "input"),
            if unreadable == 1 { "is" } else { "are" }
        ));
    }
    let dead = all.of(Fate::Dead);
    if all.deployments < FEW_DEPLOYMENTS || (dead as f64) < FEW_EVENTS {
        out.push(format!(
            "Small numbers: {} and {}. Read the intervals, not the percentages.",
            counted(all.deployments, "deployment"),
            counted(dead, "death")
        ));
    }
    out
}

/// `1 death`, `2 deaths`.
pub fn counted(n: u64, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}
