use super::*;
use crate::chart::draw_comparison;
use crate::compare::tests::{confounded, matrix};
use crate::compare::{Settings, compare};
use crate::report::tests::bare_heads;

#[test]
fn both_forms_say_who_holds_more_and_what_is_not_known() {
    let settings = Settings {
        matters: Some(0.05),
        diameter_mm: Some(9.0),
        ..Settings::default()
    };
    let c = compare(matrix(), Vec::new(), &settings);
    let charts = draw_comparison(&c).unwrap();
    let names: Vec<&str> = charts.iter().map(|c| c.file_name.as_str()).collect();
    for wanted in [
        "limits.svg",
        "differences.svg",
        "probability.svg",
        "sessions.svg",
    ] {
        assert!(names.contains(&wanted), "{names:?}");
    }
    for chart in &charts {
        assert!(
            !chart.svg.contains("NaN") && !chart.svg.contains("inf\""),
            "{}",
            chart.file_name
        );
        assert!(chart.svg.contains("simulated data"), "{}", chart.file_name);
    }
    let report = render_comparison(&c, &charts);
    assert_eq!(bare_heads(&report.html), Vec::<&str>::new());
    for text in [&report.markdown, &report.html] {
        for group in &c.groups {
            assert!(text.contains(&group.name), "{}", group.name);
        }
        assert!(text.contains("simulated data") && text.contains("prediction"));
    }
}

#[test]
fn a_refusal_stands_on_page_one() {
    let c = compare(confounded(), Vec::new(), &Settings::default());
    let report = render_comparison(&c, &draw_comparison(&c).unwrap());
    let head: String = report.markdown.lines().take(8).collect();
    assert!(
        head.contains("Not ranked") && head.contains("never met"),
        "{head}"
    );
    assert!(
        report
            .markdown
            .contains("as a control it connects the sessions")
    );
}

/// Names of pulls and lines are texts of strangers.
#[test]
fn texts_of_sheets_stay_text() {
    let mut pulls = matrix();
    for p in &mut pulls {
        p.line_kind = format!("{}<script>alert(1)</script>|*_", p.line_kind);
    }
    let c = compare(pulls, Vec::new(), &Settings::default());
    let report = render_comparison(&c, &draw_comparison(&c).unwrap());
    assert!(!report.html.contains("<script>") && !report.markdown.contains("<script>"));
}

#[test]
fn every_table_of_a_plan_leads_to_its_texts() {
    let sheet = toml::from_str(
        "[pull]\nlog = 'log.csv'\n[line]\ndiameter = '10 mm'\nbreak_load = '40 kN'\n[gauges.load]\ncolumn = 'load'\ncapacity = '20 kN'\n[limits]\nproof = '4 kN'\nhold = '60 s'",
    )
    .unwrap();
    let settings = crate::prepare::Settings {
        diameter_mm: Some(10.0),
        load_kn: Some(5.0),
        ..crate::prepare::Settings::default()
    };
    let plan = crate::prepare::plan(matrix(), Some(&sheet), &settings);
    let html = render_plan(&plan).html;
    assert!(html.matches("<table").count() >= 4);
    assert_eq!(bare_heads(&html), Vec::<&str>::new());
}
