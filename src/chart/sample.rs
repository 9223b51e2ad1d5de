//! Analyses made by hand for the tests of charts, reports and exports. All values are invented; the numbers follow a
//! simple line (toe, linear stretch, set with each new highest load, slip beyond a threshold) so that pictures look
//! like pulls, but nothing here has been estimated from a record.

use std::collections::BTreeMap;

use crate::aboard::{AboardResult, KeptCurve};
use crate::analysis::{
    Analysis, Energy, Record, SCHEMA_VERSION, Settings, SheetRecord, StepRow, TracePart, Traces,
};
use crate::caveat::{Caveat, Weight};
use crate::ingest::{GaugeKind, InputFile, Understood};
use crate::limit::{
    AtRate, HoldCreep, Interface, Law, Limit, LimitFigure, Projection, SlipEvent, Transfer,
};
use crate::phases::{Blocks, Phase, PhaseKind};
use crate::separate::{
    Between, BudgetLine, Closure, Course, Part, PartName, Separated, StretchCurve, Support,
};
use crate::sheet::{Rule, Sheet};
use crate::stats::{Estimate, Measure};
use crate::verdict::{Verdict, VerdictWord};

/// What the record can tell.
#[derive(Clone, Copy, PartialEq)]
enum Split {
    /// Every part.
    All,
    /// Cover slip only as a bracket.
    Bracket,
    /// Only what came back and what did not.
    TravelOnly,
}

/// A delivery pull that passes: almost no slip, limit not reached.
pub(crate) fn passes() -> Analysis {
    build(Split::All, 0.02, SHEET)
}

/// The cover slips, but only a bracket can be given; the verdict is open.
pub(crate) fn bracket() -> Analysis {
    build(Split::Bracket, 1.2, SHEET)
}

/// A travel gauge only, no limits, no aboard: almost nothing can be told.
pub(crate) fn cannot_tell() -> Analysis {
    build(Split::TravelOnly, 1.0, BARE_SHEET)
}

/// An invented survey record in pounds and inches that slips in the stopper and jumps.
pub(crate) fn simulated() -> Analysis {
    build(Split::All, 2.0, SURVEY_SHEET)
}

/// Texts in the sheet that try to leave their place.
pub(crate) fn hostile() -> Analysis {
    let mut a = build(Split::Bracket, 1.2, SHEET);
    let evil = "<script>alert(1)</script> | `x` [a](http://example.invalid) \u{202e}abc\n# head"
        .to_owned();
    let s = &mut a.sheet.0;
    s.pull.id = "=1+1 \"><img src=x onerror=alert(1)>".into();
    s.pull.operator = Some(evil.clone());
    s.pull.notes = Some(format!("{evil}\n- [ ] task\n\n{}", "é🙂".repeat(150)));
    s.line.id = evil.clone();
    s.line.core = Some("W".repeat(300));
    s.stopper.id = "</style><style>*{display:none}".into();
    a.caveats.push(Caveat::new(
        "hostile",
        Weight::Note,
        evil.clone(),
        evil.clone(),
    ));
    a.inputs[0].name = "Füll & Täu|`.csv".into();
    for part in a.separated.parts.values_mut() {
        for line in &mut part.budget {
            line.source = format!("{}</text><script>", line.source);
        }
    }
    a
}

/// All of them, by name.
pub(crate) fn all() -> Vec<(&'static str, Analysis)> {
    vec![
        ("passes", passes()),
        ("bracket", bracket()),
        ("cannot-tell", cannot_tell()),
        ("simulated", simulated()),
        ("hostile", hostile()),
    ]
}

