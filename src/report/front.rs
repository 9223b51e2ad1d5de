//! The first page: verdict, limit, what moved, what next; then the figures that matter.

use super::split;
use super::view::{Answer, Block, Context, Section, Table, line, quantity, shortened};
use crate::caveat::Weight;
use crate::diagnose::Moved;
use crate::figures::{significant, span_text};
use crate::limit::{AtRate, Interface, LimitFigure};
use crate::separate::PartName;
use crate::sheet::{CoverAtEye, HeldPart, Purpose, Rule, Splice, TailState};
use crate::stats::{Estimate, Status};
use crate::verdict::VerdictWord;
use crate::words::capital;

pub(super) fn title(cx: &Context<'_>) -> String {
    let kind = match cx.analysis.sheet.0.pull.purpose {
        Purpose::Delivery => "Pull test for delivery",
        Purpose::Benchmark => "Pull test for comparison",
        Purpose::Survey => "Survey of a pull",
    };
    let id = shortened(&cx.analysis.sheet.0.pull.id, 60);
    if id.is_empty() {
        kind.into()
    } else {
        format!("{kind}: {id}")
    }
}

pub(super) fn subtitle(cx: &Context<'_>) -> String {
    let sheet = &cx.analysis.sheet.0;
    let named = |what: &str, id: &str| {
        let id = shortened(id, 40);
        // Many call their line "line 7": then the word stands there already.
        let said = id.to_lowercase().starts_with(what);
        (!id.is_empty()).then(|| if said { id } else { format!("{what} {id}") })
    };
    let parts = [
        named("line", &sheet.line.id),
        named("stopper", &sheet.stopper.id),
        sheet.pull.place.as_deref().map(|t| shortened(t, 80)),
        sheet.pull.when.as_deref().map(|t| shortened(t, 40)),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

/// The four answers, in the order in which a person on the dock asks.
pub(super) fn answers(cx: &Context<'_>) -> Vec<Answer> {
    let verdict = &cx.analysis.verdict;
    vec![
        Answer {
            label: "Verdict",
            text: verdict.word.words().into(),
        },
        Answer {
            label: "Limit",
            text: limit(cx),
        },
        Answer {
            label: "What moved",
            text: moved(cx),
        },
        Answer {
            label: "Next",
            text: clean_or(
                &cx.units.retold(&next(cx)),
                "Nothing is left to do for this pull.",
            ),
        },
    ]
}

/// The next thing to do. The verdict knows what would decide it; the diagnosis knows the remedy and the missing gauge.
fn next(cx: &Context<'_>) -> String {
    let (verdict, found) = (&cx.analysis.verdict, &cx.analysis.diagnosis);
    let first = || {
        let first = found.remedies.first()?;
        let rest = found.next_pull.strip_prefix(first.what.as_str())?;
        Some(format!("{}{}.", first.what, rest.trim_end_matches('.')))
    };
    let voided = cx
        .analysis
        .caveats
        .iter()
        .any(|c| c.weight >= Weight::NoPass);
    match verdict.word {
        VerdictWord::Fails => first().map_or_else(
            || verdict.next.clone(),
            |first| format!("Do not hand the line over. {first}"),
        ),
        // A gauge fault comes before any finer question.
        VerdictWord::NotDecided
            if found.moved == Moved::CannotTell && !voided && found.next_pull != verdict.next =>
        {
            format!("{} {}", verdict.next, found.next_pull)
        }
        _ => verdict.next.clone(),
    }
}

fn clean_or(text: &str, otherwise: &str) -> String {
    let text = shortened(text, 400);
    if text.is_empty() {
        otherwise.into()
    } else {
        text
    }
}

pub(super) fn rule_words(rule: Rule) -> &'static str {
    match rule {
        Rule::FirstSlip => "first slip",
        Rule::Allowance => "allowance",
        Rule::Running => "running",
    }
}

/// The limit with interval, rule and rate.
fn limit(cx: &Context<'_>) -> String {
    let governing = &cx.analysis.limit.governing;
    let figure = match governing.load.status {
        Status::NotReached => format!(
            "not reached; the pair held {}",
            cx.told(&governing.load).replacen("above ", "more than ", 1)
        ),
        Status::Bracket => match &governing.load.reason {
            Some(reason) => format!(
                "{} ({})",
                cx.units.words(&governing.load),
                cx.units.retold(reason)
            ),
            None => cx.units.words(&governing.load),
        },
        _ => cx.told(&governing.load),
    };
    let mut text = format!("{}. Rule: {}", capital(&figure), rule_words(governing.rule));
    if let Some(by) = governing.reached_by.filter(|by| *by != Interface::Pair) {
        text += &format!(
            ", reached first by the {}",
            by.words().trim_start_matches("the ")
        );
    }
    match (rate(cx, governing.rate), governing.load.status) {
        (Some(rate), _) => text += &format!("; {rate}."),
        (None, Status::CannotTell) => text.push('.'),
        (None, _) => text += "; rate not known.",
    }
    text
}

/// The rate or hold that belongs to a limit, in words.
pub(super) fn rate(cx: &Context<'_>, rate: AtRate) -> Option<String> {
    let units = &cx.units;
    let parts = [
        rate.loading_kn_per_s.map(|r| {
            format!(
                "loaded at {}\u{a0}{}/s",
                significant(units.load(r), 2),
                units.force.symbol
            )
        }),
        rate.hold_s.map(|s| format!("held for {}", span_text(s))),
        rate.speed_mm_per_min.map(|v| {
            format!(
                "running at {}\u{a0}{}/min",
                significant(units.length(v), 2),
                units.length.symbol
            )
        }),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// How sure it is that something slid.
#[derive(Clone, Copy, PartialEq)]
enum Sure {
    Yes,
    NotSeen,
    Maybe,
    Unknown,
}

fn sure(estimate: Option<&Estimate>) -> Sure {
    let Some(e) = estimate else {
        return Sure::Unknown;
    };
    let surely = e.low.is_some_and(|low| low > 0.0);
    match e.status {
        Status::Measured | Status::Bracket if surely => Sure::Yes,
        Status::Measured | Status::AtMost => Sure::NotSeen,
        Status::Bracket => Sure::Maybe,
        Status::NotReached | Status::Projected | Status::CannotTell => Sure::Unknown,
    }
}

/// A slip this many times another is named first, the other as small.
const DWARFS: f64 = 10.0;

/// Which interface moved, and how sure that is.
fn moved(cx: &Context<'_>) -> String {
    let parts = &cx.analysis.separated.parts;
    let end = |name| parts.get(&name).map(|p| &p.end);
    let (stopper, cover) = (end(PartName::StopperSlip), end(PartName::CoverSlip));
    let (s, c) = (sure(stopper), sure(cover));
    // A hundredth of a millimetre beside a run of centimetres must not read as if both had failed alike.
    let dwarfs = |big: Option<&Estimate>, small: Option<&Estimate>| {
        big.and_then(|e| e.low)
            .zip(small.and_then(|e| e.high))
            .is_some_and(|(low, high)| low > DWARFS * high)
    };
    let lead = match (s, c) {
        (Sure::Yes, Sure::Yes) if dwarfs(stopper, cover) => {
            "The line in the stopper; the core inside the cover a little."
        }
        (Sure::Yes, Sure::Yes) if dwarfs(cover, stopper) => {
            "The core inside the cover; the line in the stopper a little."
        }
        (Sure::Yes, Sure::Yes) => "Both: the line in the stopper, and the core inside the cover.",
        (Sure::Yes, _) => "The line in the stopper.",
        (_, Sure::Yes) => "The core inside the cover.",
        (Sure::NotSeen, Sure::NotSeen) => "Nothing, as far as can be seen.",
        (Sure::Unknown, Sure::Unknown) => "Cannot tell with these gauges.",
        _ => "Nothing for certain.",
    };
    let mut text = lead.to_owned();
    let mut add = |place: &str, sure: Sure, estimate: Option<&Estimate>| {
        let words = estimate.map(|e| cx.units.words(e)).unwrap_or_default();
        match sure {
            Sure::Yes | Sure::NotSeen => text += &format!(" Slip {place}: {words}."),
            Sure::Maybe => text += &format!(" Slip {place}: {words}, none is possible."),
            Sure::Unknown if s != c => text += &format!(" Slip {place}: cannot tell."),
            Sure::Unknown => {}
        }
    };
    add("in the stopper", s, stopper);
    add("of the cover", c, cover);
    let ran = |f: &&LimitFigure| {
        f.rule == Rule::Running
            && f.interface != Interface::Pair
            && matches!(f.load.status, Status::Measured | Status::Bracket)
    };
    for figure in cx.analysis.limit.figures.iter().filter(ran) {
        let falling = figure.load.status == Status::Bracket;
        text += &format!(
            " The {} ran through {}{}.",
            figure.interface.words().trim_start_matches("the "),
            if falling {
                "while the load fell: "
            } else {
                "at "
            },
            cx.units.words(&figure.load)
        );
    }
    if s == Sure::Unknown
        && c == Sure::Unknown
        && let Some(lost) = end(PartName::NotRecovered).filter(|e| e.is_known())
    {
        text += &format!(
            " In all, {} did not come back: set and slip together.",
            cx.units.words(lost)
        );
    }
    text
}

/// Slip at proof load by interface, tension kept aboard, and the grounds of the verdict.
pub(super) fn figures(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let mut blocks = Vec::new();
    let grounds: Vec<String> = analysis
        .verdict
        .grounds
        .iter()
        .map(|g| cx.said(g, 400))
        .collect();
    if !grounds.is_empty() {
        blocks.push(Block::List(grounds));
    }
    if !analysis.verdict.would_decide.is_empty() {
        let lead = if analysis.verdict.word == VerdictWord::NoLimits {
            "For a verdict:"
        } else {
            "What would decide it:"
        };
        blocks.push(Block::Text(lead.into()));
        blocks.push(Block::List(
            analysis
                .verdict
                .would_decide
                .iter()
                .map(|g| cx.said(g, 400))
                .collect(),
        ));
    }
    blocks.extend(slip_table(cx));
    if let Some(aboard) = &analysis.aboard {
        let what = format!(
            "of {} on {} of line",
            cx.units.load_text(aboard.load_kn),
            cx.units.long_text(aboard.length_mm)
        );
        blocks.push(Block::Facts(vec![
            (
                "Tension kept aboard".into(),
                format!("{what}, at once: {}", cx.told(&aboard.kept_at_once)),
            ),
            ("after an hour".into(), cx.told(&aboard.kept_after_hour)),
        ]));
    }
    Section::new("figures", "The figures that matter", blocks)
}

fn slip_table(cx: &Context<'_>) -> Vec<Block> {
    let sheet = &cx.analysis.sheet.0;
    let limits = sheet.limits.as_ref();
    let proof = limits.and_then(|l| l.proof);
    let unit = cx.units.length.symbol;
    let mut head = vec![format!("Slip, {unit}")];
    if let Some(proof) = proof {
        head.push(format!(
            "when the proof load of {} was first reached",
            cx.units.load_text(proof.si() * 1e-3)
        ));
    }
    head.push("at the end".into());
    let allowed = |part| match part {
        PartName::StopperSlip => limits.and_then(|l| l.stopper_slip),
        PartName::CoverSlip => limits.and_then(|l| l.cover_slip),
        _ => None,
    };
    let shown = [
        PartName::StopperSlip,
        PartName::CoverSlip,
        PartName::SetAndCoverSlip,
        PartName::NotRecovered,
    ];
    let with_allowed = shown.iter().any(|p| allowed(*p).is_some());
    if with_allowed {
        head.push("allowed".into());
    }
    let mut rows = Vec::new();
    let mut reasons: Vec<String> = Vec::new();
    for name in shown {
        let Some(part) = cx.analysis.separated.parts.get(&name) else {
            continue;
        };
        let slip = matches!(name, PartName::StopperSlip | PartName::CoverSlip);
        if !slip && (part.end.status == Status::CannotTell || split::needless(cx, name)) {
            continue;
        }
        let mut row = vec![split::heading(name)];
        if proof.is_some() {
            row.push(cx.units.cell(&part.at_proof));
        }
        row.push(cx.units.cell(&part.end));
        if with_allowed {
            row.push(allowed(name).map_or_else(String::new, |a| {
                significant(a.si() / cx.units.length.to_si, 3)
            }));
        }
        rows.push(row);
        let reason = |e: &Estimate| e.reason.clone().filter(|_| !e.is_known());
        let at_proof = reason(&part.at_proof).filter(|_| proof.is_some());
        let at_end = reason(&part.end);
        if at_proof == at_end || proof.is_none() {
            reasons.extend(at_end.map(|r| format!("{}: {}", name.words(), cx.said_line(&r))));
        } else {
            reasons.extend(
                at_proof.map(|r| format!("{}, at proof load: {}", name.words(), cx.said_line(&r))),
            );
            reasons.extend(
                at_end.map(|r| format!("{}, at the end: {}", name.words(), cx.said_line(&r))),
            );
        }
    }
    if rows.is_empty() {
        return vec![Block::Text("No slip could be given.".into())];
    }
    let caption =
        "Slip by interface, with 95 % intervals. Stopper slip counts the seating of the jaws here; what the sheet allows, \
         and the verdict, take it apart. What did not come back is slip and set (bedding-in) together. A dash: these \
         gauges cannot tell."
            .into();
    let mut blocks = vec![Block::Table(Table {
        caption,
        head,
        rows,
    })];
    if !reasons.is_empty() {
        blocks.push(Block::List(reasons));
    }
    blocks
}

fn splice(splice: &Splice) -> String {
    let kind = splice.kind.as_deref().map_or("splice".into(), line);
    let bury = splice.bury.map(|b| format!(" buried {}", quantity(b)));
    let beyond = splice
        .travel_beyond
        .then_some(" with the travel read beyond it");
    kind + &bury.unwrap_or_default() + beyond.unwrap_or_default()
}

pub(super) fn what_was_pulled(cx: &Context<'_>) -> Section {
    let sheet = &cx.analysis.sheet.0;
    let (l, s, p) = (&sheet.line, &sheet.stopper, &sheet.pull);
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut fact = |name: &str, parts: &[Option<String>]| {
        let known: Vec<&str> = parts
            .iter()
            .flatten()
            .map(String::as_str)
            .filter(|t| !t.trim().is_empty())
            .collect();
        if !known.is_empty() {
            facts.push((name.to_owned(), known.join(", ")));
        }
    };
    let said = |text: &Option<String>| text.as_deref().map(line);
    let cover_at_eye = match l.cover_at_eye {
        CoverAtEye::Locked => Some("cover locked at the eye".to_owned()),
        CoverAtEye::Free => Some("cover free at the eye".to_owned()),
        CoverAtEye::Unknown => None,
    };
    fact(
        "Line",
        &[
            Some(line(&l.id)),
            said(&l.length_id),
            said(&l.construction),
            said(&l.core).map(|c| format!("core {c}")),
            said(&l.cover).map(|c| format!("cover {c}")),
            l.diameter.map(quantity),
            l.break_load.map(|b| format!("break load {}", quantity(b))),
            l.free_length
                .map(|f| format!("free length {}", quantity(f))),
            l.tail_length.map(|t| format!("tail {}", quantity(t))),
            cover_at_eye,
            l.splice.as_ref().map(splice),
            l.bedded
                .map(|b| if b { "bedded in" } else { "new" }.to_owned()),
            l.wet.map(|w| if w { "wet" } else { "dry" }.to_owned()),
        ],
    );
    let treatments: Vec<String> = l
        .treatments
        .iter()
        .map(|t| {
            let from = t
                .begins
                .map(|b| format!(" from {}", quantity(b)))
                .unwrap_or_default();
            let long = t
                .length
                .map(|b| format!(", {} long", quantity(b)))
                .unwrap_or_default();
            format!("{}{from}{long}", line(&t.kind))
        })
        .collect();
    fact("Treatment", &[Some(treatments.join("; "))]);
    let holds = s.holds.map(|h| match h {
        HeldPart::Fresh => "holds a fresh length".to_owned(),
        HeldPart::ReUsed => "holds a length held before".to_owned(),
        HeldPart::AfterRunOut => "holds a length that ran through before".to_owned(),
    });
    let tail = s.tail.map(|t| match t {
        TailState::Free => "tail free".to_owned(),
        TailState::Held => "tail held".to_owned(),
    });
    fact(
        "Stopper",
        &[
            Some(line(&s.id)),
            said(&s.grip).map(|g| format!("grip {g}")),
            s.rated_load.map(|r| format!("rated {}", quantity(r))),
            holds,
            tail,
            s.lead_angle
                .map(|a| format!("line led in at {}", quantity(a))),
            s.loaded_releases
                .map(|n| format!("{n} loaded releases so far")),
        ],
    );
    fact(
        "Pull",
        &[
            said(&p.when),
            said(&p.place),
            said(&p.operator).map(|o| format!("pulled by {o}")),
            said(&p.witness).map(|w| format!("watched by {w}")),
        ],
    );
    if let Some(limits) = &sheet.limits {
        fact(
            "Must hold",
            &[
                limits.proof.map(quantity),
                limits.hold.map(|h| format!("for {}", quantity(h))),
                limits
                    .stopper_slip
                    .map(|v| format!("at most {} in the stopper, seating apart", quantity(v))),
                limits
                    .cover_slip
                    .map(|v| format!("at most {} of cover slip", quantity(v))),
                limits
                    .rate
                    .map(|v| format!("at most {} in a hold", quantity(v))),
                limits
                    .creep
                    .map(|v| format!("at most {} in a hold", quantity(v))),
            ],
        );
    }
    fact("Notes", &[p.notes.as_deref().map(|n| shortened(n, 1000))]);
    if facts.is_empty() {
        return Section::new(
            "pulled",
            "What was pulled",
            vec![Block::Text(
                "The sheet says nothing about line and stopper.".into(),
            )],
        );
    }
    Section::new("pulled", "What was pulled", vec![Block::Facts(facts)])
}

/// The chart that belongs on a page to hand over.
pub(super) fn one_chart(cx: &Context<'_>) -> Option<Section> {
    let chart = cx
        .chart("slip-and-limit")
        .or_else(|| cx.chart("load-and-travel"))?;
    Some(Section::new("slip", "Slip against load", vec![chart]))
}

pub(super) fn sign_off(cx: &Context<'_>) -> Section {
    let pull = &cx.analysis.sheet.0.pull;
    let name = |t: &Option<String>| t.as_deref().map(|t| shortened(t, 60)).unwrap_or_default();
    let block = if pull.simulated {
        Block::Text("Simulated data: there is nothing to sign, for no line was pulled.".into())
    } else {
        Block::SignOff(vec![
            ("Pulled by".into(), name(&pull.operator)),
            ("Watched by".into(), name(&pull.witness)),
            ("Checked by".into(), String::new()),
        ])
    };
    Section::new("sign-off", "Signatures", vec![block])
}
