//! What the sheet states of an instrument, as half widths.

use crate::condition::InstrumentErrors;
use crate::ingest::GaugeKind;
use crate::sheet::Sheet;

/// Half widths and ranges of one instrument, SI.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Stated {
    pub errors: InstrumentErrors,
    pub zero: Option<f64>,
    pub resolution: Option<f64>,
    pub capacity: Option<f64>,
}

/// What the sheet states of the gauge of this kind; nothing where it has no such gauge.
pub(crate) fn stated(kind: GaugeKind, sheet: &Sheet) -> Result<Stated, String> {
    let Some(gauge) = sheet.gauges.get(kind) else {
        return Ok(Stated::default());
    };
    let stated = gauge.stated(kind).map_err(|e| e.to_string())?;
    // A displacement is counted from the first dwell, where a standing zero error cancels; a load is not.
    let zero = if kind.is_force() {
        stated.zero.unwrap_or(0.0)
    } else {
        0.0
    };
    Ok(Stated {
        errors: InstrumentErrors {
            gain: stated.gain,
            fixed: stated.fixed + zero,
            drift: stated.drift.unwrap_or(0.0),
        },
        zero: stated.zero,
        resolution: stated.resolution,
        capacity: stated.capacity,
    })
}
