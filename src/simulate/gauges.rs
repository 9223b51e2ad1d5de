//! What the gauges show of a course: draws of the instruments' systematic errors, noise, steps, lag, end stops, lost rows.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha12Rng;
use rand_distr::StandardNormal;
use serde::{Deserialize, Serialize};

use super::march::Instant;
use super::scenario::{GaugeSpec, Scenario, Step};
use crate::ingest::GaugeKind;
use crate::sheet::{Against, CoverAtEye};

/// The systematic errors of one pull, drawn within what its sheet states. Part of the truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Draws {
    /// Per gauge, in the order of the scenario.
    pub gauges: Vec<GaugeDraw>,
    /// True largest give of the jaws, m.
    pub jaw_give_m: f64,
}

/// The errors of one gauge: indicated = true·(1 + gain) + zero + drift·t/T + offset + noise, delayed by lag.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GaugeDraw {
    /// What it watches.
    pub kind: GaugeKind,
    /// Share.
    pub gain: f64,
    /// SI.
    pub zero: f64,
    /// SI, reached at the end of the record.
    pub drift: f64,
    /// s
    pub lag_s: f64,
    /// Where the scale was when the gauge was set up, m; no error: displacements count from the first dwell.
    pub offset: f64,
    /// True distance of the mark from the mouth, or between the span's marks, m.
    pub distance_m: Option<f64>,
}

impl Draws {
    /// Draws for one pull: gain, zero, drift and lag rectangular, distances normal, jaw give rectangular from zero.
    #[must_use]
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        rng.set_stream(2);
        let jaw_give_m = scenario.mount.jaw_give_stated * rng.random::<f64>();
        let gauges = scenario
            .instruments
            .gauges
            .iter()
            .map(|g| {
                let gain = g.gain * within(&mut rng);
                let zero = g.zero * within(&mut rng);
                let drift = g.drift * within(&mut rng);
                let lag_s = g.lag * rng.random::<f64>();
                let offset = if g.kind.is_force() {
                    0.0
                } else {
                    0.005 + 0.01 * rng.random::<f64>()
                };
                let kick: f64 = rng.sample(StandardNormal);
                GaugeDraw {
                    kind: g.kind,
                    gain,
                    zero,
                    drift,
                    lag_s,
                    offset,
                    distance_m: g.distance.map(|d| (d + g.distance_u * kick).max(0.0)),
                }
            })
            .collect();
        Self { gauges, jaw_give_m }
    }

    /// The draw of the gauge of this kind.
    #[must_use]
    pub fn gauge(&self, kind: GaugeKind) -> Option<&GaugeDraw> {
        self.gauges.iter().find(|g| g.kind == kind)
    }
}

fn within(rng: &mut impl Rng) -> f64 {
    2.0 * rng.random::<f64>() - 1.0
}

/// Times of the rows, s, strictly rising.
pub(super) fn row_times(scenario: &Scenario, course: &[Instant], seed: u64) -> Vec<f64> {
    let logger = &scenario.instruments.logger;
    let end = course.last().map_or(0.0, |i| i.time);
    if let Some(most) = logger.by_hand {
        return hand_times(scenario, course, most);
    }
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    rng.set_stream(3);
    let mut times: Vec<f64> = Vec::new();
    let mut k = 1.0;
    while k / logger.rate <= end {
        let kick: f64 = rng.sample(StandardNormal);
        let lost = rng.random::<f64>() < logger.dropped;
        let jitter = (logger.jitter * kick).clamp(-0.45 / logger.rate, 0.45 / logger.rate);
        // The log states milliseconds.
        let time = libm::round((k / logger.rate + jitter) * 1e3) / 1e3;
        if !lost && time <= end {
            times.push(time);
        }
        k += 1.0;
    }
    times
}

/// A person reads the gauges when a hold has just begun and just before it ends; holds too short for two readings get
/// one. With more moments than `most` the inner ones are thinned evenly.
fn hand_times(scenario: &Scenario, course: &[Instant], most: usize) -> Vec<f64> {
    let mut times: Vec<f64> = Vec::new();
    for (index, step) in scenario.schedule.iter().enumerate() {
        if !matches!(step, Step::Hold { .. } | Step::Lock { .. }) {
            continue;
        }
        let first = course.iter().find(|i| i.step == index).map(|i| i.time);
        let last = course
            .iter()
            .rev()
            .find(|i| i.step == index)
            .map(|i| i.time);
        let (Some(first), Some(last)) = (first, last) else {
            continue;
        };
        if last - first > 40.0 {
            times.push(libm::ceil(first + 3.0));
        }
        times.push(libm::floor(last - 1.0));
    }
    let n = times.len();
    if n <= most || most < 2 {
        return times;
    }
    (0..most)
        .filter_map(|k| times.get(k * (n - 1) / (most - 1)).copied())
        .collect()
}

