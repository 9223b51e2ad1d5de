//! Two analyses compared figure by figure.

use serde_json::Value;

use super::Difference;

/// Figures that differ by less than this share of themselves are the same: the last digits may follow the processor.
/// What was typed over by hand changes the digest of its file, whatever its size.
const SAME: f64 = 1e-9;

/// Most differences that are listed; beyond them nobody reads.
const MOST: usize = 60;

/// Every leaf that differs, as `file, path: sealed, made again`.
#[must_use]
pub fn differences(file: &str, sealed: &Value, again: &Value) -> Vec<Difference> {
    let mut found = Vec::new();
    walk(file, String::new(), Some(sealed), Some(again), &mut found);
    found
}

fn walk(
    file: &str,
    path: String,
    sealed: Option<&Value>,
    again: Option<&Value>,
    found: &mut Vec<Difference>,
) {
    if found.len() >= MOST {
        return;
    }
    let below = |key: &str| {
        if path.is_empty() {
            key.to_owned()
        } else {
            format!("{path}.{key}")
        }
    };
    match (sealed, again) {
        (Some(Value::Object(a)), Some(Value::Object(b))) => {
            for key in a.keys().chain(b.keys().filter(|k| !a.contains_key(*k))) {
                walk(file, below(key), a.get(key), b.get(key), found);
            }
        }
        // A curve that moved is named once, by its first point.
        (Some(Value::Array(a)), Some(Value::Array(b)))
            if a.len() == b.len() && a.iter().chain(b).all(Value::is_number) =>
        {
            let first = (0..a.len()).find(|i| !same(a.get(*i), b.get(*i)));
            if let Some(i) = first {
                walk(file, format!("{path}[{i}]"), a.get(i), b.get(i), found);
            }
        }
        (Some(Value::Array(a)), Some(Value::Array(b))) => {
            for i in 0..a.len().max(b.len()) {
                walk(file, format!("{path}[{i}]"), a.get(i), b.get(i), found);
            }
        }
        (a, b) if same(a, b) => {}
        (a, b) => found.push(Difference::Figure {
            file: file.to_owned(),
            path: path.clone(),
            sealed: shown(a),
            again: shown(b),
        }),
    }
}

fn same(a: Option<&Value>, b: Option<&Value>) -> bool {
    match (a.and_then(Value::as_f64), b.and_then(Value::as_f64)) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME * a.abs().max(b.abs()),
        _ => a == b,
    }
}

fn shown(value: Option<&Value>) -> String {
    let Some(value) = value else {
        return "nothing".into();
    };
    let text = value.to_string();
    if text.chars().count() > 80 {
        text.chars().take(79).chain(['…']).collect()
    } else {
        text
    }
}

/// The first line that differs between two texts.
#[must_use]
pub fn line_difference(file: &str, sealed: &str, again: &str) -> Option<Difference> {
    let (mut a, mut b) = (sealed.lines(), again.lines());
    let mut line = 0;
    loop {
        line += 1;
        match (a.next(), b.next()) {
            (None, None) => return None,
            (a, b) if a == b => {}
            (a, b) => {
                // The lines may be long: from a little before the place where they part.
                let (a, b) = (a.unwrap_or("nothing"), b.unwrap_or("nothing"));
                let common = a.chars().zip(b.chars()).take_while(|(a, b)| a == b).count();
                let part = |text: &str| -> String {
                    text.chars()
                        .skip(common.saturating_sub(20))
                        .take(60)
                        .collect()
                };
                return Some(Difference::Line {
                    file: file.to_owned(),
                    line,
                    sealed: part(a),
                    again: part(b),
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_figure_that_differs_is_named_with_its_place() {
        let a = json!({"limit": {"load": [1.0, 2.0]}, "word": "passes", "gone": 1});
        let b = json!({"limit": {"load": [1.0, 2.001]}, "word": "fails", "new": null});
        let said: Vec<String> = differences("analysis.json", &a, &b)
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            said,
            [
                "analysis.json, gone: 1 in the folder, nothing made again",
                "analysis.json, limit.load[1]: 2.0 in the folder, 2.001 made again",
                "analysis.json, word: \"passes\" in the folder, \"fails\" made again",
                "analysis.json, new: nothing in the folder, null made again",
            ]
        );
    }

    #[test]
    fn the_line_that_differs_is_named() {
        assert_eq!(line_difference("r", "a\nb\n", "a\nb"), None);
        let said = line_difference("report.md", "a\n4.08 kN", "a\n4.09 kN").unwrap();
        assert_eq!(
            said.to_string(),
            "report.md, line 2: `4.08 kN` in the folder, `4.09 kN` made again"
        );
    }

    #[test]
    fn last_digits_are_no_difference() {
        let (a, b) = (json!([0.1, 5e-300]), json!([0.1 + 1e-16, 5e-300]));
        assert_eq!(differences("f", &a, &b), vec![]);
        assert_eq!(differences("f", &json!(0.1), &json!(0.100_000_1)).len(), 1);
    }
}