const SHEET: &str = r#"
[pull]
id = "quay 7, pull 3"
when = "2031-05-14T09:30:00+02:00"
place = "North quay, Isle of Tarn"
operator = "crew of the rigging loft"
witness = "owner's mate"
log = "log.csv"
notes = "Light wind. Line dry."
[line]
id = "halyard A"
construction = "double braid"
core = "HMPE"
cover = "polyester"
diameter = "10 mm"
break_load = "42 kN"
free_length = "3.2 m"
tail_length = "0.8 m"
cover_at_eye = "locked"
[[line.treatments]]
kind = "coating"
begins = "0 mm"
length = "300 mm"
[stopper]
id = "port stopper 2"
grip = "cam"
rated_load = "7 kN"
holds = "fresh"
tail = "free"
[gauges.load]
column = "load"
unit = "kN"
capacity = "20 kN"
accuracy = "class 1"
certificate = "C-114"
certified = "2031-01-10"
[gauges.travel]
column = "travel"
unit = "mm"
resolution = "0.01 mm"
accuracy = "0.1 % of reading"
[gauges.mark]
column = "mark"
unit = "mm"
distance = "20 mm"
[gauges.tail]
column = "tail"
unit = "mm"
[limits]
proof = "7 kN"
hold = "60 s"
stopper_slip = "2 mm"
cover_slip = "2 mm"
[[chain]]
part = "shackle at the ram"
working_load = "20 kN"
[aboard]
length = "15 m"
load = "4 kN"
"#;

const BARE_SHEET: &str = r#"
[pull]
id = "hand pull"
log = "log.csv"
[gauges.load]
column = "load (kN)"
[gauges.travel]
column = "travel (mm)"
"#;

const SURVEY_SHEET: &str = r#"
[pull]
id = "survey 12"
when = "2031-06-02T16:05:00-04:00"
purpose = "survey"
log = "log.csv"
simulated = true
[line]
id = "reefing line"
core = "LCP"
cover = "polyester"
diameter = "3/8 in"
free_length = "10 ft"
[stopper]
id = "starboard jaws"
grip = "jaws"
[gauges.load]
column = "load"
unit = "lbf"
[gauges.travel]
column = "travel"
unit = "in"
[gauges.tail]
column = "tail"
unit = "in"
[limits]
proof = "1500 lbf"
hold = "60 s"
stopper_slip = "0.1 in"
creep = "0.02 in/decade"
[aboard]
length = "45 ft"
load = "900 lbf"
load_found = "600 lbf"
"#;

/// One stretch of the schedule: what, from load, to load (kN), how long (s).
const SCHEDULE: [(PhaseKind, f64, f64, f64); 16] = [
    (PhaseKind::TakeUp, 0.02, 0.3, 6.0),
    (PhaseKind::Reference, 0.3, 0.3, 20.0),
    (PhaseKind::Ramp, 0.3, 2.5, 25.0),
    (PhaseKind::Hold, 2.5, 2.5, 60.0),
    (PhaseKind::Unload, 2.5, 0.3, 20.0),
    (PhaseKind::Rest, 0.3, 0.3, 30.0),
    (PhaseKind::Ramp, 0.3, 5.0, 50.0),
    (PhaseKind::Hold, 5.0, 5.0, 60.0),
    (PhaseKind::Unload, 5.0, 0.3, 35.0),
    (PhaseKind::Rest, 0.3, 0.3, 30.0),
    (PhaseKind::Ramp, 0.3, 7.5, 75.0),
    (PhaseKind::Hold, 7.5, 7.5, 90.0),
    (PhaseKind::Transfer, 7.5, 6.9, 6.0),
    (PhaseKind::LockedHold, 6.9, 6.7, 60.0),
    (PhaseKind::Unload, 6.7, 0.3, 40.0),
    (PhaseKind::Rest, 0.3, 0.3, 60.0),
];

const PERIOD: f64 = 0.1;

/// Course of everything at each entry: time s, load kN, parts mm.
struct Course1 {
    time: Vec<f64>,
    load: Vec<f64>,
    highest: Vec<f64>,
    phase: Vec<PhaseKind>,
    phases: Vec<Phase>,
    parts: BTreeMap<PartName, Vec<f64>>,
}

fn stretch_mm(load: f64) -> f64 {
    let l = load - 0.3;
    3.0 * (1.0 - (-l / 0.5).exp()) + 2.6 * l
}

/// A wiggle that looks like noise and is the same on every run.
fn wiggle(i: usize) -> f64 {
    let i = i as f64;
    (i * 12.9898).sin() * 0.6 + (i * 78.233).sin() * 0.4
}

