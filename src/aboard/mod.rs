//! A slip found on the dock to tension kept aboard, and a loss of tension aboard to the slip behind it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stats::Estimate;

/// Tension kept aboard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AboardResult {
    /// Load that the stopper takes over, kN.
    pub load_kn: f64,
    /// Length under load aboard, mm.
    pub length_mm: f64,
    /// The slip taken from the dock pull at that load.
    pub slip: Estimate,
    /// Share of the load kept at once after transfer.
    pub kept_at_once: Estimate,
    /// Share kept after an hour, labelled as projection where the holds were shorter than a tenth of it.
    pub kept_after_hour: Estimate,
    /// Slip that explains the load found aboard, if the sheet states one.
    pub slip_behind_loss: Option<Estimate>,
    /// Tension kept (share) against slip (mm), for the chart: this line, a stretchier one, a stiffer one.
    pub curves: Vec<KeptCurve>,
}

/// Tension kept against slip for one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KeptCurve {
    /// `this line`, or the comparison line by its fibre.
    pub label: String,
    /// Slip in mm.
    pub slip_mm: Vec<f64>,
    /// Share of the load kept.
    pub kept: Vec<f64>,
}
