//! The details: bounds by family, scatter, wear, diameter, untested pairs, method, the pulls themselves.

use super::super::view::{Block, Section, Table, line};
use super::front::line_long;
use super::{Cx, section};
use crate::compare::{By, Spread};
use crate::figures::{fixed, percent, significant};
use crate::stats::censored::{Family, Observed};
use crate::words::capital;

fn table(caption: String, head: &[&str], rows: Vec<Vec<String>>) -> Block {
    Block::Table(Table {
        caption,
        head: head.iter().map(|h| (*h).to_owned()).collect(),
        rows,
    })
}

pub(super) fn bounds(cx: &Cx) -> Option<Section> {
    let c = cx.c;
    let rows: Vec<Vec<String>> = c
        .groups
        .iter()
        .map(|g| {
            let r = &g.repeats;
            let by = |family: Family| {
                r.families
                    .iter()
                    .find(|f| f.family == family)
                    .map_or_else(|| "—".into(), |f| cx.cell(f.bound_kn))
            };
            let run = r.success.map_or_else(
                || "—".into(),
                |s| {
                    format!(
                        "{} held {}: {} % of lines; {} passes would prove the share",
                        s.passes,
                        cx.cell(s.load_kn),
                        fixed(100.0 * s.share, 0),
                        s.wanted
                    )
                },
            );
            vec![
                line(&g.name),
                by(Family::Lognormal),
                by(Family::Normal),
                by(Family::Weibull),
                cx.units.cell(&r.prediction),
                run,
            ]
        })
        .collect();
    if rows.is_empty() {
        return None;
    }
    let mut blocks = vec![
        Block::Text(
            "Three figures that are not each other. The tolerance bound is the load that the share of all lines exceeds, with the confidence. The prediction is what the next line holds with 95 %, with no confidence attached. A success run says what lines that all held prove."
                .into(),
        ),
        table(
            format!(
                "Loads in {}. Tolerance bound for {} % of lines at {} % confidence, by family; {} was set beforehand, the others show what hangs on that.",
                cx.units.force.symbol,
                percent(c.share),
                percent(c.confidence),
                c.settings.family.word()
            ),
            &["", "lognormal", "normal", "Weibull", "prediction (EN 1990)", "success run"],
            rows,
        ),
    ];
    let why: Vec<String> = c
        .groups
        .iter()
        .filter(|g| g.repeats.tolerance.low.is_none())
        .filter_map(|g| {
            Some(format!(
                "{}: {}",
                line(&g.name),
                g.repeats.tolerance.reason.as_deref()?
            ))
        })
        .collect();
    if !why.is_empty() {
        blocks.push(Block::List(why));
    }
    blocks.extend(cx.chart("probability"));
    Some(section("bounds", "What most of them hold", blocks))
}

pub(super) fn scatter(cx: &Cx) -> Option<Section> {
    let c = cx.c;
    let mut blocks: Vec<Block> = cx.chart("sessions").into_iter().collect();
    if !c.precision.is_empty() {
        let unit = cx.units.force.symbol;
        let rows = c
            .precision
            .iter()
            .map(|p| {
                let f = &p.figures;
                let odd: Vec<String> = p
                    .sessions
                    .iter()
                    .zip(&f.cells)
                    .map(|(s, cell)| {
                        format!(
                            "{}: h {}, k {}",
                            line(s),
                            fixed(cell.h, 2),
                            fixed(cell.k, 2)
                        )
                    })
                    .collect();
                vec![
                    line(&p.name),
                    cx.cell(f.s_r),
                    cx.cell(f.s_reproducibility),
                    cx.cell(f.limit_r),
                    cx.cell(f.limit_reproducibility),
                    line_long(&odd.join("; ")),
                ]
            })
            .collect();
        blocks.push(table(
            format!("Repeatability (within a session) and reproducibility (between sessions) in {unit}, in the sense of ISO 5725 and ASTM E691; r and R are the differences that two single pulls exceed once in twenty."),
            &["", "s_r", "s_R", "r", "R", "sessions"],
            rows,
        ));
    }
    (!blocks.is_empty()).then(|| section("scatter", "Where the scatter comes from", blocks))
}

pub(super) fn wear(cx: &Cx) -> Option<Section> {
    let series = &cx.c.wear;
    if series.is_empty() {
        return None;
    }
    let rows = series
        .iter()
        .map(|w| {
            let per = |v: f64| fixed(100.0 * v, 2);
            vec![
                line(&w.name),
                w.counter.words().into(),
                format!("{}", w.points.len()),
                cx.cell(w.fresh_kn),
                format!(
                    "{} ({} to {})",
                    per(w.per_event),
                    per(w.per_event_low),
                    per(w.per_event_high)
                ),
                w.crossing.as_ref().map_or_else(
                    || "no proof load is stated".into(),
                    |x| line_long(&capital(&x.words)),
                ),
            ]
        })
        .collect();
    let mut blocks: Vec<Block> = cx.chart("wear").into_iter().collect();
    blocks.push(table(
        format!(
            "Load at none in {}, change per event in % with its 95 % interval.",
            cx.units.force.symbol
        ),
        &[
            "",
            "counted",
            "pulls",
            "load at none",
            "change per event, %",
            "proof load",
        ],
        rows,
    ));
    Some(section("wear", "Wear", blocks))
}