fn course(slip: f64) -> Course1 {
    let mut c = Course1 {
        time: vec![],
        load: vec![],
        highest: vec![],
        phase: vec![],
        phases: vec![],
        parts: BTreeMap::new(),
    };
    let (mut t, mut highest, mut stopper, mut cover) = (0.0, 0.0_f64, 0.0, 0.0);
    for (kind, from, to, long) in SCHEDULE {
        let first = c.time.len();
        let n = (long / PERIOD) as usize;
        for i in 0..n {
            let load = from + (to - from) * i as f64 / n as f64;
            highest = highest.max(load);
            let push = (load / 7.0_f64).powi(6) * PERIOD;
            stopper += 0.012 * slip * push
                + 0.02
                    * slip
                    * (if kind == PhaseKind::Ramp && load < 1.5 && highest < 1.6 {
                        PERIOD
                    } else {
                        0.0
                    });
            cover += 0.018 * slip * push;
            c.time.push(100.0 + t);
            c.load.push(load + 0.01 * wiggle(c.time.len()));
            c.highest.push(highest);
            c.phase.push(kind);
            let before = kind == PhaseKind::TakeUp;
            let add = |parts: &mut BTreeMap<PartName, Vec<f64>>, p, v: f64| {
                parts
                    .entry(p)
                    .or_default()
                    .push(if before { f64::NAN } else { v })
            };
            let set = 1.1 * (highest - 0.3).max(0.0).powf(0.8);
            add(&mut c.parts, PartName::Give, 0.25 * (load - 0.3));
            add(&mut c.parts, PartName::Stretch, stretch_mm(load));
            add(&mut c.parts, PartName::Set, set);
            add(&mut c.parts, PartName::StopperSlip, stopper);
            add(&mut c.parts, PartName::CoverSlip, cover);
            add(&mut c.parts, PartName::SetAndCoverSlip, set + cover);
            add(&mut c.parts, PartName::NotRecovered, set + cover + stopper);
            t += PERIOD;
        }
        c.phases.push(Phase {
            kind,
            first,
            end: c.time.len(),
            start_s: c.time[first],
            end_s: 100.0 + t,
            load_start_n: 1e3 * from,
            load_end_n: 1e3 * to,
        });
    }
    c
}

fn mm(value: f64, error: f64) -> Estimate {
    Estimate::measured(
        Measure::Length,
        value * 1e-3,
        error * 1e-3,
        (value - 2.0 * error) * 1e-3,
        (value + 2.0 * error) * 1e-3,
        "fit over all blocks",
    )
}

const STRETCH_MISSING: &str = "unloading cycles and a mark at the mouth";

fn part(c: &Course1, name: PartName, split: Split, at: usize, end: usize, slip: f64) -> Part {
    let values = &c.parts[&name];
    let error = 0.06 + 0.03 * slip;
    let given = |i: usize| {
        let (v, set) = (values[i], c.parts[&PartName::Set][i]);
        match (split, name) {
            (Split::TravelOnly, PartName::Stretch | PartName::NotRecovered) => mm(v, 0.3),
            (Split::TravelOnly, _) => Estimate::cannot_tell(
                Measure::Length,
                "no gauge tells the line's movement at the mouth from its stretch",
            ),
            (Split::Bracket, PartName::Set) => Estimate::cannot_tell(
                Measure::Length,
                "set and cover slip come together at each new highest load",
            ),
            (Split::Bracket, PartName::CoverSlip) => Estimate::bracket(
                Measure::Length,
                0.3 * v * 1e-3,
                (v + set) * 1e-3,
                "below the highest load, and with set",
                "set and cover slip cannot be told apart at new highest loads",
            ),
            _ if v.abs() < 2.0 * error => Estimate::at_most(
                Measure::Length,
                v * 1e-3,
                error * 1e-3,
                (v + 2.0 * error) * 1e-3,
                "fit over all blocks",
            ),
            _ => mm(v, error),
        }
    };
    let end_estimate = given(end);
    let budget = if end_estimate.is_known() {
        [
            ("noise of the mark gauge", "record", 0.4),
            ("accuracy of the travel gauge", "instrument", 0.6),
            ("accuracy of the load cell", "instrument", 0.35),
            ("choice of stretch law", "model", 0.5),
        ]
        .into_iter()
        .map(|(source, kind, share)| BudgetLine {
            source: source.into(),
            kind: kind.into(),
            standard_uncertainty_mm: share * error,
        })
        .collect()
    } else {
        vec![]
    };
    Part {
        at_proof: given(at),
        end: end_estimate,
        budget,
        course: None,
    }
}

