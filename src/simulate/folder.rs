//! A simulated pull as a pull folder: sheet, log, marks and the truth beside them.

use std::fmt::Write as _;

use serde::Serialize;

use super::memory::column;
use super::sheet_text::sheet_text;
use super::{Draws, Grade, Jump, Kind, LimitTruth, Scenario, Simulated, run};
use crate::ingest::GaugeKind;

/// A pull folder in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct PullFolder {
    /// File names and their bytes, in the order in which they are best read.
    pub files: Vec<(String, Vec<u8>)>,
    /// The pull itself.
    pub simulated: Simulated,
}

/// Simulates one pull of a kind with good gauges, logged ten times a second.
#[must_use]
pub fn pull(kind: Kind, seed: u64) -> PullFolder {
    let mut scenario = kind.scenario(Grade::Good, seed);
    scenario.instruments.logger.rate = 10.0;
    folder(run(&scenario, seed))
}

/// Writes out a simulated pull: `sheet.toml`, `log.csv`, `marks.csv` where something was read by camera, `truth.json`
/// and `truth.csv`.
#[must_use]
pub fn folder(simulated: Simulated) -> PullFolder {
    let mut files = vec![
        (
            "sheet.toml".to_owned(),
            sheet_text(&simulated.scenario, simulated.seed).into_bytes(),
        ),
        ("log.csv".to_owned(), log_csv(&simulated).into_bytes()),
    ];
    if !simulated.readings.is_empty() {
        files.push(("marks.csv".to_owned(), marks_csv(&simulated).into_bytes()));
    }
    files.push(("truth.json".to_owned(), truth_json(&simulated).into_bytes()));
    files.push(("truth.csv".to_owned(), truth_csv(&simulated).into_bytes()));
    PullFolder { files, simulated }
}

/// Decimals that show a step fully: 3 for 0.001, 1 for 0.5.
fn decimals(step: f64) -> usize {
    (0..6)
        .find(|&d| {
            let scaled = step * libm::pow(10.0, d as f64);
            (scaled - libm::round(scaled)).abs() < 1e-6
        })
        .unwrap_or(6)
}

fn log_csv(s: &Simulated) -> String {
    let mut t = s.columns().join(",");
    t.push('\n');
    let shown: Vec<(f64, usize)> = s
        .channels
        .iter()
        .map(|c| {
            let scale = if c.kind.is_force() { 1e3 } else { 1e-3 };
            let step = s.scenario.instruments.gauge(c.kind).map_or(0.0, |g| g.step);
            (scale, decimals(step / scale))
        })
        .collect();
    for (row, time) in s.time_s.iter().enumerate() {
        let _ = write!(t, "{time:.3}");
        for (channel, (scale, decimals)) in s.channels.iter().zip(&shown) {
            let value = channel.values.get(row).copied().unwrap_or(0.0) / scale;
            let _ = write!(t, ",{}", number(value, *decimals));
        }
        t.push('\n');
    }
    t
}

/// A number with this many decimals; a rounded nothing has no sign.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text
        .trim_start_matches('-')
        .bytes()
        .all(|b| b == b'0' || b == b'.')
    {
        return text.trim_start_matches('-').to_owned();
    }
    text
}

fn marks_csv(s: &Simulated) -> String {
    let mut kinds: Vec<GaugeKind> = s.readings.iter().map(|r| r.kind).collect();
    kinds.sort();
    kinds.dedup();
    let mut t = String::from("time [s]");
    for kind in &kinds {
        let _ = write!(t, ",{}", column(*kind));
    }
    t.push('\n');
    let mut times: Vec<f64> = s.readings.iter().map(|r| r.time_s).collect();
    times.dedup();
    for time in times {
        let _ = write!(t, "{time:.1}");
        for kind in &kinds {
            let reading = s
                .readings
                .iter()
                .find(|r| r.time_s == time && r.kind == *kind);
            let _ = match reading {
                Some(r) => write!(t, ",{}", number(r.value_m * 1e3, 1)),
                None => write!(t, ","),
            };
        }
        t.push('\n');
    }
    t
}

/// The form of `truth.json`.
#[derive(Serialize)]
struct TruthFile<'a> {
    simulated: bool,
    kind: &'a str,
    seed: u64,
    /// Parts at the end of the last rest (or where the line ran out) and at the proof load, mm.
    parts: std::collections::BTreeMap<&'static str, Ends>,
    first_dwell_s: (f64, f64),
    first_dwell_load_kn: f64,
    end_s: f64,
    proof_reached_s: Option<f64>,
    ran_out_s: Option<f64>,
    limits: &'a LimitTruth,
    jumps: Vec<JumpRow>,
    draws: &'a Draws,
    scenario: &'a Scenario,
}

