//! What must hardly change a split: rows left out, and a second gauge of the same movement.
//!
//! `cargo run --release --example agreement -- [PULLS]`. Per gauge set and part at the end of the pull:
//!
//! - one row in ten, in five and in two left out: in how many pulls the part moves by less than its standard uncertainty, and by
//!   less than what of it comes from the record alone. The figures share the noise of the rows that stay, so that were the record
//!   alone at work, the difference would have a third, a half and the whole of its standard deviation, and stay within it in
//!   99.7, 95 and 68 % of pulls, however good the fit;
//! - a mark on the tail beside the mark at the mouth: the mean width of the interval with it over that without it. One that
//!   agrees should not widen it; one that reads a tenth too much should, and be named.

use std::collections::BTreeMap;

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::{GaugeKind, Log};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::{Part, PartName};
use bitterend::sheet::Against;
use bitterend::simulate::{self, GaugeSpec, Grade, Kind, Simulated};
use bitterend::stats::estimate::Status;
use rayon::iter::{IntoParallelIterator, ParallelIterator};

/// Kinds whose rows are thinned, one gauge set each.
const THINNED: [Kind; 4] = [
    Kind::CoreSlip,
    Kind::Both,
    Kind::NoCoreGauge,
    Kind::TravelOnly,
];
/// One row in so many is left out.
const LEFT_OUT: [usize; 3] = [10, 5, 2];
/// Kinds that slide a good deal, and get a second gauge of that slip.
const TWICE: [Kind; 2] = [Kind::StopperSlip, Kind::Both];
/// Part of its readings by which the gauge that conflicts is off.
const OFF: f64 = 0.1;
/// Parts that moved by less than this are taken as nothing, m.
const NOTHING: f64 = 1e-6;

fn main() {
    let pulls = std::env::args().nth(1).and_then(|n| n.parse().ok());
    let pulls: u64 = pulls.unwrap_or(200);
    for kind in THINNED {
        for one_in in LEFT_OUT {
            thinned(kind, pulls, one_in);
        }
    }
    for kind in TWICE {
        second_gauge(kind, pulls);
    }
}

fn analysed(pull: &Simulated, log: Log) -> Option<Analysis> {
    let mut sheet = pull.sheet().ok()?;
    if log.channels.iter().all(|c| c.kind != GaugeKind::Tail) {
        sheet.gauges.tail = None;
    }
    let inputs = Inputs {
        sheet,
        log,
        files: pull.files(),
    };
    analyse(inputs, &Settings::default()).ok()
}

/// Standard uncertainty of a part at the end from the record alone, m.
fn of_the_record(part: &Part) -> f64 {
    let lines = part.budget.iter().filter(|line| line.kind == "record");
    1e-3 * lines
        .map(|line| line.standard_uncertainty_mm)
        .fold(0.0, f64::hypot)
}

/// A log without one row in so many.
fn thinner(log: &Log, one_in: usize) -> Log {
    let stay = |values: &[f64]| {
        let kept = values
            .iter()
            .enumerate()
            .filter(|(i, _)| i % one_in != one_in - 1);
        kept.map(|(_, v)| *v).collect::<Vec<f64>>()
    };
    let mut thin = log.clone();
    thin.time_s = stay(&log.time_s);
    for (channel, all) in thin.channels.iter_mut().zip(&log.channels) {
        channel.values = stay(&all.values);
    }
    thin.rows = thin.time_s.len() as u64;
    thin
}

#[derive(Default)]
struct Moved {
    pulls: u32,
    within_all: u32,
    within_record: u32,
}

fn thinned(kind: Kind, pulls: u64, one_in: usize) {
    let pairs: Vec<(Analysis, Analysis)> = (1..=pulls)
        .into_par_iter()
        .filter_map(|seed| {
            let pull = simulate::run(&kind.scenario(Grade::Good, seed), seed);
            let log = pull.log();
            let thin = thinner(&log, one_in);
            analysed(&pull, log).zip(analysed(&pull, thin))
        })
        .collect();
    let mut moved: BTreeMap<PartName, Moved> = BTreeMap::new();
    for (all, thin) in &pairs {
        for (name, part) in &all.separated.parts {
            let other = &thin.separated.parts[name];
            let known = |p: &Part| p.end.value.filter(|_| p.end.status == Status::Measured);
            if let (Some(x), Some(y), Some(u)) =
                (known(part), known(other), part.end.standard_error)
                && x.abs() > NOTHING
            {
                let of = moved.entry(*name).or_default();
                of.pulls += 1;
                of.within_all += u32::from((x - y).abs() < u);
                of.within_record += u32::from((x - y).abs() < of_the_record(part));
            }
        }
    }
    println!("{}: one row in {one_in} left out", kind.name());
    for (name, of) in &moved {
        println!(
            "  {:<28} moved by less than its standard uncertainty in {:>3} of {:>3}, than the record's share in {:>3}",
            name.words(),
            of.within_all,
            of.pulls,
            of.within_record
        );
    }
}

fn width(analysis: &Analysis) -> Option<f64> {
    let end = &analysis.separated.parts[&PartName::StopperSlip].end;
    Some(end.high? - end.low?)
}

/// The pull of a kind, with a mark on the tail that is as good as the mark at the mouth.
fn seen_twice(kind: Kind, seed: u64) -> Simulated {
    let mut scenario = kind.scenario(Grade::Good, seed);
    let tail = scenario
        .instruments
        .gauge(GaugeKind::Mark)
        .map(|mark| GaugeSpec {
            kind: GaugeKind::Tail,
            against: Some(Against::Stopper),
            distance: None,
            ..mark.clone()
        });
    scenario.instruments.gauges.extend(tail);
    simulate::run(&scenario, seed)
}

fn second_gauge(kind: Kind, pulls: u64) {
    let widths: Vec<[(f64, bool); 3]> = (1..=pulls)
        .into_par_iter()
        .filter_map(|seed| {
            let pull = seen_twice(kind, seed);
            let two = pull.log();
            let mut one = two.clone();
            one.channels.retain(|c| c.kind != GaugeKind::Tail);
            let mut conflicting = two.clone();
            let tail = conflicting.channels.iter_mut();
            for channel in tail.filter(|c| c.kind == GaugeKind::Tail) {
                channel.values.iter_mut().for_each(|v| *v *= 1.0 + OFF);
            }
            let of = |log: Log| {
                let analysis = analysed(&pull, log)?;
                let named = analysis.caveats.iter();
                let named = named.filter(|c| c.code == "balance-does-not-close").count() > 0;
                Some((width(&analysis)?, named))
            };
            Some([of(one)?, of(two)?, of(conflicting)?])
        })
        .collect();
    let n = widths.len() as f64;
    let mean = |at: usize| 1e3 * widths.iter().map(|w| w[at].0).sum::<f64>() / n;
    println!(
        "{}: stopper slip at the end, {} pulls",
        kind.name(),
        widths.len()
    );
    for (at, what) in [
        "the mark at the mouth alone",
        "and a mark on the tail that agrees",
        "and one that reads a tenth too much",
    ]
    .into_iter()
    .enumerate()
    {
        println!(
            "  {what:<36} mean width {:.4} mm, {:.3} of the first; named as not closing in {}",
            mean(at),
            mean(at) / mean(0),
            widths.iter().filter(|w| w[at].1).count()
        );
    }
}
