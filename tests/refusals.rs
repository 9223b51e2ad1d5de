//! What a poorer record may say: gauges and cycles are taken away from the stored pulls, and no part is claimed that the
//! rest cannot tell, while what is still reported contains the truth.
//!
//! The truth is the simulator's (`truth.csv`, `truth.json` of each fixture). A pull ends where the line goes slack: the
//! truth at the end is that of the last row in which the load is still nine tenths of the pre-tension or more.

use std::collections::BTreeMap;

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::{FileNames, GaugeKind, read_log};
use bitterend::limit::Interface;
use bitterend::pipeline::{Failure, Inputs, analyse};
use bitterend::separate::{PartName, SeparateError};
use bitterend::sheet::{BitterEnd, Sheet};
use bitterend::simulate::{Kind, pull};
use bitterend::stats::{Estimate, Status};

const KINDS: [Kind; 5] = [
    Kind::Halyard,
    Kind::CoreSlip,
    Kind::StopperSlip,
    Kind::Both,
    Kind::TravelOnly,
];
/// The variants of one pull share its noise and its instruments' errors; of three, one that is far out does not decide.
const SEEDS: std::ops::RangeInclusive<u64> = 1..=3;

/// A fall by this share of the peak shows what comes back.
const UNLOADING: f64 = 0.3;
/// Below this share of the pre-tension the line is slack.
const SLACK: f64 = 0.9;

/// How much a figure says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Claim {
    Nothing,
    Bracket,
    Value,
}

/// What the record holds, as far as the table asks.
#[derive(Debug, Clone, Copy)]
struct Have {
    travel: bool,
    mark: bool,
    body: bool,
    core: bool,
    unloads: bool,
    /// The sheet says that no core slip can be stored in the tail, so that draw-in follows it one to one.
    tail_stores_nothing: bool,
}

/// The table "What each set of gauges can tell": the most that may be said of a part.
///
/// | gauges besides load and time | known |
/// | --- | --- |
/// | travel, one ramp | the total only (no stretch curve is given in these sheets) |
/// | travel, with unloading cycles | what came back and what did not; not which slip |
/// | + cover mark (and body) | stopper slip; set and cover slip as one figure; each of the two bracketed |
/// | + core draw-in | cover slip bracketed from draw-in to draw-in and set (without mark or unloading: and all else that
/// the travel holds); a value once draw-in follows one to one |
///
/// Without an unloading nothing tells the give of the jaws from slip: both are bracketed at most. A body gauge alone sees
/// the mount, not the jaws.
fn allowed(part: PartName, have: Have) -> Claim {
    use Claim::{Bracket, Nothing, Value};
    let Have {
        travel,
        mark,
        body,
        core,
        unloads,
        tail_stores_nothing,
    } = have;
    match part {
        PartName::Stretch | PartName::NotRecovered if travel && unloads => Value,
        PartName::StopperSlip if mark && unloads => Value,
        PartName::StopperSlip if mark => Bracket,
        PartName::SetAndCoverSlip if travel && mark && unloads => Value,
        PartName::CoverSlip if core && tail_stores_nothing => Value,
        PartName::Set if core && tail_stores_nothing && travel && mark && unloads => Value,
        PartName::CoverSlip | PartName::Set if travel && mark && unloads => Bracket,
        PartName::CoverSlip if core && travel => Bracket,
        PartName::Give if mark && unloads => Value,
        PartName::Give if mark || body => Bracket,
        _ => Nothing,
    }
}

fn claim(estimate: &Estimate) -> Claim {
    match estimate.status {
        Status::Measured | Status::AtMost | Status::Projected => Claim::Value,
        Status::Bracket | Status::NotReached => Claim::Bracket,
        Status::CannotTell => {
            assert!(
                estimate.value.or(estimate.low).or(estimate.high).is_none(),
                "a figure beside 'cannot tell': {estimate:?}"
            );
            assert!(
                estimate.reason.as_ref().is_some_and(|r| !r.is_empty()),
                "absent without a reason"
            );
            Claim::Nothing
        }
    }
}

