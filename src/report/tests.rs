//! Reports of the hand-made samples: order of the first page, escaping, structure, the running header.

use super::*;
use crate::chart::{draw_all, sample};

fn report(analysis: &Analysis) -> Report {
    render(analysis, &draw_all(analysis).unwrap())
}

/// Where each text first stands, which must be in this order and before the end.
fn in_order(text: &str, wanted: &[&str]) {
    let mut from = 0;
    for piece in wanted {
        let at = text[from..].find(piece);
        assert!(
            at.is_some(),
            "`{piece}` is missing or out of order in:\n{text}"
        );
        from += at.unwrap() + piece.len();
    }
}

#[test]
fn the_first_twenty_lines_hold_the_four_answers() {
    let expected = [
        (
            "passes",
            [
                "passes",
                "more than 7.43\u{a0}kN",
                "Nothing, as far as can be seen",
                "Hand the line over",
            ],
        ),
        (
            "bracket",
            [
                "not decided",
                "6.41\u{a0}kN (95 % interval 6.25 to 6.58). Rule: allowance",
                "Both: the line in the stopper",
                "Fit a gauge",
            ],
        ),
        (
            "cannot-tell",
            [
                "no limits given",
                "Cannot tell",
                "Cannot tell with these gauges",
                "State what the line",
            ],
        ),
        (
            "simulated",
            [
                "fails",
                "1442\u{a0}lbf (95 % interval 1405 to 1478)",
                "Both",
                "Fit jaws",
            ],
        ),
        (
            "hostile",
            ["not decided", "6.41\u{a0}kN", "Both", "Fit a gauge"],
        ),
    ];
    for ((name, analysis), (other, answers)) in sample::all().into_iter().zip(expected) {
        assert_eq!(name, other);
        let report = report(&analysis);
        let [verdict, limit, moved, next] = answers;
        let markdown: String = report
            .markdown
            .lines()
            .take(20)
            .collect::<Vec<_>>()
            .join("\n");
        in_order(
            &markdown,
            &[
                "**Verdict:**",
                verdict,
                "**Limit:**",
                limit,
                "rate",
                "**What moved:**",
                moved,
                "**Next:**",
                next,
            ]
            .map(|t| {
                if t == "rate" && name != "cannot-tell" {
                    "loaded at"
                } else if t == "rate" {
                    "loaded"
                } else {
                    t
                }
            }),
        );
        in_order(
            &report.html,
            &[
                "<dt>Verdict</dt>",
                verdict,
                "<dt>Limit</dt>",
                limit,
                "<dt>What moved</dt>",
                moved,
                "<dt>Next</dt>",
                next,
            ],
        );
    }
}

#[test]
fn the_first_page_reads_like_this() {
    let first = |analysis: &Analysis| {
        report(analysis)
            .markdown
            .split("## Before you")
            .next()
            .unwrap()
            .to_owned()
    };
    insta::assert_snapshot!("first_page_bracket", first(&sample::bracket()));
    insta::assert_snapshot!("first_page_travel_only", first(&sample::cannot_tell()));
    insta::assert_snapshot!("first_page_survey_in_pounds", first(&sample::simulated()));
}

#[test]
fn nothing_in_a_sheet_becomes_markup() {
    let report = report(&sample::hostile());
    for bad in ["<script", "<img", "</style><style", "<b>"] {
        assert!(!report.markdown.contains(bad), "{bad}");
    }
    let without_own_style = report.html.replacen("<style>", "", 1);
    for bad in ["<script", "<img", "</style><style", "\u{202e}"] {
        assert!(!without_own_style.contains(bad), "{bad}");
    }
    assert!(
        report
            .html
            .contains("&lt;script&gt;alert(1)&lt;/script&gt;")
    );
    assert!(
        report
            .markdown
            .contains("&lt;script&gt;alert(1)&lt;/script&gt; \\| \\`x\\` \\[a\\]")
    );
    // Very long texts are cut, so that they cannot push the figures off the page.
    assert!(!report.html.contains(&"W".repeat(200)));
    assert!(
        !report
            .markdown
            .lines()
            .any(|l| l.starts_with("# head") || l.starts_with("- [ ]"))
    );
    // Every row of a table has as many cells as its head.
    let cells = |l: &str| l.replace("\\|", "").matches('|').count();
    let lines: Vec<&str> = report.markdown.lines().collect();
    for (i, line) in lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.starts_with("| ---") || l.starts_with("| --- |"))
    {
        for row in lines[i + 1..].iter().take_while(|l| l.starts_with('|')) {
            assert_eq!(cells(row), cells(line), "{row}");
        }
    }
}

