//! How well the split meets the truth: simulated pulls of one kind, figures per part.
//!
//! `cargo run --release --example split -- KIND SEEDS good|coarse`; SEEDS is a number, or the first and the last as 3-5.

use std::collections::BTreeMap;

use bitterend::condition::condition;
use bitterend::phases::phases;
use bitterend::separate::{PartName, Separated, separate};
use bitterend::simulate::{self, Grade, Kind};
use bitterend::stats::straight;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let kind = Kind::from_name(&args[0]).expect("kind");
    let (first, last) = args[1].split_once('-').unwrap_or(("1", &args[1]));
    let (first, last): (u64, u64) = (first.parse().expect("seeds"), last.parse().expect("seeds"));
    let seeds = last + 1 - first;
    let grade = if args.get(2).is_some_and(|g| g == "coarse") {
        Grade::Coarse
    } else {
        Grade::Good
    };
    let verbose = args.get(3).is_some();
    let mut table: BTreeMap<PartName, Vec<[f64; 5]>> = BTreeMap::new();
    // Stretch and set together over the rows, as a share of the largest stretch.
    let mut together: Vec<f64> = Vec::new();
    let mut seconds = 0.0;
    for seed in first..=last {
        let simulated = simulate::run(&kind.scenario(grade, seed), seed);
        let sheet = simulated.sheet().expect("sheet");
        let log = simulated.log();
        let clock = std::time::Instant::now();
        let (record, c1) = condition(&log, &sheet).expect("condition");
        let (phased, c2) = phases(&record, &sheet);
        let (separated, c3) = match separate(&record, &phased, &sheet) {
            Ok(s) => s,
            Err(e) => {
                println!(
                    "seed {seed}: {e} {:?} {}",
                    std::error::Error::source(&e).map(ToString::to_string),
                    phased.blocks.len()
                );
                continue;
            }
        };
        seconds += clock.elapsed().as_secs_f64();
        if let Some(e) = &separated.parts[&PartName::StopperSlip].end.value
            && args.get(3).is_some_and(|v| v == "q")
        {
            println!(
                "seed {seed} Q {:.4} truth {:.4} seating {:.4} {:?} G {:.4}",
                1e3 * e,
                1e3 * simulated.truth.stopper_slip.last().unwrap(),
                1e3 * simulated.truth.seating.last().unwrap(),
                simulated.draws.jaw_give_m,
                1e3 * simulated.truth.give(simulated.truth.at_proof.unwrap_or(0))
            );
            continue;
        }
        if verbose {
            println!(
                "rows {} blocks {} dwell {:?} truth dwell {:?} pre {:.0} cycles {}",
                record.time_s.len(),
                phased.blocks.len(),
                phased.reference,
                simulated.truth.reference,
                phased.pretension_n,
                phased.cycles
            );
            for p in &phased.phases {
                println!(
                    "  {:?} {:.1}-{:.1}s {:.0}-{:.0}N",
                    p.kind, p.start_s, p.end_s, p.load_start_n, p.load_end_n
                );
            }
            for c in c1.iter().chain(&c2).chain(&c3) {
                println!("  caveat {} {}", c.code, c.message);
            }
            for c in &separated.closure {
                println!(
                    "  closure {:?} rms {:.4} expected {:.4} lag {:?}",
                    c.gauge, c.rms_mm, c.expected_mm, c.lag_s
                );
            }
            if args.get(3).is_some_and(|v| v == "r") {
                let b = &separated.blocks;
                for c in separated
                    .closure
                    .iter()
                    .filter(|c| c.gauge == bitterend::ingest::GaugeKind::Travel)
                {
                    for k in 0..b.len() {
                        let row = (b.first[k] + b.end[k]) / 2;
                        let t = &simulated.truth;
                        let x = |p: PartName| {
                            separated
                                .course(p)
                                .and_then(|c| c.value.as_ref())
                                .map_or(f64::NAN, |v| 1e3 * v[k])
                        };
                        println!(
                            "   {:.1}s n{} {:?} F {:.0} r {:+.4} | S {:.3} {:.3} | D {:.3} {:.3} | Q {:.3} {:.3} | C {:.3} {:.3} | G {:.3} {:.3}",
                            b.time_s[k],
                            b.end[k] - b.first[k],
                            b.phase[k],
                            b.load_n[k],
                            1e3 * c.residual_m[k],
                            x(PartName::Stretch),
                            1e3 * t.stretch[row],
                            x(PartName::NotRecovered),
                            1e3 * t.not_recovered(row),
                            x(PartName::StopperSlip),
                            1e3 * t.stopper_slip[row],
                            x(PartName::CoverSlip),
                            1e3 * t.cover_slip[row],
                            x(PartName::Give),
                            1e3 * t.give(row)
                        );
                    }
                }
            }
            for g in &record.gauges {
                let drawn = simulated.draws.gauges.iter().find(|d| d.kind == g.kind);
                println!(
                    "  lag {:?} {:?} truth {:?}",
                    g.kind,
                    g.lag,
                    drawn.map(|d| d.lag_s)
                );
            }
            println!(
                "  zero {:?} drift {:?}",
                record.load_zero.value, record.load_drift.value
            );
        }
        let t = &simulated.truth;
        if args.get(3).is_some_and(|v| v == "m") {
            let m = &simulated
                .channels
                .iter()
                .find(|c| c.kind == bitterend::ingest::GaugeKind::Mark)
                .unwrap()
                .values;
            let zero = t.reference.clone().map(|i| m[i]).sum::<f64>() / t.reference.len() as f64;
            let a = sheet.gauges.mark.as_ref().unwrap().distance.unwrap().si()
                / sheet.line.free_length.unwrap().si();
            for i in (t.reference.start..t.end).step_by(600) {
                let r: f64 = (i..i + 200)
                    .map(|i| i.min(t.end))
                    .map(|i| {
                        m[i] - zero
                            - t.body[i]
                            - t.jaws[i]
                            - t.stopper_slip[i]
                            - a * (t.stretch[i] + t.set[i] + t.cover_slip[i])
                    })
                    .sum::<f64>()
                    / 200.0;
                println!(
                    "{:.1}s F {:.0} off {:+.4} mm (a {a:.5})",
                    record.time_s[i],
                    t.load[i],
                    1e3 * r
                );
            }
        }
        let last = t.end;
        let truth = |name: PartName, row: usize| t.part(name.key(), row);
        for (name, part) in &separated.parts {
            let e = &part.end;
            let (Some(low), Some(high)) = (e.low, e.high) else {
                if verbose {
                    println!("  {name:?}: {:?} {:?}", e.status, e.reason);
                }
                continue;
            };
            let x = truth(*name, last);
            let mut rms = f64::NAN;
            let rows = phased.reference.start..last + 1;
            if let Some(found) = rows_of(&separated, &record.time_s, *name) {
                let square = |row: usize| (found[row] - truth(*name, row)).powi(2);
                rms = 1e3 * (rows.clone().map(square).sum::<f64>() / rows.len() as f64).sqrt();
            }
            if *name == PartName::Stretch
                && let (Some(stretch), Some(set)) = (
                    rows_of(&separated, &record.time_s, PartName::Stretch),
                    rows_of(&separated, &record.time_s, PartName::Set),
                )
            {
                let square =
                    |row: usize| (stretch[row] + set[row] - t.stretch[row] - t.set[row]).powi(2);
                let rms = (rows.clone().map(square).sum::<f64>() / rows.len() as f64).sqrt();
                let peak = t.stretch[..=last].iter().copied().fold(0.0, f64::max);
                together.push(rms / peak);
            }
            let inside = f64::from(u8::from(low <= x && x <= high));
            table.entry(*name).or_default().push([
                inside,
                1e3 * (e.value.unwrap_or((low + high) / 2.0) - x),
                1e3 * (high - low) / 2.0,
                rms,
                1e3 * e.standard_error.unwrap_or(f64::NAN),
            ]);
            if verbose {
                println!(
                    "  {name:?} truth {:.3} value {:?} [{:.3}, {:.3}] {:?} rms {rms:.4}",
                    1e3 * x,
                    e.value.map(|v| 1e3 * v),
                    1e3 * low,
                    1e3 * high,
                    e.status
                );
                for b in part.budget.iter().take(4) {
                    println!("      {:.4} {}", b.standard_uncertainty_mm, b.source);
                }
            }
        }
    }
    println!(
        "{} {seeds} seeds, {:.3} s each",
        args[0],
        seconds / seeds as f64
    );
    if !together.is_empty() {
        println!(
            "stretch + set over the rows: {:.3} % of the largest stretch, worst {:.3} %",
            100.0 * together.iter().sum::<f64>() / together.len() as f64,
            100.0 * together.iter().copied().fold(0.0, f64::max)
        );
    }
    for (name, rows) in table {
        let n = rows.len() as f64;
        let mean = |i: usize| rows.iter().map(|r| r[i]).sum::<f64>() / n;
        let rmse = (rows.iter().map(|r| r[1] * r[1]).sum::<f64>() / n).sqrt();
        println!(
            "{name:>16?}: inside {:>3}/{:<3} bias {:+.4} rmse {:.4} half width {:.4} se {:.4} course rms {:.4} worst {:.4}",
            mean(0) * n,
            n,
            mean(1),
            rmse,
            mean(2),
            mean(4),
            mean(3),
            rows.iter().map(|r| r[3]).fold(0.0, f64::max)
        );
    }
}

/// A part at every row, m: straight between the blocks' centres, and the departure from that where the load tells it.
fn rows_of(separated: &Separated, time_s: &[f64], name: PartName) -> Option<Vec<f64>> {
    let value = separated.course(name)?.value.as_ref()?;
    let mut rows = straight(&separated.blocks.time_s, value, time_s);
    for (row, departure) in rows.iter_mut().zip(
        separated
            .between
            .departure_m
            .get(&name)
            .into_iter()
            .flatten(),
    ) {
        *row += departure;
    }
    Some(rows)
}