/// A stored pull with its truth.
struct Stored {
    name: String,
    sheet: Sheet,
    header: String,
    rows: Vec<String>,
    truth: Vec<BTreeMap<String, f64>>,
    pretension_kn: f64,
    proof_kn: f64,
    proof_s: Option<f64>,
    /// End of the last rest, where the stored figures are true.
    end_s: f64,
}

impl Stored {
    fn made(kind: Kind, seed: u64) -> Self {
        let name = format!("{} {seed}", kind.name());
        let files = pull(kind, seed).files;
        let text = |file: &str| {
            let (_, bytes) = files.iter().find(|(name, _)| name == file).unwrap();
            String::from_utf8(bytes.clone()).unwrap()
        };
        let log = text("log.csv");
        let mut lines = log.lines();
        let header = lines.next().unwrap().to_owned();
        let rows: Vec<String> = lines.map(str::to_owned).collect();
        let truth_text = text("truth.csv");
        let mut lines = truth_text.lines();
        let names: Vec<&str> = lines.next().unwrap().split(',').collect();
        let truth: Vec<BTreeMap<String, f64>> = lines
            .map(|l| {
                let cells = l.split(',').map(|c| c.parse::<f64>().unwrap());
                names.iter().map(|n| (*n).to_owned()).zip(cells).collect()
            })
            .collect();
        assert_eq!(rows.len(), truth.len(), "{name}");
        for (row, truth) in rows.iter().zip(&truth) {
            let time: f64 = row.split(',').next().unwrap().parse().unwrap();
            assert!((time - truth["time_s"]).abs() < 1e-9, "{name}: {row}");
        }
        let json: serde_json::Value = serde_json::from_str(&text("truth.json")).unwrap();
        let sheet = Sheet::parse(&text("sheet.toml"), "sheet.toml").unwrap();
        let proof = sheet.limits.as_ref().unwrap().proof.unwrap();
        Self {
            name,
            header,
            rows,
            truth,
            pretension_kn: json["first_dwell_load_kn"].as_f64().unwrap(),
            proof_kn: proof.si() / 1e3,
            proof_s: json["proof_reached_s"].as_f64(),
            end_s: json["end_s"].as_f64().unwrap(),
            sheet,
        }
    }

    fn load(&self, row: usize) -> f64 {
        self.truth[row]["load_kn"]
    }

    /// First row of each unloading and of the reloading after it (or the number of rows).
    fn unloadings(&self) -> Vec<(usize, usize)> {
        let rows: Vec<usize> = (0..self.rows.len()).collect();
        unloadings(&rows, |r| self.load(r))
    }

    /// The truth of a part at a row, mm, and how far its rounding in the file may be off.
    fn part(&self, part: PartName, row: usize) -> (f64, f64) {
        let columns: &[&str] = match part {
            PartName::Stretch => &["stretch_mm"],
            PartName::Set => &["set_mm"],
            PartName::StopperSlip => &["stopper_slip_mm"],
            PartName::CoverSlip => &["cover_slip_mm"],
            PartName::Give => &["body_mm", "jaws_mm"],
            PartName::SetAndCoverSlip => &["set_mm", "cover_slip_mm"],
            PartName::NotRecovered => &["set_mm", "cover_slip_mm", "stopper_slip_mm"],
        };
        let sum = columns.iter().map(|c| self.truth[row][*c]).sum();
        (sum, 0.000_5 * columns.len() as f64)
    }
}

/// Falls by [`UNLOADING`] of the peak: the row of the high before each, and the row of the low after it.
fn unloadings(rows: &[usize], load: impl Fn(usize) -> f64) -> Vec<(usize, usize)> {
    let peak = rows.iter().map(|r| load(*r)).fold(0.0, f64::max);
    let (mut found, mut high, mut low): (Vec<(usize, usize)>, _, _) = (Vec::new(), rows[0], None);
    for &row in rows {
        match low {
            None if load(row) >= load(high) => high = row,
            None if load(row) < load(high) - UNLOADING * peak => {
                low = Some(row);
                found.push((high, row));
            }
            None => {}
            Some(l) if load(row) <= load(l) => {
                low = Some(row);
                found.last_mut().unwrap().1 = row;
            }
            Some(l) if load(row) > load(l) + UNLOADING * peak => {
                (high, low) = (row, None);
            }
            Some(_) => {}
        }
    }
    found
}

