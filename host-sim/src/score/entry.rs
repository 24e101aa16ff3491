//! One trace from its files to its score.

use std::fs::File;
use std::path::Path;

use super::judge::judge;
use super::trace_score::TraceScore;
use super::truth::Truth;
use crate::batch::{ALL_SOURCES, Job, of_bytes, of_file, program};
use crate::deployment::Deployment;
use crate::own;
use crate::problem::Problem;
use crate::replay::{Keep, prepare};
use crate::trace::Source;

/// A trace scored.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The trace, as reached from the folder named.
    pub trace: String,
    /// `family` of its deployment file, else the name of its folder.
    pub family: String,
    /// How it was judged.
    pub score: TraceScore,
}

/// Name of the family of a trace.
///
/// # Errors
/// A deployment file that cannot be understood.
pub fn family(job: &Job) -> Result<String, Problem> {
    let stated = match &job.deployment {
        Some(path) => Deployment::load(path)?.family,
        None => None,
    };
    Ok(stated.unwrap_or_else(|| job.folder.clone()))
}

/// Runs the on-tag code over a trace with truth and judges it: the score, and the
/// notices to give. Events of the registered detector are matched within `own_within_s`, s
/// ([`super::OWN_WITHIN_S`]). `wrap` may put a progress counter around the trace.
///
/// # Errors
/// As [`prepare`], a truth that cannot be read, and damage met further on in the file.
pub fn score_trace(
    job: &Job,
    truth: &Path,
    own_within_s: f64,
    wrap: impl FnOnce(File) -> Source,
) -> Result<(TraceScore, Vec<String>), Problem> {
    let source = match &job.deployment {
        Some(path) => Deployment::load(path)?.truth,
        None => None,
    };
    // The truth first: without it the replay would be for nothing.
    let truth = Truth::new(&crate::truth::load(truth)?, source).with_own_within(own_within_s);
    let keep = Keep { beats: true, minutes: true };
    let mut prepared = prepare(&job.trace, job.deployment.as_deref(), keep, wrap)?;
    let notices = std::mem::take(&mut prepared.notices);
    let config = prepared.setup.config;
    Ok((judge(&truth, &prepared.run()?, &config), notices))
}

/// Fingerprint of all that a score depends on: trace, deployment, truth, and code; with a
/// registered detector also the program that holds it, and its tolerance.
///
/// # Errors
/// A file that cannot be read.
pub fn fingerprint(job: &Job, truth: &Path, own_within_s: f64) -> Result<String, Problem> {
    let deployment = job.deployment.as_deref().map(of_file).transpose()?;
    let mut parts = vec![
        ALL_SOURCES.to_owned(),
        of_file(&job.trace)?,
        deployment.unwrap_or_else(|| "none".to_owned()),
        of_file(truth)?,
    ];
    if own::registered().is_some() {
        parts.push(format!("{:?} {own_within_s}", program()));
    }
    Ok(of_bytes(parts.join(" ").as_bytes()))
}
