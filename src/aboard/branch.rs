//! The unloading branch of a line of a stated length in a rig with some give: tension against the length it gives back.

use super::Beyond;
use crate::separate::StretchCurve;

/// Strain against load by rows, strictly rising in both, with the length and the give that belong to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Branch {
    /// Load in N and strain.
    rows: Vec<(f64, f64)>,
    /// Length under load, m.
    length: f64,
    /// Give of the rig, m/N.
    give: f64,
}

impl Branch {
    /// A branch from rows of load (N) and strain; rows that do not rise are left out.
    ///
    /// # Errors
    /// Fewer than two rising rows.
    pub fn new(rows: &[(f64, f64)], length: f64, give: f64) -> Result<Self, String> {
        let mut sorted = rows.to_vec();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut kept: Vec<(f64, f64)> = Vec::with_capacity(sorted.len());
        for row in sorted {
            if kept
                .last()
                .is_none_or(|last| row.0 > last.0 && row.1 > last.1)
            {
                kept.push(row);
            }
        }
        if kept.len() < 2 || length <= 0.0 {
            return Err("the stretch curve has fewer than two points that rise".into());
        }
        Ok(Self {
            rows: kept,
            length,
            give,
        })
    }

    /// The branch found on the dock, brought to the length aboard.
    ///
    /// # Errors
    /// No stretch curve, no free length, or fewer than two rising rows.
    pub fn found(curve: Option<&StretchCurve>, length: f64, give: f64) -> Result<Self, String> {
        let curve = curve.ok_or("the record gives no stretch curve of the line")?;
        let own = curve
            .free_length_mm
            .filter(|l| *l > 0.0)
            .ok_or("the sheet does not state the free length that the stretch belongs to")?;
        let rows: Vec<(f64, f64)> = curve
            .load_kn
            .iter()
            .zip(&curve.unloading_mm)
            .filter(|(load, stretch)| load.is_finite() && stretch.is_finite())
            .map(|(load, stretch)| (load * 1e3, stretch / own))
            .collect();
        Self::new(&rows, length, give)
    }

    /// The same line in a rig with this give, m/N.
    #[must_use]
    pub fn with_give(self, give: f64) -> Self {
        Self { give, ..self }
    }

    /// Lowest load of the branch, N.
    #[must_use]
    pub fn lowest(&self) -> f64 {
        self.rows[0].0
    }

    /// Length taken up by line and rig at a load, m.
    fn taken_up(&self, load: f64) -> Result<f64, Beyond> {
        let (lowest, highest) = (self.rows[0].0, self.rows[self.rows.len() - 1].0);
        // Rounding of units may put a load a hair outside.
        if load < lowest * (1.0 - 1e-9) {
            return Err(Beyond::BelowMeasured(lowest));
        }
        if load > highest * (1.0 + 1e-9) {
            return Err(Beyond::AboveMeasured(highest));
        }
        let i = self
            .rows
            .partition_point(|row| row.0 < load)
            .clamp(1, self.rows.len() - 1);
        let (a, b) = (self.rows[i - 1], self.rows[i]);
        let strain = a.1 + (b.1 - a.1) * (load - a.0) / (b.0 - a.0);
        Ok(strain * self.length + load * self.give)
    }

    /// Tension left of `load` (N) after `slip` (m).
    ///
    /// # Errors
    /// The load lies above the branch, or the tension left below it.
    pub fn tension_after(&self, load: f64, slip: f64) -> Result<f64, Beyond> {
        let wanted = self.taken_up(load)? - slip;
        let (mut low, mut high) = (self.lowest(), load);
        if wanted < self.taken_up(low)? {
            return Err(Beyond::BelowMeasured(low));
        }
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if high - low <= 1e-12 * load || middle <= low || middle >= high {
                break;
            }
            if self.taken_up(middle)? < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok(0.5 * (low + high))
    }

    /// Slip (m) that takes the tension from `load` to `left` (N).
    ///
    /// # Errors
    /// Either load lies outside the branch.
    pub fn slip_between(&self, load: f64, left: f64) -> Result<f64, Beyond> {
        Ok(self.taken_up(load)? - self.taken_up(left)?)
    }
}

/// Stretch laws of the comparison lines: stiffness EA in N, strain of the toe. The toe closes with 1 kN, the value at which
/// both laws give the shares kept that are computed for them (see the tests); an assumption, no property of a fibre.
const LAWS: [(&str, f64, f64); 2] = [
    ("a polyester line (EA 210 kN)", 210e3, 0.006),
    ("an HMPE line (EA 1122 kN)", 1122e3, 0.0012),
];
/// Load with which the toe closes, N.
const TOE_LOAD: f64 = 1e3;
/// Rows of a law's branch.
const ROWS: usize = 400;

/// Branches of a stretchy and a stiff line of this length, from no load to `load`, in a rigid rig.
#[must_use]
pub fn comparison_branches(length: f64, load: f64) -> Vec<(&'static str, Branch)> {
    LAWS.iter()
        .filter_map(|(label, stiffness, toe)| {
            let rows: Vec<(f64, f64)> = (0..=ROWS)
                .map(|i| {
                    let f = load * i as f64 / ROWS as f64;
                    (f, f / stiffness - toe * libm::expm1(-f / TOE_LOAD))
                })
                .collect();
            Some((*label, Branch::new(&rows, length, 0.0).ok()?))
        })
        .collect()
}
