use super::*;
use crate::chart::draw_comparison;
use crate::compare::tests::{confounded, matrix};
use crate::compare::{Settings, compare};

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
