//! Every chart of every sample: well-formed, labelled, finite and inside its frame.

use super::sample;
use super::*;

/// Attribute values of this name, as numbers.
fn numbers(svg: &str, name: &str) -> Vec<f64> {
    svg.split(&format!(" {name}=\""))
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap_or_default())
        .flat_map(|text| {
            text.split([' ', ','])
                .filter(|t| !t.is_empty())
                .map(|t| t.parse::<f64>().unwrap())
                .collect::<Vec<_>>()
        })
        .collect()
}

#[test]
fn every_chart_is_labelled_finite_and_inside_its_frame() {
    for (name, analysis) in sample::all() {
        let charts = draw_all(&analysis).unwrap();
        assert!(charts.len() >= 3, "{name}: {} charts", charts.len());
        for chart in charts {
            let svg = &chart.svg;
            let place = format!("{name}/{}", chart.file_name);
            assert!(!svg.contains("NaN") && !svg.contains("inf\""), "{place}");
            assert!(
                svg.contains("role=\"img\"")
                    && svg.contains("<title id=")
                    && svg.contains("<desc id="),
                "{place}"
            );
            assert!(
                chart.description.len() > 60,
                "{place}: {}",
                chart.description
            );
            assert_eq!(
                svg.contains("simulated data"),
                analysis.sheet.0.pull.simulated,
                "{place}"
            );
            assert!(
                !svg.contains("<script") && !svg.contains("onerror=alert(1)>"),
                "{place}"
            );
            assert!(svg.len() < 1_500_000, "{place}: {} bytes", svg.len());
            let [_, _, width, height] = numbers(svg, "viewBox")[..] else {
                panic!("{place}: viewBox")
            };
            for (attribute, most) in [("x", width), ("y", height), ("cx", width), ("cy", height)] {
                for v in numbers(svg, attribute) {
                    assert!((0.0..=most).contains(&v), "{place}: {attribute} = {v}");
                }
            }
            for pair in numbers(svg, "points").chunks(2) {
                assert!(
                    (0.0..=width).contains(&pair[0]) && (0.0..=height).contains(&pair[1]),
                    "{place}: {pair:?}"
                );
            }
        }
    }
}

/// Texts in the estimated width of a wide face stay on the paper and off each other.
#[test]
fn texts_stay_on_the_paper_and_off_each_other() {
    for (name, analysis) in sample::all() {
        for chart in draw_all(&analysis).unwrap() {
            let mut boxes: Vec<(f64, f64, f64, f64, String)> = Vec::new();
            for tag in chart.svg.split("<text ").skip(1) {
                let text = tag
                    .split_once('>')
                    .unwrap()
                    .1
                    .split("</text>")
                    .next()
                    .unwrap()
                    .trim();
                let text = text
                    .replace("&lt;", "<")
                    .replace("&gt;", ">")
                    .replace("&apos;", "'")
                    .replace("&quot;", "\"")
                    .replace("&amp;", "&");
                let tag = format!(" {}", tag.split_once('>').unwrap().0);
                let one = |a: &str| numbers(&tag, a)[0] / style::FINE;
                let (x, y, size) = (one("x"), one("y"), one("font-size"));
                let width = style::text_width(&text, size);
                let left = match tag
                    .split("text-anchor=\"")
                    .nth(1)
                    .unwrap()
                    .split('"')
                    .next()
                    .unwrap()
                {
                    "start" => x,
                    "middle" => x - width / 2.0,
                    _ => x - width,
                };
                let place = format!("{name}/{}: `{text}`", chart.file_name);
                assert!(
                    left >= 0.0 && left + width <= style::WIDTH,
                    "{place} from {left:.0} to {:.0}",
                    left + width
                );
                // Half a cap height up and down: what a reader sees as touching.
                let (top, bottom) = (y - 0.36 * size, y + 0.36 * size);
                for (l, t, r, b, other) in &boxes {
                    let apart = left >= *r || left + width <= *l || top >= *b || bottom <= *t;
                    assert!(apart, "{place} lies on `{other}`");
                }
                boxes.push((left, top, left + width, bottom, text.clone()));
            }
        }
    }
}