/// One poorer record.
struct Variant {
    label: String,
    dropped: Vec<GaugeKind>,
    /// Rows that are kept.
    rows: Vec<usize>,
    tail_unstated: bool,
    whipped: bool,
}

fn variants(stored: &Stored) -> Vec<Variant> {
    let all: Vec<usize> = (0..stored.rows.len()).collect();
    let whole = |label: String| Variant {
        label,
        dropped: Vec::new(),
        rows: all.clone(),
        tail_unstated: false,
        whipped: false,
    };
    let gauges: Vec<GaugeKind> = stored
        .sheet
        .gauges
        .iter()
        .map(|(kind, _)| kind)
        .filter(|kind| *kind != GaugeKind::Load)
        .collect();
    let falls = stored.unloadings();
    let never = |label: String| Variant {
        rows: (0..=falls[0].0).collect(),
        ..whole(label)
    };
    let mut out = vec![whole("whole".to_owned())];
    for (i, a) in gauges.iter().enumerate() {
        out.push(Variant {
            dropped: vec![*a],
            ..whole(format!("no {}", a.name()))
        });
        out.push(Variant {
            dropped: vec![*a],
            ..never(format!("never unloaded, no {}", a.name()))
        });
        for b in &gauges[i + 1..] {
            out.push(Variant {
                dropped: vec![*a, *b],
                ..whole(format!("no {}, no {}", a.name(), b.name()))
            });
        }
    }
    for (n, (high, _)) in falls.iter().enumerate() {
        let label = if n == 0 {
            "never unloaded".to_owned()
        } else {
            format!("ends where unloading {} begins", n + 1)
        };
        out.push(Variant {
            rows: (0..=*high).collect(),
            ..whole(label)
        });
    }
    // Cycle n is missing: the logger stood still from where it began to where the load was back.
    for (n, (high, low)) in falls.iter().enumerate() {
        let back =
            (*low..stored.rows.len()).find(|r| stored.load(*r) >= 0.999 * stored.load(*high));
        if let Some(back) = back {
            out.push(Variant {
                rows: (0..=*high).chain(back..stored.rows.len()).collect(),
                ..whole(format!("unloading {} not logged", n + 1))
            });
        }
    }
    if gauges.contains(&GaugeKind::Core) {
        out.push(Variant {
            tail_unstated: true,
            ..whole("what the tail stores not stated".to_owned())
        });
        out.push(Variant {
            tail_unstated: true,
            dropped: vec![GaugeKind::Mark],
            ..whole("what the tail stores not stated, without mark".to_owned())
        });
        if let Some((high, _)) = falls.first() {
            out.push(Variant {
                tail_unstated: true,
                rows: (0..=*high).collect(),
                ..whole("what the tail stores not stated, never eased".to_owned())
            });
        }
        out.push(Variant {
            whipped: true,
            ..whole("bitter end whipped".to_owned())
        });
    }
    out
}

/// The record of a variant, analysed.
fn run(stored: &Stored, variant: &Variant) -> Result<Analysis, Failure> {
    let mut sheet = stored.sheet.clone();
    for kind in &variant.dropped {
        let gauges = &mut sheet.gauges;
        match kind {
            GaugeKind::Travel => gauges.travel = None,
            GaugeKind::Mark => gauges.mark = None,
            GaugeKind::Body => gauges.body = None,
            GaugeKind::Core => gauges.core = None,
            other => panic!("no variant takes away {other:?}"),
        }
    }
    if variant.tail_unstated {
        sheet.line.tail_stores = None;
    }
    if variant.whipped {
        sheet.line.bitter_end = BitterEnd::Whipped;
    }
    let mut text = stored.header.clone();
    for row in &variant.rows {
        text.push('\n');
        text.push_str(&stored.rows[*row]);
    }
    text.push('\n');
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let (log, files) = read_log(&mut text.as_bytes(), None, &sheet, names).unwrap();
    let inputs = Inputs { sheet, log, files };
    analyse(inputs, &Settings::default())
}

