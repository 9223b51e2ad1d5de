//! Stretch and give between the centres of the blocks.
//!
//! The courses of the parts have one value per block. Slips run straight between blocks, stretch and give do not: in a
//! block that holds a corner of the load they bend with it. Both follow from the load alone, so their shapes are put
//! together once more at every entry, and the departure from straight lines is kept.

use crate::condition::Conditioned;
use crate::phases::Phased;
use crate::separate::bases::{self, History};
use crate::separate::model::{Balance, Shape};
use crate::separate::{Between, PartName};
use crate::stats::straight;

/// What the load's noise makes of a departure, in variances of a block's mean load: the slope of the block's own line has
/// one, and the means of the block and its neighbours, between which the other line runs, make the second.
const LINE_NOISE: f64 = 2.0;

/// Departures of stretch and give from straight lines between the blocks' centres.
pub(super) fn between(balance: &Balance, record: &Conditioned, phased: &Phased) -> Between {
    let curve = balance
        .earlier
        .as_deref()
        .and_then(|weights| bases::spline_curve(weights, balance.seen_from));
    let history = History {
        time_s: &record.time_s,
        load_n: &phased.quiet_load_n,
        rows: &[],
        peak_n: balance.scale_n,
        blocks: &[],
        dwelt: phased.reference.end,
        curve: curve.as_ref().map(|c| c as &dyn Fn(f64) -> f64),
    };
    let of = |shape: &Shape| -> Vec<f64> {
        shape
            .weights
            .iter()
            .map(|w| balance.fit.weights[*w])
            .collect()
    };
    let mut out = Between {
        time_s: record.time_s.clone(),
        ..Between::default()
    };
    if !balance.stretch.weights.is_empty() {
        let weights = of(&balance.stretch);
        let mut values = bases::stretch_at_entries(&history, &weights);
        if let (Some(earlier), Some(open)) = (&balance.earlier, weights.last()) {
            let left = bases::left_open(&history, earlier);
            for (value, left) in values.iter_mut().zip(left) {
                *value += open * left;
            }
        }
        let course = balance.value_of(&[&balance.stretch]);
        let mut departure = departure(balance, record, &values, &course);
        let noise = balance.load_in_stretch(record);
        for (rows, noise) in balance.ranges.iter().zip(noise) {
            keep_beyond(1e-6 * LINE_NOISE * noise, &mut departure[rows.clone()]);
        }
        out.departure_m.insert(PartName::Stretch, departure);
    }
    if !(balance.body.weights.is_empty() && balance.jaws.weights.is_empty()) {
        let mut values = vec![0.0; record.time_s.len()];
        for shape in [&balance.body, &balance.jaws] {
            if !shape.weights.is_empty() {
                let own = bases::give_at_entries(&history, &of(shape));
                for (value, own) in values.iter_mut().zip(own) {
                    *value += own;
                }
            }
        }
        let course = balance.value_of(&[&balance.body, &balance.jaws]);
        out.departure_m
            .insert(PartName::Give, departure(balance, record, &values, &course));
    }
    out
}

/// Shrinks a block's departures by what noise alone, with this variance in m², would make of them.
fn keep_beyond(noise: f64, departure: &mut [f64]) {
    let square = departure.iter().map(|d| d * d).sum::<f64>() / departure.len().max(1) as f64;
    let keep = if square > noise {
        1.0 - noise / square
    } else {
        0.0
    };
    for d in departure {
        *d *= keep;
    }
}

/// Departure in m per entry of `values` (mm per entry, from any zero) from the lines through `course` (mm per block in
/// use); zero outside the blocks in use.
fn departure(balance: &Balance, record: &Conditioned, values: &[f64], course: &[f64]) -> Vec<f64> {
    let blocks = &balance.ranges;
    // Both are counted from the first dwell, but for shapes too small to be kept: their means agree.
    let mean = |k: usize| -> f64 {
        values[blocks[k].clone()].iter().sum::<f64>() / blocks[k].len() as f64
    };
    let shift =
        (0..blocks.len()).map(|k| mean(k) - course[k]).sum::<f64>() / blocks.len().max(1) as f64;
    let entries = balance.start_entry..balance.end_entry;
    let lines = straight(
        &balance.problem.time,
        course,
        &record.time_s[entries.clone()],
    );
    let mut out = vec![0.0; values.len()];
    for (i, line) in entries.zip(lines) {
        out[i] = 1e-3 * (values[i] - shift - line);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::keep_beyond;

    /// As much as noise makes is taken away; what is far beyond it stays.
    #[test]
    fn a_departure_keeps_what_is_beyond_noise() {
        let shrunk = |noise: f64| {
            let mut departure = vec![1.0, -1.0, 1.0, -1.0];
            keep_beyond(noise, &mut departure);
            departure[0]
        };
        assert_eq!([shrunk(2.0), shrunk(1.0)], [0.0, 0.0]);
        assert!((shrunk(0.25) - 0.75).abs() < 1e-12);
        assert!((shrunk(0.0) - 1.0).abs() < 1e-12);
    }
}
