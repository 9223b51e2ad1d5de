//! Page one: the limits, who can be told apart, what a reader must know.

use super::super::view::{Answer, Block, Section, Table, line, shortened};
use super::{Cx, answer, counted, section};
use crate::caveat::Weight;
use crate::compare::{Difference, Told};
use crate::figures::{fixed, percent, significant};
use crate::sheet::Rule;
use crate::words::capital;

pub(super) fn subtitle(cx: &Cx) -> String {
    let c = cx.c;
    let mut sessions: Vec<&str> = c
        .pulls
        .iter()
        .map(|p| p.session.as_str())
        .filter(|s| !s.is_empty())
        .collect();
    sessions.sort_unstable();
    sessions.dedup();
    let rule = match c.rule {
        Rule::FirstSlip => "first slip",
        Rule::Allowance => "allowance",
        Rule::Running => "running",
    };
    let rate = match (c.rates.low, c.rates.high) {
        (Some(low), Some(high)) => format!(
            "rates {} to {} {}",
            significant(low, 2),
            significant(high, 2),
            c.rates.unit
        ),
        _ => "rates not known".into(),
    };
    format!(
        "Rule: {rule} · {} · {} given, {} compared, {} set aside, {} not analysed · {rate}",
        plural(sessions.len(), "session"),
        plural(c.pulls.len() + c.skipped.len(), "pull"),
        counted(c),
        c.set_aside.len(),
        c.skipped.len()
    )
}

pub(super) fn plural(n: usize, word: &str) -> String {
    if n == 1 {
        format!("1 {word}")
    } else {
        format!("{n} {word}s")
    }
}

pub(super) fn answers(cx: &Cx) -> Vec<Answer> {
    let c = cx.c;
    let ranking = &c.ranking;
    let mut found = Vec::new();
    if ranking.places.is_empty() {
        found.push(answer(
            "Order",
            format!("Not ranked: {}.", line_long(&ranking.refused)),
        ));
        if let Some(first) = ranking.to_add.first() {
            found.push(answer(
                "What would allow it",
                format!("{}.", line_long(&capital(first))),
            ));
        }
    } else {
        let top: Vec<&str> = ranking
            .places
            .iter()
            .filter(|p| p.best == 1)
            .map(|p| p.name.as_str())
            .collect();
        let text = match top.as_slice() {
            [one] => format!("{} holds more than every other, beyond chance.", line(one)),
            several => format!(
                "{} cannot be told apart at the top.",
                line_long(&several.join("; "))
            ),
        };
        found.push(answer("Holds most", text));
        let apart = c
            .differences
            .iter()
            .filter(|d| matches!(d.told, Told::First | Told::Second))
            .count();
        let told = |d: &&Difference| d.told != Told::NotCompared;
        let compared = c.differences.iter().filter(told).count();
        found.push(answer(
            "Told apart",
            format!(
                "{apart} of {compared} differences, jointly at {} %{}.",
                percent(c.settings.level),
                c.settings.matters.map_or_else(String::new, |m| format!(
                    "; a difference below {} % does not matter here",
                    significant(100.0 * m, 2)
                ))
            ),
        ));
    }
    let best = c
        .groups
        .iter()
        .filter_map(|g| Some((g, g.repeats.tolerance.low?)))
        .max_by(|a, b| a.1.total_cmp(&b.1).then_with(|| b.0.name.cmp(&a.0.name)));
    found.push(answer(
        "Highest proven load",
        match best {
            Some((g, _)) => format!(
                "{}: {} — a lower bound, not its limit.",
                line(&g.name),
                cx.units.words(&g.repeats.tolerance)
            ),
            None => {
                "No group has a tolerance bound: each needs two lines that let go, better four."
                    .into()
            }
        },
    ));
    found.push(answer("Scatter", scatter(cx)));
    found
}

fn scatter(cx: &Cx) -> String {
    let Some(k) = &cx.c.components else {
        return "Not known: nothing was repeated.".into();
    };
    let share = |v: f64| format!("{}\u{a0}%", significant(100.0 * v, 2));
    let mut parts = vec![format!("{} between pulls of one session", share(k.pulls))];
    match k.sessions {
        Some(s) if s < 1e-6 => parts.push("none seen between sessions".into()),
        Some(s) => parts.push(format!("{} between sessions", share(s))),
        None => parts.push("between sessions not known".into()),
    }
    if let Some(l) = k.lines {
        parts.push(format!("{} between lines of one kind", share(l)));
    }
    format!("{} (standard deviations).", parts.join(", "))
}

/// Longer texts than a table cell holds.
pub(super) fn line_long(text: &str) -> String {
    shortened(text, 600)
}