/// What was found over all variants.
#[derive(Default)]
struct Tally {
    variants: usize,
    refused: usize,
    claims: usize,
    figures: usize,
    /// Where more was claimed than the table allows, by variant and part: what and where.
    overclaims: BTreeMap<(String, PartName), Vec<String>>,
    misses: Vec<String>,
}

impl Tally {
    fn claim(&mut self, variant: &str, moment: &str, part: PartName, found: Claim, most: Claim) {
        self.claims += 1;
        if found > most {
            self.overclaims
                .entry((variant.to_owned(), part))
                .or_default()
                .push(format!("{moment} {found:?} (allowed {most:?})"));
        }
    }

    /// Whether the interval of a figure holds the truth, which is rounded in its file.
    fn holds(
        &mut self,
        place: &str,
        part: PartName,
        estimate: &Estimate,
        stored: &Stored,
        row: usize,
    ) {
        let (Some(low), Some(high)) = (estimate.low, estimate.high) else {
            return;
        };
        self.figures += 1;
        let (low, high) = (1e3 * low, 1e3 * high);
        let (truth, rounding) = stored.part(part, row);
        let beyond = |truth: f64| (low - truth).max(truth - high);
        if beyond(truth) > rounding {
            // A figure of another moment, or a figure that the truth never was?
            let time = |r: usize| stored.truth[r]["time_s"];
            let moment = (0..stored.truth.len())
                .filter(|r| beyond(stored.part(part, *r).0) <= rounding)
                .map(|r| time(r) - time(row))
                .min_by(|a, b| a.abs().total_cmp(&b.abs()))
                .map_or("never true".to_owned(), |dt| {
                    format!("true {dt:+.1} s away")
                });
            self.misses.push(format!(
                "{place}: {part:?} {:?} {low:.3}..{high:.3} mm, truth {truth:.3} mm: {:.3} mm beyond, {moment}",
                estimate.status,
                beyond(truth),
            ));
        }
    }

    fn lines(&self) -> Vec<String> {
        self.overclaims
            .iter()
            .map(|((variant, part), places)| {
                format!(
                    "{variant}: {part:?} claimed {} times, first: {}",
                    places.len(),
                    places[0]
                )
            })
            .chain(self.misses.iter().cloned())
            .collect()
    }
}

fn judge(stored: &Stored, variant: &Variant, tally: &mut Tally) {
    let place = format!("{}, {}", stored.name, variant.label);
    tally.variants += 1;
    let gauge = |kind| stored.sheet.gauges.get(kind).is_some() && !variant.dropped.contains(&kind);
    let have = Have {
        travel: gauge(GaugeKind::Travel),
        mark: gauge(GaugeKind::Mark),
        body: gauge(GaugeKind::Body),
        core: gauge(GaugeKind::Core) && !variant.whipped,
        unloads: !unloadings(&variant.rows, |r| stored.load(r)).is_empty(),
        tail_stores_nothing: !variant.tail_unstated,
    };
    let analysis = match run(stored, variant) {
        Ok(analysis) => analysis,
        Err(failure) => {
            let nothing_left = !(have.travel || have.mark || have.body || have.core);
            let refusal = Failure::Separate(SeparateError::NoDisplacement);
            assert!(nothing_left && failure == refusal, "{place}: {failure:?}");
            tally.refused += 1;
            return;
        }
    };
    assert_eq!(
        analysis.record.cycles > 0,
        have.unloads,
        "{place}: unloadings counted: {}",
        analysis.record.cycles
    );
    let end = *variant
        .rows
        .iter()
        .rfind(|r| {
            stored.load(**r) >= SLACK * stored.pretension_kn
                && stored.truth[**r]["time_s"] <= stored.end_s
        })
        .unwrap();
    let proof = variant.rows.iter().copied().find(|r| {
        stored
            .proof_s
            .is_some_and(|t| stored.truth[*r]["time_s"] >= t)
    });
    for part in PartName::ALL {
        let found = &analysis.separated.parts[&part];
        // Without a travel gauge nothing bounds what a tail stored: a value may be shown with its assumption named.
        let named = !have.travel
            && found
                .end
                .reason
                .as_ref()
                .is_some_and(|r| r.contains("which the sheet does not state"));
        let most = allowed(
            part,
            Have {
                tail_stores_nothing: have.tail_stores_nothing || named,
                ..have
            },
        );
        for (moment, estimate, row) in [
            ("end", &found.end, Some(end)),
            ("proof", &found.at_proof, proof),
        ] {
            tally.claim(&place, moment, part, claim(estimate), most);
            let place = format!("{place}, at {moment}");
            match row {
                Some(row) => tally.holds(&place, part, estimate, stored, row),
                None => assert_eq!(
                    estimate.status,
                    Status::CannotTell,
                    "{place}: {part:?} though the load never reached {} kN",
                    stored.proof_kn
                ),
            }
        }
        // Tables and traces say no more than the figures.
        if let Some(trace) = analysis.traces.parts.get(&part) {
            let shown = match trace.value {
                Some(_) => Claim::Value,
                None => Claim::Bracket,
            };
            tally.claim(&place, "traces", part, shown, most);
        }
        for step in &analysis.steps {
            if let Some(estimate) = step.parts.get(&part) {
                tally.claim(&place, &step.label, part, claim(estimate), most);
            }
        }
    }
    // A limit found at an interface claims that the slip there is known.
    for figure in &analysis.limit.figures {
        let part = match figure.interface {
            Interface::Stopper => PartName::StopperSlip,
            Interface::Cover => PartName::CoverSlip,
            Interface::Pair => continue,
        };
        if figure.load.status == Status::Measured && allowed(part, have) == Claim::Nothing {
            let limit = format!("limit by {:?}", figure.rule);
            tally.claim(&place, &limit, part, Claim::Value, Claim::Nothing);
        }
    }
}