#[test]
fn simulated_data_says_so_on_every_page() {
    let simulated = report(&sample::simulated());
    let sections = simulated.markdown.matches("\n## ").count();
    assert!(sections >= 10);
    assert_eq!(
        simulated.markdown.matches("*simulated data*").count(),
        sections + 1
    );
    assert!(
        simulated
            .html
            .contains("@top-center { content: \"simulated data\"")
            && simulated
                .html
                .contains("<p class=\"running\">simulated data</p>")
    );
    let real = report(&sample::passes());
    assert!(!real.markdown.contains("simulated") && !real.html.contains("simulated"));
}

/// Tags of an HTML text with what stands inside them, comments and the style apart.
fn tags(html: &str) -> Vec<&str> {
    html.split('<')
        .skip(1)
        .map(|t| t.split('>').next().unwrap())
        .filter(|t| !t.starts_with('!'))
        .collect()
}

#[test]
fn the_html_is_one_well_formed_file() {
    for (name, analysis) in sample::all() {
        let html = report(&analysis).html;
        let mut open: Vec<&str> = Vec::new();
        let mut ids: Vec<&str> = Vec::new();
        for tag in tags(&html) {
            let word = tag
                .trim_start_matches('/')
                .split([' ', '/', '\n'])
                .next()
                .unwrap();
            if tag.starts_with('/') {
                assert_eq!(open.pop(), Some(word), "{name}: </{word}>");
            } else if !tag.ends_with('/') && word != "meta" {
                open.push(word);
            }
            if let Some(id) = tag.split(" id=\"").nth(1) {
                ids.push(id.split('"').next().unwrap());
            }
            if word == "th" && !tag.starts_with('/') {
                assert!(tag.contains("scope="), "{name}: <{tag}>");
            }
        }
        assert!(open.is_empty(), "{name}: {open:?}");
        let count = ids.len();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), count, "{name}: an id stands twice");
        assert!(!html.contains("NaN") && !html.contains("infinit"), "{name}");
        for outside in ["src=", "href=", "url(", "@import"] {
            assert!(
                !tags(&html)
                    .iter()
                    .any(|t| t.replace("href=\"#", "").contains(outside)),
                "{name}: {outside}"
            );
        }
        assert_eq!(
            html.matches("<figure>").count(),
            html.matches("role=\"img\"").count()
        );
    }
}

/// Heads of a page's tables that lead to no text.
pub(super) fn bare_heads(html: &str) -> Vec<&str> {
    html.split("<th scope=\"col\">")
        .skip(1)
        .map(|t| t.split("</th>").next().unwrap())
        .filter(|head| !head.is_empty() && !head.starts_with("<a href=\"#about-"))
        .collect()
}

#[test]
fn every_head_of_a_table_leads_to_its_text() {
    for (name, analysis) in sample::all() {
        let html = report(&analysis).html;
        assert_eq!(bare_heads(&html), Vec::<&str>::new(), "{name}");
    }
}

#[test]
fn every_chart_is_shown_once_in_both_forms() {
    for (name, analysis) in sample::all() {
        let charts = draw_all(&analysis).unwrap();
        let report = render(&analysis, &charts);
        for chart in &charts {
            assert_eq!(
                report
                    .markdown
                    .matches(&format!("(charts/{})", chart.file_name))
                    .count(),
                1,
                "{name}/{}",
                chart.file_name
            );
        }
        assert_eq!(
            report.html.matches("<figure>").count(),
            charts.len(),
            "{name}"
        );
    }
}

#[test]
fn cautions_stand_in_every_report_with_the_energy() {
    for (name, analysis) in sample::all() {
        for text in [report(&analysis).markdown, report(&analysis).html] {
            in_order(
                &text,
                &[
                    "rules of the place and licensed practice come first",
                    "in a bight",
                    "lowest working load",
                    "88\u{a0}J",
                ],
            );
            assert!(!text.to_lowercase().contains("safe distance"), "{name}");
        }
    }
    let mut analysis = sample::passes();
    analysis.record.peak_load_kn = 21.0;
    assert!(report(&analysis).markdown.contains("MORE than that"));
    analysis.energy = crate::analysis::Energy::default();
    assert!(
        report(&analysis)
            .markdown
            .contains("could not be found from this record")
    );
}