pub(super) fn limits(cx: &Cx) -> Section {
    let unit = cx.units.force.symbol;
    let rows =
        cx.c.groups
            .iter()
            .map(|g| {
                let r = &g.repeats;
                vec![
                    line(&g.name),
                    format!("{} of {}", r.reached, r.lines),
                    cx.units.cell(&r.median),
                    r.spread.value.map_or_else(
                        || "—".into(),
                        |s| format!("{} %", significant(100.0 * s, 2)),
                    ),
                    cx.units.cell(&r.tolerance),
                    g.of_rated
                        .map_or_else(|| "—".into(), |s| format!("{} %", fixed(100.0 * s, 0))),
                ]
            })
            .collect();
    let mut blocks = Vec::new();
    blocks.extend(cx.chart("limits"));
    blocks.push(Block::Table(Table {
        caption: format!("Loads in {unit}. Median with its 95 % interval; the bound is what most lines hold, see below."),
        head: ["", "lines that let go", "median", "scatter", "lower tolerance bound", "of rated"]
            .map(String::from)
            .to_vec(),
        rows,
    }));
    section("limits", "What they hold", blocks)
}

fn told(d: &Difference) -> String {
    match d.told {
        Told::First => format!("{} holds more", line(&d.first)),
        Told::Second => format!("{} holds more", line(&d.second)),
        Told::Alike => "alike, as far as matters".into(),
        Told::NotApart => "not told apart".into(),
        Told::NotCompared => "not compared".into(),
    }
}

pub(super) fn order(cx: &Cx) -> Section {
    let ranking = &cx.c.ranking;
    let mut blocks = Vec::new();
    if ranking.places.is_empty() {
        blocks.push(Block::Text(format!(
            "Nothing is ranked: {}.",
            line_long(&ranking.refused)
        )));
        if !ranking.to_add.is_empty() {
            blocks.push(Block::Text("What would allow it:".into()));
            blocks.push(Block::List(
                ranking
                    .to_add
                    .iter()
                    .map(|t| format!("{}.", line_long(&capital(t))))
                    .collect(),
            ));
        }
    } else {
        let rows = ranking
            .places
            .iter()
            .map(|p| {
                let place = if p.best == p.worst {
                    format!("{}", p.best)
                } else {
                    format!("{} to {}", p.best, p.worst)
                };
                vec![line(&p.name), place]
            })
            .collect();
        blocks.push(Block::Text(
            "A place is the range that the differences leave: groups whose places overlap may stand in either order.".into(),
        ));
        blocks.push(Block::Table(Table {
            caption: "Places, the highest estimate first.".into(),
            head: ["", "place"].map(String::from).to_vec(),
            rows,
        }));
    }
    if !ranking.left_out.is_empty() {
        blocks.push(Block::List(
            ranking
                .left_out
                .iter()
                .map(|t| line_long(&capital(t)))
                .collect(),
        ));
    }
    blocks.extend(cx.chart("differences"));
    if !cx.c.differences.is_empty() {
        let rows =
            cx.c.differences
                .iter()
                .map(|d| {
                    let more = |v: Option<f64>| v.map(|v| fixed(100.0 * (v - 1.0), 1));
                    let figure = match (more(d.ratio), more(d.low), more(d.high)) {
                        (Some(r), Some(l), Some(h)) => format!("{r} ({l} to {h})"),
                        (Some(r), ..) => format!("{r}, not bounded"),
                        _ => "—".into(),
                    };
                    vec![
                        format!("{} over {}", line(&d.first), line(&d.second)),
                        figure,
                        told(d),
                    ]
                })
                .collect();
        blocks.push(Block::Table(Table {
            caption: format!(
                "How much more the first holds than the second, in %. All intervals hold together with {} %.",
                percent(cx.c.settings.level)
            ),
            head: ["", "holds more by, %", "what can be said"].map(String::from).to_vec(),
            rows,
        }));
    }
    section("order", "Who holds more", blocks)
}

pub(super) fn caveats(cx: &Cx) -> Section {
    let heading = "Before you trust the figures";
    if cx.c.caveats.is_empty() {
        return section(
            "caveats",
            heading,
            vec![Block::Text(
                "Nothing was found in these pulls that weakens the figures beyond their intervals."
                    .into(),
            )],
        );
    }
    let warnings =
        cx.c.caveats
            .iter()
            .map(|k| {
                let weight = match k.weight {
                    Weight::Note => "Note",
                    Weight::Caution => "Caution",
                    Weight::NoPass => "Nothing can be passed on this",
                    Weight::NoVerdict => "Nothing can rest on this",
                };
                (
                    format!("{weight}: {}", line_long(&k.message)),
                    line_long(&k.advice),
                    k.code.to_string(),
                )
            })
            .collect();
    section("caveats", heading, vec![Block::Caveats(warnings)])
}

/// Cautions of the trade (common practice, no source).
pub(super) fn cautions() -> Section {
    let list = [
        "The rules of the place and licensed practice come first; nothing in this report overrules them.",
        "A loaded line or ram kills when something lets go. Nobody stands in line with a loaded line, beside it, or in a bight of it.",
        "Above pre-tension nobody marks the line or reads a rule on it: read by camera or from well away.",
        "Stay within the lowest working load of every part in the chain, load cell and shackles included.",
        "Stop after a run-out, or when movement in a hold does not settle.",
        "These pulls describe these lines in these stoppers on these days. They certify no type.",
    ];
    section(
        "cautions",
        "Cautions for whoever pulls again",
        vec![Block::List(list.map(String::from).to_vec())],
    )
}
