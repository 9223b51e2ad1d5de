//! Transfer: in which blocks is the winch eased, so that the stopper takes the load?
//!
//! Question: when does the load on the tail go? Only a cell on the tail shows it. Method: the fall from the last block at
//! nine tenths of the tail's highest load to the first at a tenth of it, while the loaded end stays under load.

use std::ops::Range;

use super::Blocks;
use crate::condition::Conditioned;
use crate::ingest::GaugeKind;

/// Shares of the tail's highest load at which its fall begins and has ended.
const FROM_TO: (f64, f64) = (0.9, 0.1);
/// The tail's highest load is at least this share of the peak, else nothing was transferred.
const LEAST_SHARE: f64 = 0.1;
/// The loaded end keeps this share of its load, else the whole line was eased.
const KEPT_SHARE: f64 = 0.3;

/// The blocks of the transfer, if the record has one.
pub(super) fn find(record: &Conditioned, blocks: &Blocks, peak_n: f64) -> Option<Range<usize>> {
    let tail = record.gauge(GaugeKind::TailLoad)?;
    let load = blocks.means(tail);
    let highest = load.iter().copied().fold(0.0, f64::max);
    if highest < LEAST_SHARE * peak_n {
        return None;
    }
    let last_high = load.iter().rposition(|f| *f >= FROM_TO.0 * highest)?;
    let eased = (last_high..load.len()).find(|k| load[*k] <= FROM_TO.1 * highest)?;
    let kept = blocks.load_n[eased] >= KEPT_SHARE * blocks.load_n[last_high];
    (kept && eased > last_high).then_some(last_high + 1..eased + 1)
}