/// Writes the reports of all samples to the folder named by `BITTEREND_PICTURES`, to be looked at.
#[test]
#[ignore = "writes files to look at"]
fn pages() {
    let folder = std::path::PathBuf::from(std::env::var("BITTEREND_PICTURES").unwrap());
    for (name, analysis) in sample::all() {
        let report = report(&analysis);
        std::fs::write(folder.join(format!("{name}.md")), report.markdown).unwrap();
        std::fs::write(folder.join(format!("{name}.html")), report.html).unwrap();
    }
}

#[test]
fn the_cause_and_its_remedies_are_told_in_both_forms() {
    let mut analysis = sample::bracket();
    let found = &mut analysis.diagnosis;
    found.finding = "The cover slid over the core; the stopper held the line.".into();
    found.remedies = ["Milk the cover", "Bind cover to core"]
        .map(|what| crate::diagnose::Remedy {
            what: what.into(),
            reason: "a <loose> cover does not press".into(),
            proof: "Pull a fresh length".into(),
        })
        .to_vec();
    found.notes = vec!["The treatment lies outside.".into()];
    found.next_pull = "Milk the cover; then pull a fresh length".into();
    analysis.verdict.word = crate::verdict::VerdictWord::Fails;
    let report = report(&analysis);
    let told = [
        "Do not hand the line over. Milk the cover; then pull a fresh length.",
        "Cause and remedy",
        "The cover slid over the core; the stopper held the line. Both interfaces were measured.",
        "The mark at the mouth moved",
        "Milk the cover.",
        "Why: a &lt;loose&gt; cover does not press. Proof: pull a fresh length.",
        "Bind cover to core.",
        "The treatment lies outside.",
        "Next pull: milk the cover; then pull a fresh length.",
    ];
    in_order(&report.markdown, &told);
    in_order(&report.html, &told);
    assert!(report.markdown.contains("\n2. **Bind cover to core.** Why"));
}

/// Stages speak kN and mm; a reader who asked for pounds and inches is told in those throughout.
#[test]
fn sentences_of_the_stages_speak_the_units_of_the_report() {
    let mut analysis = sample::simulated();
    analysis.verdict.grounds = vec!["Slip is at most 0.042 mm, allowed 5 mm.".into()];
    analysis.diagnosis.evidence = vec!["It moved: 3.57 mm, first seen at 4.5 kN.".into()];
    analysis.caveats = vec![crate::caveat::Caveat::new(
        "cell-zero-shifted",
        crate::caveat::Weight::Caution,
        "The zero moved by 0.02 kN between 0 and 2.5 mm.",
        "Warm the cell up.",
    )];
    let markdown = report(&analysis).markdown.replace('\u{a0}', " ");
    for told in [
        "at most 0.00165 in, allowed 0.197 in.",
        "It moved: 0.1406 in, first seen at 1010 lbf.",
        "The zero moved by 4.50 lbf between 0 and 0.0984 in.",
        "(`bitterend explain cell-zero-shifted`)",
    ] {
        assert!(markdown.contains(told), "{told} is missing in\n{markdown}");
    }
}

#[test]
fn where_no_cause_can_be_named_the_next_thing_names_the_gauge() {
    let mut analysis = sample::bracket();
    analysis.diagnosis.moved = crate::diagnose::Moved::CannotTell;
    analysis.diagnosis.sure = crate::diagnose::Sureness::CannotTell;
    analysis.diagnosis.next_pull = "Pull again with a tail mark.".into();
    let told = [
        "**Next:** Fit a gauge",
        "Pull again with a tail mark.",
        "none is listed before the cause is known",
    ];
    in_order(&report(&analysis).markdown, &told);
    // A fault of a gauge comes before any finer question.
    analysis.caveats.push(crate::caveat::Caveat::new(
        "gauge-fault",
        crate::caveat::Weight::NoVerdict,
        "The mark stood still.",
        "Mend it.",
    ));
    let markdown = report(&analysis).markdown;
    let next = markdown
        .lines()
        .find(|l| l.starts_with("**Next:**"))
        .unwrap();
    assert!(!next.contains("tail mark"), "{next}");
}