#[derive(Serialize)]
struct Ends {
    end_mm: f64,
    at_proof_mm: Option<f64>,
}

#[derive(Serialize)]
struct JumpRow {
    time_s: f64,
    peak_kn: f64,
    trough_kn: f64,
    size_mm: f64,
}

impl From<&Jump> for JumpRow {
    fn from(j: &Jump) -> Self {
        Self {
            time_s: j.time,
            peak_kn: j.peak / 1e3,
            trough_kn: j.trough / 1e3,
            size_mm: j.size * 1e3,
        }
    }
}

fn truth_json(s: &Simulated) -> String {
    let t = &s.truth;
    let time = |row: usize| s.time_s.get(row).copied().unwrap_or(0.0);
    let file = TruthFile {
        simulated: true,
        kind: &s.scenario.name,
        seed: s.seed,
        parts: super::TRUE_PARTS
            .iter()
            .map(|name| {
                (
                    *name,
                    Ends {
                        end_mm: t.part(name, t.end) * 1e3,
                        at_proof_mm: t.at_proof.map(|row| t.part(name, row) * 1e3),
                    },
                )
            })
            .collect(),
        first_dwell_s: (
            time(t.reference.start),
            time(t.reference.end.saturating_sub(1)),
        ),
        first_dwell_load_kn: t.dwell_load / 1e3,
        end_s: time(t.end),
        proof_reached_s: t.at_proof.map(time),
        ran_out_s: t.ran_out.map(time),
        limits: &s.limits,
        jumps: t.jumps.iter().map(JumpRow::from).collect(),
        draws: &s.draws,
        scenario: &s.scenario,
    };
    // Plain numbers and strings always make JSON.
    serde_json::to_string_pretty(&file).unwrap_or_default() + "\n"
}

fn truth_csv(s: &Simulated) -> String {
    let t = &s.truth;
    let columns: [(&str, &[f64]); 10] = [
        ("travel_mm", &t.travel),
        ("stretch_mm", &t.stretch),
        ("set_mm", &t.set),
        ("seating_mm", &t.seating),
        ("stopper_slip_mm", &t.stopper_slip),
        ("cover_slip_mm", &t.cover_slip),
        ("splice_slip_mm", &t.splice_slip),
        ("body_mm", &t.body),
        ("jaws_mm", &t.jaws),
        ("draw_in_mm", &t.draw_in),
    ];
    let mut text = String::from("time_s,load_kn");
    for (name, _) in columns {
        let _ = write!(text, ",{name}");
    }
    text.push('\n');
    for (row, time) in s.time_s.iter().enumerate() {
        let load = t.load.get(row).copied().unwrap_or(0.0) / 1e3;
        let _ = write!(text, "{time:.3},{}", number(load, 4));
        for (_, values) in columns {
            let value = values.get(row).copied().unwrap_or(0.0) * 1e3;
            // Nothing at all is written short: the files are stored.
            let _ = if value.abs() < 5e-4 {
                write!(text, ",0")
            } else {
                write!(text, ",{}", number(value, 3))
            };
        }
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_log_is_written_as_it_stands_in_memory() {
        let folder = pull(Kind::Both, 3);
        let log = String::from_utf8(folder.files[1].1.clone()).unwrap();
        let s = &folder.simulated;
        assert_eq!(
            log.lines().next().unwrap().split(',').count(),
            1 + s.channels.len()
        );
        for (row, line) in log.lines().skip(1).enumerate() {
            for (cell, channel) in line.split(',').skip(1).zip(&s.channels) {
                let scale = if channel.kind.is_force() { 1e3 } else { 1e-3 };
                let written: f64 = cell.parse().unwrap();
                assert!(
                    (written * scale - channel.values[row]).abs() < 1e-9,
                    "{row} {cell}"
                );
            }
        }
        assert_eq!(log.lines().count(), s.time_s.len() + 1);
    }

    #[test]
    fn the_truth_file_is_json_with_every_part() {
        for &kind in Kind::ALL {
            let folder = pull(kind, 2);
            let (_, bytes) = folder
                .files
                .iter()
                .find(|(n, _)| n == "truth.json")
                .unwrap();
            let json: serde_json::Value = serde_json::from_slice(bytes).unwrap();
            for name in crate::simulate::TRUE_PARTS {
                assert!(json["parts"][name]["end_mm"].is_f64(), "{name}");
            }
        }
    }
}