#[test]
fn a_bracket_is_drawn_without_a_value() {
    let charts = draw_all(&sample::bracket()).unwrap();
    let slip = charts
        .iter()
        .find(|c| c.file_name == "slip-and-limit.svg")
        .unwrap();
    assert!(
        slip.description.contains("cover slip between"),
        "{}",
        slip.description
    );
    assert!(slip.description.contains("drawn as a bracket"));
    let split = charts
        .iter()
        .find(|c| c.file_name == "split-over-time.svg")
        .unwrap();
    assert!(split.svg.contains("between ") && split.svg.contains("set and cover"));
}

#[test]
fn charts_speak_the_units_of_the_report() {
    for chart in draw_all(&sample::simulated()).unwrap() {
        assert!(
            !chart.svg.contains(" mm") && !chart.svg.contains("kN"),
            "{}",
            chart.file_name
        );
    }
}

#[test]
fn an_empty_or_broken_analysis_draws_what_it_can() {
    let mut analysis = sample::passes();
    analysis.traces = crate::analysis::Traces::default();
    analysis.separated.blocks = crate::phases::Blocks::default();
    analysis.separated.travel_m.clear();
    let names: Vec<String> = draw_all(&analysis)
        .unwrap()
        .into_iter()
        .map(|c| c.file_name)
        .collect();
    assert_eq!(
        names,
        [
            "creep-in-holds.svg",
            "creep-and-load.svg",
            "tension-aboard.svg",
            "uncertainty.svg"
        ]
    );

    let mut analysis = sample::passes();
    analysis.traces.load_kn.fill(f64::NAN);
    analysis.separated.blocks.load_n.fill(f64::INFINITY);
    analysis.separated.travel_m.fill(1.0);
    for chart in draw_all(&analysis).unwrap() {
        assert!(
            !chart.svg.contains("NaN") && !chart.svg.contains("inf\""),
            "{}",
            chart.file_name
        );
    }
}

/// Writes the charts of all samples to the folder named by `BITTEREND_PICTURES`, to be looked at.
#[test]
#[ignore = "writes files to look at"]
fn pictures() {
    let folder = std::path::PathBuf::from(std::env::var("BITTEREND_PICTURES").unwrap());
    for (name, analysis) in sample::all() {
        for chart in draw_all(&analysis).unwrap() {
            std::fs::write(
                folder.join(format!("{name}-{}", chart.file_name)),
                chart.svg,
            )
            .unwrap();
        }
    }
}

/// A long record stays a small picture: thinning keeps what pixels can show, extremes included.
#[test]
fn a_long_record_is_still_a_small_picture() {
    let mut analysis = sample::passes();
    let traces = &mut analysis.traces;
    let n = 200_000;
    let stretch_out = |v: &Vec<f64>| -> Vec<f64> { (0..n).map(|i| v[i * v.len() / n]).collect() };
    let phase = traces.phase.clone();
    traces.phase = (0..n).map(|i| phase[i * phase.len() / n]).collect();
    traces.time_s = (0..n).map(|i| 100.0 + 0.004 * i as f64).collect();
    traces.load_kn = stretch_out(&traces.load_kn);
    traces.travel_mm = stretch_out(&traces.travel_mm);
    traces.load_kn[123_457] = 9.9;
    for part in traces.parts.values_mut() {
        part.value = part.value.as_ref().map(stretch_out);
        part.low = stretch_out(&part.low);
        part.high = stretch_out(&part.high);
    }
    let charts = draw_all(&analysis).unwrap();
    let split = charts
        .iter()
        .find(|c| c.file_name == "split-over-time.svg")
        .unwrap();
    assert!(split.svg.len() < 300_000, "{} bytes", split.svg.len());
    // The one row with the highest load is drawn: 9.9 of 10 kN in a panel of 105 units below 74.
    let strokes: Vec<&str> = split
        .svg
        .split("<polyline")
        .filter(|t| t.contains("stroke=\"#1C222C\""))
        .collect();
    let highest = numbers(strokes[0], "points")
        .chunks(2)
        .map(|p| p[1])
        .fold(f64::INFINITY, f64::min);
    assert!(
        (highest - 10.0 * (74.0 + 0.01 * 105.0)).abs() < 1.0,
        "{highest}"
    );
}