fn build(split: Split, slip: f64, sheet: &str) -> Analysis {
    let sheet: Sheet = toml::from_str(sheet).unwrap();
    let c = course(slip);
    let n = c.time.len();
    let proof = (0..n).find(|i| c.load[*i] >= 6.8).unwrap();
    let mut parts: BTreeMap<PartName, Part> = c
        .parts
        .keys()
        .map(|name| (*name, part(&c, *name, split, proof, n - 1, slip)))
        .collect();

    let size = 10;
    let mean = |v: &[f64]| -> Vec<f64> {
        v.chunks(size)
            .map(|c| c.iter().sum::<f64>() / c.len() as f64)
            .collect()
    };
    let blocks = Blocks {
        first: (0..n).step_by(size).collect(),
        end: (0..n).step_by(size).map(|i| (i + size).min(n)).collect(),
        time_s: mean(&c.time),
        load_n: mean(&c.load).iter().map(|v| v * 1e3).collect(),
        grip_n: mean(&c.load).iter().map(|v| v * 1e3).collect(),
        highest_n: mean(&c.highest).iter().map(|v| v * 1e3).collect(),
        highest_grip_n: mean(&c.highest).iter().map(|v| v * 1e3).collect(),
        phase: c.phase.iter().copied().step_by(size).collect(),
    };
    let mut traces = Traces {
        time_s: c.time.clone(),
        load_kn: c.load.clone(),
        phase: c.phase.clone(),
        ..Traces::default()
    };
    let total = |i: usize| {
        c.parts[&PartName::Give][i]
            + c.parts[&PartName::Stretch][i]
            + c.parts[&PartName::NotRecovered][i]
    };
    traces.travel_mm = (0..n).map(|i| total(i) + 0.02 * wiggle(i + 7)).collect();
    let scaled =
        |v: &[f64], by: f64, plus: f64| -> Vec<f64> { v.iter().map(|v| v * by + plus).collect() };
    for (name, values) in &c.parts {
        let state = &parts[name].end;
        let (low, high) = match state.status {
            crate::stats::Status::CannotTell => continue,
            crate::stats::Status::Bracket => (
                scaled(values, 0.3, 0.0),
                c.parts[&PartName::SetAndCoverSlip].clone(),
            ),
            _ => {
                let e = 2e3 * state.standard_error.unwrap();
                (scaled(values, 1.0, -e), scaled(values, 1.0, e))
            }
        };
        let value = state.is_known().then(|| values.clone());
        let in_m = |v: &[f64]| mean(v).iter().map(|v| v * 1e-3).collect::<Vec<_>>();
        let course = Course {
            value: value.as_deref().map(in_m),
            low: in_m(&low),
            high: in_m(&high),
            at_readings: false,
            noise: vec![1e-5; blocks.len()],
        };
        traces.parts.insert(*name, TracePart { value, low, high });
        parts.get_mut(name).unwrap().course = Some(course);
    }
    let travel_m: Vec<f64> = mean(&traces.travel_mm).iter().map(|v| v * 1e-3).collect();
    let gauges: &[GaugeKind] = if split == Split::TravelOnly {
        &[GaugeKind::Travel]
    } else {
        &[GaugeKind::Travel, GaugeKind::Mark, GaugeKind::Tail]
    };
    let closure = gauges
        .iter()
        .map(|g| Closure {
            gauge: *g,
            rms_mm: 0.014,
            expected_mm: 0.012,
            lag_s: (*g == GaugeKind::Mark).then_some(0.03),
            residual_m: (0..blocks.len())
                .map(|i| 2e-5 * wiggle(i + 3 * *g as usize))
                .collect(),
        })
        .collect();
    let loads: Vec<f64> = (0..=40).map(|i| 0.3 + 7.2 * f64::from(i) / 40.0).collect();
    let curve = StretchCurve {
        loading_mm: loads.iter().map(|l| stretch_mm(*l)).collect(),
        unloading_mm: loads
            .iter()
            .map(|l| stretch_mm(*l) + 0.15 * (7.5 - l) * (l - 0.3) / 3.0)
            .collect(),
        load_kn: loads,
        free_length_mm: sheet.line.free_length.map(|l| l.si() * 1e3),
    };
    let steps = c
        .phases
        .iter()
        .filter(|p| matches!(p.kind, PhaseKind::Hold | PhaseKind::Rest))
        .enumerate()
        .map(|(k, p)| StepRow {
            label: format!("{} {}", p.kind.word(), k / 2 + 1),
            time_s: p.end_s,
            load_kn: p.load_end_n * 1e-3,
            travel_mm: Some(traces.travel_mm[p.end - 1]),
            parts: c
                .parts
                .keys()
                .map(|name| {
                    (
                        *name,
                        part(&c, *name, split, p.end - 1, p.end - 1, slip).end,
                    )
                })
                .collect(),
        })
        .collect();
    let separated = Separated {
        end_s: 0.0,
        support: support(split),
        parts,
        closure,
        stretch_curve: Some(curve),
        blocks,
        travel_m,
        between: Between::default(),
    };
    let slip_at_load = separated.parts[&PartName::StopperSlip].end.clone();
    let aboard = sheet.aboard.as_ref().map(|a| {
        aboard(
            a.load.si(),
            a.length.si(),
            a.load_found.is_some(),
            slip_at_load,
        )
    });
    Analysis {
        schema_version: SCHEMA_VERSION,
        version: "0.1.0".into(),
        verdict: verdict(&sheet, slip),
        limit: limit(&c, split, slip),
        separated,
        aboard,
        explanations: Vec::new(),
        diagnosis: crate::diagnose::Diagnosis {
            moved: crate::diagnose::Moved::Stopper,
            sure: crate::diagnose::Sureness::Measured,
            finding: "The line moved in the stopper.".into(),
            evidence: vec!["The mark at the mouth moved and did not come back.".into()],
            remedies: Vec::new(),
            notes: Vec::new(),
            next_pull: "Pull again with other jaws.".into(),
        },
        caveats: vec![
            Caveat::new(
                "cell-zero-one-end",
                Weight::Caution,
                "The cell was slack only at the start, so its drift is not known.",
                "Slacken the line again at the end of the next pull.",
            ),
            Caveat::new(
                "short-rest",
                Weight::Note,
                "The last rest is shorter than the longest hold; late recovery counts as not recovered.",
                "Rest as long as the longest hold.",
            ),
        ],
        phases: c.phases.clone(),
        steps,
        record: Record {
            rows: n as u64,
            rows_per_entry: 1,
            start_s: 100.0,
            end_s: c.time[n - 1],
            rate_hz: 1.0 / PERIOD,
            peak_load_kn: 7.512,
            peak_travel_mm: Some(
                traces
                    .travel_mm
                    .iter()
                    .copied()
                    .filter(|v| v.is_finite())
                    .fold(0.0, f64::max),
            ),
            pretension_kn: 0.3,
            loading_rate_kn_per_s: Some(0.0961),
            noise: BTreeMap::from([(GaugeKind::Load, 0.006), (GaugeKind::Travel, 0.012)]),
            cycles: 3,
        },
        load_zero: Estimate::measured(
            Measure::Force,
            12.0,
            3.0,
            6.0,
            18.0,
            "slack readings at the start",
        ),
        load_drift: Estimate::cannot_tell(Measure::Force, "slack readings at one end only"),
        energy: Energy {
            upper_j: Some(88.4),
            measured_j: Some(61.2),
        },
        settings: Settings::default(),
        inputs: vec![
            InputFile {
                role: "log".into(),
                name: "log.csv".into(),
                bytes: 184_220,
                sha256: "5f70bf18a086007016e948b04aed3b82103a36bea41755b6cddfaf10ace3c6ef".into(),
            },
            InputFile {
                role: "sheet".into(),
                name: "sheet.toml".into(),
                bytes: 1432,
                sha256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855".into(),
            },
        ],
        understood: Understood {
            encoding: "UTF-8".into(),
            separator: ",".into(),
            decimal: ".".into(),
            header_line: 1,
            columns: vec!["time".into(), "load".into(), "travel".into()],
            time: "seconds".into(),
            ..Understood::default()
        },
        sheet: SheetRecord(sheet),
        traces,
    }
}