/// Every variant of one pull, listed with what failed.
fn tally(kind: Kind, seed: u64) -> Tally {
    let stored = Stored::made(kind, seed);
    let name = &stored.name;
    let mut tally = Tally::default();
    for variant in variants(&stored) {
        judge(&stored, &variant, &mut tally);
    }
    println!(
        "{name}: {} variants ({} refused whole); {} claims, {} parts beyond the table; {} figures, {} without the truth",
        tally.variants,
        tally.refused,
        tally.claims,
        tally.overclaims.len(),
        tally.figures,
        tally.misses.len()
    );
    for line in tally.lines() {
        println!("  {line}");
    }
    tally
}

#[test]
fn poorer_records_claim_no_more_than_the_table_and_still_hold_the_truth() {
    let tallies: Vec<Tally> = std::thread::scope(|scope| {
        let seeds = SEEDS.map(|seed| scope.spawn(move || KINDS.map(|kind| tally(kind, seed))));
        let all: Vec<_> = seeds.collect();
        all.into_iter().flat_map(|s| s.join().unwrap()).collect()
    });
    let variants: usize = tallies.iter().map(|t| t.variants).sum();
    let claims: usize = tallies.iter().map(|t| t.claims).sum();
    println!("{variants} variants, {claims} claims");
    assert!(variants >= 60, "only {variants} variants");
    assert_eq!(
        tallies.iter().map(|t| t.refused).sum::<usize>(),
        6,
        "a travel-only pull without its travel, unloaded and not, is refused whole"
    );
    let (claimed, missed) = tallies.iter().fold((0, 0), |(c, m), t| {
        (c + t.overclaims.len(), m + t.misses.len())
    });
    assert_eq!(claimed, 0, "parts claimed beyond the table (listed above)");
    // The intervals are 95 % intervals: one in twenty may miss.
    let figures: usize = tallies.iter().map(|t| t.figures).sum();
    println!("{missed} of {figures} figures without the truth");
    assert!(
        missed * 20 <= figures,
        "{missed} of {figures} figures without the truth (listed above)"
    );
}

/// The test can fail: the whole record of the both-slips pull claims more than travel alone would allow.
#[test]
fn the_table_tells_records_apart() {
    let stored = Stored::made(Kind::Both, 1);
    let whole = &variants(&stored)[0];
    let analysis = run(&stored, whole).unwrap();
    let poor = Have {
        travel: true,
        mark: false,
        body: false,
        core: false,
        unloads: false,
        tail_stores_nothing: false,
    };
    for part in PartName::ALL {
        assert!(claim(&analysis.separated.parts[&part].end) > allowed(part, poor));
    }
}
