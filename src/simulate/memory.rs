//! A simulated pull as the typed structs that reading its folder would give, so that tests run thousands from memory.

use super::Simulated;
use super::sheet_text::sheet_text;
use crate::ingest::{Channel, GaugeKind, HandReading, InputFile, Log, Understood};
use crate::sheet::Sheet;
use crate::units::{Dimension, ForceDim, LengthDim};

impl Simulated {
    /// The sheet of this pull, read from its own text.
    ///
    /// # Errors
    /// Where the text that this crate wrote is no sheet: a fault in this crate.
    pub fn sheet(&self) -> Result<Sheet, toml::de::Error> {
        toml::from_str(&sheet_text(&self.scenario, self.seed))
    }

    /// The log as reading `log.csv` gives it.
    #[must_use]
    pub fn log(&self) -> Log {
        let rows = self.time_s.len();
        let mut channels: Vec<Channel> = self
            .channels
            .iter()
            .map(|c| Channel {
                kind: c.kind,
                column: column(c.kind).into(),
                unit: if c.kind.is_force() {
                    &ForceDim::UNITS[0]
                } else {
                    &LengthDim::UNITS[0]
                },
                values: c.values.clone(),
                clipped: Vec::new(),
                extremes: extremes(&c.values),
                unreadable: 0,
                step: self.scenario.instruments.gauge(c.kind).map(|g| g.step),
            })
            .collect();
        channels.sort_by_key(|c| c.kind);
        Log {
            time_s: self.time_s.clone(),
            rows_per_entry: 1,
            rows: rows as u64,
            channels,
            readings: self
                .readings
                .iter()
                .map(|r| HandReading {
                    time_s: r.time_s,
                    kind: r.kind,
                    value_m: r.value_m,
                })
                .collect(),
            segments: Vec::new(),
            understood: Understood {
                encoding: "UTF-8".into(),
                separator: ",".into(),
                decimal: ".".into(),
                header_line: 1,
                columns: self.columns(),
                time: "seconds".into(),
                ..Understood::default()
            },
        }
    }

    /// Input files of a pull that was never written: names without content.
    #[must_use]
    pub fn files(&self) -> Vec<InputFile> {
        ["sheet", "log"]
            .into_iter()
            .map(|role| InputFile {
                role: role.into(),
                name: format!("{} {} in memory", self.scenario.name, self.seed),
                bytes: 0,
                sha256: String::new(),
            })
            .collect()
    }

    /// Names of the columns of `log.csv`.
    #[must_use]
    pub fn columns(&self) -> Vec<String> {
        std::iter::once("time [s]".to_owned())
            .chain(self.channels.iter().map(|c| column(c.kind).to_owned()))
            .collect()
    }
}

fn extremes(values: &[f64]) -> Option<(f64, f64)> {
    values.iter().fold(None, |e, &v| match e {
        None => Some((v, v)),
        Some((low, high)) => Some((v.min(low), v.max(high))),
    })
}

/// The column of a gauge in `log.csv`, as sheet and log name it.
pub(super) fn column(kind: GaugeKind) -> &'static str {
    match kind {
        GaugeKind::Load => "load [kN]",
        GaugeKind::Travel => "travel [mm]",
        GaugeKind::Mark => "cover mark [mm]",
        GaugeKind::Tail => "tail mark [mm]",
        GaugeKind::Body => "stopper body [mm]",
        GaugeKind::Core => "core draw-in [mm]",
        GaugeKind::Span => "span [mm]",
        GaugeKind::TailLoad => "tail load [kN]",
    }
}
