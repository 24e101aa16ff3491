//! Deployments as a table (CSV): written for people to correct, and read back;
//! and tables of groups.
//!
//! Columns `id`, `fate`, `time_h`, and if wanted `recovery_h` and `source`; every
//! other column is a group.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::record::{Deployment, Fate};
use crate::problem::{Problem, nearest, shown};
use crate::trace::{bounded, open_file};

const KNOWN: [&str; 5] = ["id", "fate", "time_h", "recovery_h", "source"];
/// Longest time that a deployment can last, h (about eleven years).
const MAX_H: f64 = 100_000.0;

/// A table read as it is: names of columns, and rows with their line.
struct Table {
    name: String,
    columns: Vec<String>,
    rows: Vec<(u64, Vec<String>)>,
}

impl Table {
    fn load(path: &Path) -> Result<Table, Problem> {
        let name = path.display().to_string();
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .flexible(true)
            .from_reader(bounded(Box::new(open_file(path)?)));
        let fail = |e: csv::Error| Problem::new(format!("{name}: cannot be read: {e}"));
        let columns: Vec<String> = reader
            .headers()
            .map_err(fail)?
            .iter()
            .map(|c| c.trim_start_matches('\u{feff}').to_owned())
            .collect();
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(fail)?;
            let line = record.position().map_or(0, csv::Position::line);
            if record.iter().all(str::is_empty) {
                continue;
            }
            if record.len() != columns.len() {
                return Err(Problem::new(format!(
                    "{name}: row {line}: has {} cells, and the header has {}",
                    record.len(),
                    columns.len()
                )));
            }
            rows.push((line, record.iter().map(str::to_owned).collect()));
        }
        Ok(Table { name, columns, rows })
    }

    fn column(&self, wanted: &str) -> Result<usize, Problem> {
        self.columns.iter().position(|c| c == wanted).ok_or_else(|| {
            let problem = Problem::new(format!("{}: row 1: no column {wanted}", self.name));
            match nearest(wanted, self.columns.iter().map(String::as_str)) {
                Some(near) => problem.help(format!("nearest column there is: {near}")),
                None => problem,
            }
        })
    }
}

/// Whether the first line of a file is that of a table of deployments.
pub fn is_table(path: &Path) -> bool {
    Table::header(path).is_some_and(|columns| {
        ["id", "fate", "time_h"].iter().all(|want| columns.iter().any(|c| c == want))
    })
}

impl Table {
    fn header(path: &Path) -> Option<Vec<String>> {
        let file = open_file(path).ok()?;
        let mut reader =
            csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bounded(Box::new(file)));
        let header = reader.headers().ok()?;
        Some(header.iter().map(|c| c.trim_start_matches('\u{feff}').to_owned()).collect())
    }
}

/// Reads a table of deployments.
///
/// # Errors
/// A column missing, a fate that is none, a time that is none; with row and column.
pub fn read(path: &Path) -> Result<Vec<Deployment>, Problem> {
    let table = Table::load(path)?;
    let name = &table.name;
    let (id, fate, time) = (table.column("id")?, table.column("fate")?, table.column("time_h")?);
    let recovery = table.columns.iter().position(|c| c == "recovery_h");
    let mut deployments = Vec::new();
    for (line, cells) in &table.rows {
        let fate_of = Fate::of(&cells[fate].to_ascii_lowercase()).ok_or_else(|| {
            let near = nearest(&cells[fate], Fate::ALL.map(Fate::word)).unwrap_or("alive");
            Problem::new(format!(
                "{name}: row {line}, column fate: {} is none of alive, detached, dead, undetermined",
                shown(cells[fate].as_bytes())
            ))
            .help(format!("nearest: {near}"))
        })?;
        let hours = |column: usize| {
            let value = cells[column].parse::<f64>().ok().filter(|v| (0.0..=MAX_H).contains(v));
            value.ok_or_else(|| {
                Problem::new(format!(
                    "{name}: row {line}, column {}: {} is not a time in h (0 to {MAX_H})",
                    table.columns[column],
                    shown(cells[column].as_bytes())
                ))
            })
        };
        let recovery_h = match recovery {
            Some(column) if !cells[column].is_empty() => Some(hours(column)?),
            _ => None,
        };
        let groups = table
            .columns
            .iter()
            .zip(cells)
            .filter(|(column, cell)| !KNOWN.contains(&column.as_str()) && !cell.is_empty())
            .map(|(column, cell)| (column.clone(), cell.clone()))
            .collect();
        deployments.push(Deployment {
            id: cells[id].clone(),
            source: format!("{name}, row {line}"),
            fate: fate_of,
            time_h: hours(time)?,
            recovery_h,
            groups,
        });
    }
    Ok(deployments)
}

/// Adds the groups of the table at `path` (column `id`, and a column for each
/// grouping) to `deployments`. Returns the ids that no deployment has.
///
/// # Errors
/// No column `id`, or an id that occurs twice.
pub fn add_groups(path: &Path, deployments: &mut [Deployment]) -> Result<Vec<String>, Problem> {
    let table = Table::load(path)?;
    let id = table.column("id")?;
    let mut rows = BTreeMap::new();
    for (line, cells) in &table.rows {
        if rows.insert(cells[id].as_str(), cells).is_some() {
            return Err(Problem::new(format!(
                "{}: row {line}, column id: {} occurs twice",
                table.name,
                shown(cells[id].as_bytes())
            )));
        }
    }
    let mut used = BTreeSet::new();
    for d in deployments {
        let Some((key, cells)) = rows.get_key_value(d.id.as_str()) else { continue };
        used.insert(*key);
        for (column, cell) in table.columns.iter().zip(cells.iter()) {
            if column != "id" && !cell.is_empty() {
                d.groups.insert(column.clone(), cell.clone());
            }
        }
    }
    Ok(rows.keys().filter(|id| !used.contains(*id)).map(|&id| id.to_owned()).collect())
}

/// The table of deployments, to be corrected and read again.
pub fn write(deployments: &[Deployment]) -> String {
    let columns: BTreeSet<&String> = deployments.iter().flat_map(|d| d.groups.keys()).collect();
    let mut out = csv::Writer::from_writer(Vec::new());
    let fixed = ["id", "fate", "time_h", "recovery_h"].map(str::to_owned);
    let header: Vec<String> = fixed
        .into_iter()
        .chain(columns.iter().map(|c| (*c).clone()))
        .chain(["source".to_owned()])
        .collect();
    // Writing to memory does not fail.
    let _ = out.write_record(&header);
    for d in deployments {
        let mut row = vec![
            d.id.clone(),
            d.fate.word().to_owned(),
            rounded(d.time_h),
            d.recovery_h.map_or(String::new(), rounded),
        ];
        row.extend(columns.iter().map(|c| d.groups.get(*c).cloned().unwrap_or_default()));
        row.push(d.source.clone());
        let _ = out.write_record(&row);
    }
    String::from_utf8_lossy(&out.into_inner().unwrap_or_default()).into_owned()
}

/// Hours with five decimals: to 0.04 s.
fn rounded(hours: f64) -> String {
    let text = format!("{hours:.5}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