fn support(split: Split) -> Vec<Support> {
    let row = |part, how: &str, missing: &str| Support {
        part,
        how: how.into(),
        missing: missing.into(),
    };
    match split {
        Split::All => vec![
            row(PartName::Stretch, "throughout", ""),
            row(PartName::StopperSlip, "throughout", ""),
            row(PartName::CoverSlip, "throughout", ""),
        ],
        Split::Bracket => vec![
            row(PartName::StopperSlip, "throughout", ""),
            row(
                PartName::CoverSlip,
                "bracketed",
                "core draw-in at the bitter end, or a reference pull that gives the set",
            ),
            row(PartName::SetAndCoverSlip, "as one figure with set", ""),
        ],
        Split::TravelOnly => vec![
            row(PartName::NotRecovered, "throughout", ""),
            row(PartName::StopperSlip, "no", STRETCH_MISSING),
            row(PartName::CoverSlip, "no", STRETCH_MISSING),
        ],
    }
}

fn limit(c: &Course1, split: Split, slip: f64) -> Limit {
    let rate = AtRate {
        loading_kn_per_s: Some(0.0961),
        hold_s: Some(90.0),
        speed_mm_per_min: None,
    };
    let figure = |load: Estimate, rule, interface, by| LimitFigure {
        load,
        rule,
        interface,
        reached_by: by,
        rate,
        bend: None,
    };
    let value = |n: f64| {
        Estimate::measured(
            Measure::Force,
            n,
            83.0,
            n - 163.0,
            n + 163.0,
            "slip reaches max(0.1 mm, 3 standard uncertainties)",
        )
    };
    let governing = match split {
        Split::TravelOnly => figure(
            Estimate::cannot_tell(Measure::Force, "no slip of either interface can be given"),
            Rule::FirstSlip,
            Interface::Pair,
            None,
        ),
        _ if slip < 0.1 => figure(
            Estimate::not_reached(
                Measure::Force,
                7431.0,
                "held",
                "held for 90 s within the allowance",
            ),
            Rule::Allowance,
            Interface::Pair,
            None,
        ),
        _ => figure(
            value(6413.0),
            Rule::Allowance,
            Interface::Pair,
            Some(Interface::Stopper),
        ),
    };
    let mut figures = vec![governing.clone()];
    if slip >= 0.1 && split != Split::TravelOnly {
        figures.push(figure(
            value(5120.0),
            Rule::FirstSlip,
            Interface::Stopper,
            None,
        ));
        figures.push(figure(
            Estimate::not_reached(
                Measure::Force,
                6413.0,
                "censored",
                "the stopper reached the rule first",
            ),
            Rule::FirstSlip,
            Interface::Cover,
            None,
        ));
        figures.push(figure(
            Estimate::cannot_tell(Measure::Force, "the line never ran through"),
            Rule::Running,
            Interface::Pair,
            None,
        ));
    }
    let holds = if split == Split::TravelOnly {
        vec![]
    } else {
        holds(c, slip)
    };
    Limit {
        governing,
        figures,
        seating: if split == Split::TravelOnly {
            Estimate::cannot_tell(Measure::Length, "no gauge behind the stopper")
        } else {
            mm(0.31 * slip, 0.05)
        },
        transfer: (split != Split::TravelOnly).then(|| Transfer {
            before_kn: 7.5,
            after_10_s_kn: Some(6.85),
            after_10_min_kn: None,
            slip: mm(0.42 * slip, 0.05),
        }),
        holds,
        stick_slip: vec![],
        events: if slip >= 2.0 {
            (0..12)
                .map(|i| SlipEvent {
                    interface: Interface::Stopper,
                    time_s: 480.0 + 4.0 * i as f64,
                    peak_kn: 7.3 + 0.05 * wiggle(i as usize),
                    trough_kn: 6.8,
                    size_mm: 1.4 + 0.5 * wiggle(i as usize + 5),
                })
                .collect()
        } else {
            vec![]
        },
        projections: if slip >= 1.0 && split == Split::All {
            vec![Projection {
                curve: "hyperbola".into(),
                interface: Interface::Stopper,
                load: Estimate {
                    status: crate::stats::Status::Projected,
                    ..value(9800.0)
                },
                leap: 1.31,
            }]
        } else {
            vec![]
        },
        free_length: None,
    }
}