/// Times of camera readings: a second before the end of each hold, to the tenth of a second.
pub(super) fn reading_times(scenario: &Scenario, course: &[Instant]) -> Vec<f64> {
    let held = |s: &Step| matches!(s, Step::Hold { .. } | Step::Lock { .. });
    (0..scenario.schedule.len())
        .filter(|&index| scenario.schedule.get(index).is_some_and(held))
        .filter_map(|index| course.iter().rfind(|i| i.step == index))
        .map(|i| libm::floor((i.time - 1.0) * 10.0) / 10.0)
        .collect()
}

/// Linear interpolation of the fine course.
pub(super) fn at(course: &[Instant], time: f64) -> Instant {
    let after = course.partition_point(|i| i.time < time);
    let (Some(b), Some(a)) = (
        course.get(after.min(course.len().saturating_sub(1))),
        course.get(after.saturating_sub(1)),
    ) else {
        return Instant::default();
    };
    let span = b.time - a.time;
    let w = if span > 0.0 {
        ((time - a.time) / span).clamp(0.0, 1.0)
    } else {
        1.0
    };
    let mix = |x: f64, y: f64| x + (y - x) * w;
    Instant {
        time,
        load: mix(a.load, b.load),
        tail_load: mix(a.tail_load, b.tail_load),
        travel: mix(a.travel, b.travel),
        stretch: mix(a.stretch, b.stretch),
        set: mix(a.set, b.set),
        seating: mix(a.seating, b.seating),
        stopper_slip: mix(a.stopper_slip, b.stopper_slip),
        cover_slip: mix(a.cover_slip, b.cover_slip),
        cover_slack: mix(a.cover_slack, b.cover_slack),
        splice_slip: mix(a.splice_slip, b.splice_slip),
        body: mix(a.body, b.body),
        jaws: mix(a.jaws, b.jaws),
        step: b.step,
    }
}

/// Core draw-in K: nothing until the tail has swallowed its share; nothing ever with a whipped end.
pub(super) fn draw_in(scenario: &Scenario, cover_slip: f64) -> f64 {
    match scenario.line.bitter_end {
        crate::sheet::BitterEnd::Whipped => 0.0,
        _ => (cover_slip - scenario.line.tail_stores).max(0.0),
    }
}

/// What a faultless gauge of this kind would show, absolute.
fn faultless(scenario: &Scenario, spec: &GaugeSpec, distance: f64, i: &Instant) -> f64 {
    let length = scenario.line.free_length;
    let on_stopper = spec.against == Some(Against::Stopper);
    let body = if on_stopper { 0.0 } else { i.body };
    match spec.kind {
        GaugeKind::Load => i.load,
        GaugeKind::TailLoad => i.tail_load,
        GaugeKind::Travel => i.travel - if on_stopper { i.body } else { 0.0 },
        GaugeKind::Mark => {
            let shared = i.stretch
                + i.set
                + match scenario.line.cover_at_eye {
                    CoverAtEye::Free => 0.0,
                    _ => i.cover_slip,
                };
            body + i.jaws + i.stopper_slip + distance / length * shared
        }
        GaugeKind::Tail => body + scenario.mount.jaw_on_tail * i.jaws + i.stopper_slip,
        GaugeKind::Body => i.body,
        GaugeKind::Core => {
            let k = draw_in(scenario, i.cover_slip);
            match spec.against {
                Some(Against::Rig) => k + i.stopper_slip + i.body,
                Some(Against::Stopper) => k + i.stopper_slip,
                _ => k,
            }
        }
        GaugeKind::Span => {
            distance / length * (i.stretch + scenario.line.set.in_plain_line * i.set)
        }
    }
}

/// One channel as the log shows it: one value per row, SI, rounded to the step of the gauge.
pub(super) fn indicate(
    scenario: &Scenario,
    spec: &GaugeSpec,
    draw: &GaugeDraw,
    course: &[Instant],
    times: &[f64],
    seed: u64,
) -> Vec<f64> {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    rng.set_stream(16 + spec.kind as u64);
    let end = course.last().map_or(1.0, |i| i.time);
    let distance = draw.distance_m.unwrap_or(0.0);
    times
        .iter()
        .map(|&time| {
            let i = at(course, time - draw.lag_s);
            let truth = faultless(scenario, spec, distance, &i);
            let noise: f64 = rng.sample(StandardNormal);
            let reading = truth * (1.0 + draw.gain)
                + draw.zero
                + draw.drift * time / end
                + draw.offset
                + spec.noise * noise;
            let clipped = reading.clamp(spec.floor, spec.capacity);
            libm::round(clipped / spec.step) * spec.step
        })
        .collect()
}