pub(super) fn diameter(cx: &Cx) -> Option<Section> {
    let laws = &cx.c.diameter;
    if laws.is_empty() {
        return None;
    }
    let mut blocks: Vec<Block> = cx.chart("diameter").into_iter().collect();
    let rows = laws
        .iter()
        .map(|l| {
            let points: Vec<String> = l
                .points
                .iter()
                .map(|p| {
                    format!(
                        "{} at {}",
                        cx.cell(p.load_kn),
                        cx.units.length_text(p.diameter_mm)
                    )
                })
                .collect();
            let law = match (&l.ratio, &l.reason) {
                (Some(ratio), _) => format!(
                    "{} times from the thinnest to the thickest tested",
                    fixed(*ratio, 2)
                ),
                (None, Some(reason)) => line_long(reason),
                (None, None) => "—".into(),
            };
            let asked = match &l.predicted {
                None => "—".into(),
                Some(p) => match (p.load_kn, p.low_kn, p.high_kn, &p.refused) {
                    (Some(v), Some(low), Some(high), _) => format!(
                        "prediction at {}: {} ({} to {})",
                        cx.units.length_text(p.diameter_mm),
                        cx.cell(v),
                        cx.cell(low),
                        cx.cell(high)
                    ),
                    (.., Some(why)) => format!(
                        "{} refused: {}",
                        cx.units.length_text(p.diameter_mm),
                        line_long(why)
                    ),
                    _ => "—".into(),
                },
            };
            vec![line(&l.name), points.join("; "), law, asked]
        })
        .collect();
    blocks.push(table(
        format!("Mean loads in {} by diameter.", cx.units.force.symbol),
        &["", "tested", "change over the span", "asked for"],
        rows,
    ));
    Some(section("diameter", "Load and diameter", blocks))
}

pub(super) fn untested(cx: &Cx) -> Option<Section> {
    let found = &cx.c.untested;
    if found.is_empty() {
        return None;
    }
    let rows = found
        .iter()
        .map(|u| {
            vec![
                format!("{} in {}", line(&u.line_kind), line(&u.stopper_kind)),
                format!(
                    "prediction {} ({} to {})",
                    cx.cell(u.load_kn),
                    cx.cell(u.low_kn),
                    cx.cell(u.high_kn)
                ),
            ]
        })
        .collect();
    Some(section(
        "untested",
        "Pairs that were not tested",
        vec![
            Block::Text("Predictions from the effect of the line and that of the stopper, never measured. A wide interval means that the tested pairs do not add up so simply; one pull says more.".into()),
            table(format!("Mean load of the pair in {}, with its 95 % prediction interval.", cx.units.force.symbol), &["", "load"], rows),
        ],
    ))
}

pub(super) fn method(cx: &Cx) -> Section {
    let c = cx.c;
    let paired = if c.ranking.paired {
        " and of each line"
    } else {
        ""
    };
    let spread = match c.settings.spread {
        Spread::Own => "each group with its own scatter (Tamhane's intervals)",
        Spread::Common => "one scatter for all groups, which was assumed (Tukey's intervals)",
    };
    let within = match c.settings.by {
        By::Pair => "sessions",
        By::Treatment => "sessions, and pairs of line and stopper,",
        By::Line => "sessions, and stoppers with their treatments,",
        By::Stopper => "sessions, and lines with their treatments,",
        By::Session | By::Rig => "pairs",
    };
    let mut list = vec![
        "Unit: a fresh held length; lengths of one line count as one line. Worn lengths enter the wear series only.".to_owned(),
        format!("Differences are found within {within}: what a day{paired} has in common is taken out and never compared; {spread}."),
        "A pull that held without letting go counts as a lower bound, not as a limit and not as nothing; a bracket counts as its two ends.".into(),
        "The gain error of a load cell is added once, after pooling; it cancels between groups pulled with one cell.".into(),
        "Distributions by maximum likelihood; the family was set beforehand and not picked by fit.".into(),
    ];
    if let (Some(to), Some(b), Some(error)) =
        (c.rates.brought_to, c.rates.exponent, c.rates.exponent_error)
    {
        list.push(format!(
            "Loads are compared at {} {}: they grow with the rate to the power {} (standard error {}), found from these pulls.",
            significant(to, 2),
            c.rates.unit,
            fixed(b, 3),
            fixed(error, 3)
        ));
    }
    section("method", "Method", vec![Block::List(list)])
}

pub(super) fn pulls(cx: &Cx) -> Section {
    let c = cx.c;
    let mut blocks = Vec::new();
    let rows = c
        .pulls
        .iter()
        .map(|p| {
            let load = match p.figure(c.rule).and_then(|f| f.load) {
                Some(Observed::At(v)) => cx.cell(v),
                Some(Observed::Above(v)) => format!("above {}", cx.cell(v)),
                Some(Observed::Between(a, b)) => {
                    format!("between {} and {}", cx.cell(a), cx.cell(b))
                }
                None => "—".into(),
            };
            vec![
                line(&p.name),
                line(&p.pair()),
                line(&p.line),
                line(&p.session),
                load,
                p.log_sha256.get(..12).unwrap_or("—").into(),
            ]
        })
        .collect();
    blocks.push(table(
        format!(
            "Loads in {} by the rule compared; first twelve digits of the SHA-256 of each log.",
            cx.units.force.symbol
        ),
        &["pull", "pair", "line", "session", "load", "log"],
        rows,
    ));
    for (title, list) in [
        ("Set aside:", &c.set_aside),
        ("Could not be analysed:", &c.skipped),
    ] {
        if !list.is_empty() {
            blocks.push(Block::Text(title.into()));
            blocks.push(Block::List(
                list.iter()
                    .map(|s| format!("{}: {}", line(&s.name), line_long(&s.why)))
                    .collect(),
            ));
        }
    }
    section("pulls", "The pulls", blocks)
}