fn holds(c: &Course1, slip: f64) -> Vec<HoldCreep> {
    let mut found = vec![];
    for interface in [Interface::Stopper, Interface::Cover] {
        for p in c.phases.iter().filter(|p| p.kind == PhaseKind::Hold) {
            let duration_s = p.end_s - p.start_s;
            let plain = p.load_end_n >= 3e3;
            let k = slip
                * (p.load_end_n / 7e3).powi(4)
                * if interface == Interface::Cover {
                    0.5
                } else {
                    0.4
                };
            found.push(HoldCreep {
                interface,
                load_kn: p.load_end_n * 1e-3,
                duration_s,
                slip: mm(k * duration_s.log10(), 0.03),
                creep: mm(k, 0.04).with_measure(Measure::Creep),
                rate: Estimate::measured(
                    Measure::Speed,
                    1e-6 * slip,
                    2e-7,
                    6e-7 * slip,
                    1.4e-6 * slip,
                    "last third of the hold",
                ),
                law: if plain { Law::LogLinear } else { Law::Unknown },
                points: (0..60)
                    .map(|i| 0.2 * (duration_s / 0.2).powf(f64::from(i) / 59.0))
                    .enumerate()
                    .map(|(i, t)| (t, (k * (1.0 + t).log10() + 0.02 * wiggle(i)).max(-0.02)))
                    .collect(),
                fitted: (0..=40)
                    .filter(|_| plain)
                    .map(|i| duration_s * 0.1_f64.powf(1.0 - f64::from(i) / 40.0))
                    .map(|t| (t, k * (1.0 + t).log10()))
                    .collect(),
            });
        }
    }
    found
}

trait WithMeasure {
    fn with_measure(self, measure: Measure) -> Self;
}

impl WithMeasure for Estimate {
    fn with_measure(mut self, measure: Measure) -> Self {
        self.measure = measure;
        self
    }
}

fn aboard(load: f64, length: f64, found: bool, slip: Estimate) -> AboardResult {
    let share = |v: f64| {
        Estimate::measured(
            Measure::Share,
            v,
            0.018,
            v - 0.036,
            v + 0.036,
            "strain equation",
        )
    };
    let curve = |label: &str, stiffness: f64| {
        let slip_mm: Vec<f64> = (0..=30).map(|i| 2.0 * f64::from(i)).collect();
        let kept = slip_mm
            .iter()
            .map(|s| (1.0 - s * 1e-3 / length * stiffness / load).max(0.0))
            .collect();
        KeptCurve {
            label: label.into(),
            slip_mm,
            kept,
        }
    };
    AboardResult {
        load_kn: load * 1e-3,
        length_mm: length * 1e3,
        kept_at_once: share(0.83),
        kept_after_hour: Estimate {
            reason: Some("projection: the longest hold was 90 s".into()),
            ..share(0.79)
        },
        slip_behind_loss: found.then(|| mm(31.4, 2.2)),
        slip,
        curves: vec![
            curve("this line", 600e3),
            curve("a polyester line of this size", 210e3),
            curve("a PBO line of this size", 1500e3),
        ],
    }
}

fn verdict(sheet: &Sheet, slip: f64) -> Verdict {
    let (word, grounds, would, next): (_, &[&str], &[&str], &str) = match () {
        () if sheet.limits.is_none() => (
            VerdictWord::NoLimits,
            &["The sheet states no limits."],
            &["Add [limits] with proof, hold and the slip allowed."],
            "State what the line must hold in the sheet and run the analysis again.",
        ),
        () if slip < 0.1 => (
            VerdictWord::Passes,
            &[
                "The proof load of 7 kN was reached and held for 90 s.",
                "Slip in the stopper is at most 0.19 mm; 2 mm are allowed.",
            ],
            &[],
            "Hand the line over; repeat the pull when the stopper's jaws are renewed.",
        ),
        () if slip < 2.0 => (
            VerdictWord::NotDecided,
            &["Cover slip lies between 0.6 and 6 mm; 2 mm are allowed."],
            &[
                "A gauge for core draw-in at the bitter end.",
                "A second pull on the same length: set shrinks, slip does not.",
            ],
            "Fit a gauge for core draw-in and pull the same length again.",
        ),
        () => (
            VerdictWord::Fails,
            &["Slip in the stopper is at least 0.16 in at the proof load; 0.1 in is allowed."],
            &[],
            "Fit jaws for this diameter, then repeat the pull on a fresh length.",
        ),
    };
    let owned = |t: &[&str]| t.iter().map(|s| (*s).to_owned()).collect();
    Verdict {
        word,
        grounds: owned(grounds),
        would_decide: owned(would),
        next: next.into(),
    }
}
