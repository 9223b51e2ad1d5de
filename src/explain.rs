//! What the words of a report mean: one table of texts for `bitterend explain`, and for the links of the HTML report.
//!
//! Each text is written for a person on the dock: what it is, how it is found, what to do about it; then the formula and
//! the source. Facts of the trade without a source say so.

mod topics;

pub use topics::TOPICS;

/// One word explained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Topic {
    /// How it is asked for, in kebab-case.
    pub slug: &'static str,
    /// Its heading.
    pub title: &'static str,
    /// Heads of tables and codes of caveats that this text is about.
    pub also: &'static [&'static str],
    /// Paragraphs.
    pub text: &'static [&'static str],
}

/// The topic asked for by its name, its title, a head of a table or a code of a caveat; letters may be of either case.
#[must_use]
pub fn find(word: &str) -> Option<&'static Topic> {
    let word = word.trim().to_lowercase();
    let spaced = word.replace('-', " ");
    TOPICS.iter().find(|t| {
        t.slug == word
            || t.title.to_lowercase() == word
            || t.also.iter().any(|a| *a == word || *a == spaced)
    })
}

/// The topic of a table's head, which may end with a unit behind a comma, or go on behind words that have a topic.
#[must_use]
pub fn of_head(head: &str) -> Option<&'static Topic> {
    let plain = head.split(", ").next().unwrap_or(head);
    find(head)
        .or_else(|| find(plain))
        .or_else(|| {
            let rate = plain.trim_end_matches(" per decade");
            find(rate)
        })
        .or_else(|| {
            let begins = |a: &&str| a.contains(' ') && plain.starts_with(*a);
            TOPICS.iter().find(|t| t.also.iter().any(&begins))
        })
}

/// The topic of a caveat; what is not listed is explained with the verdict.
#[must_use]
pub fn of_caveat(code: &str) -> Option<&'static Topic> {
    find(code).or_else(|| find("verdict"))
}

/// The topics whose names are most like a word that is none.
#[must_use]
pub fn nearest(word: &str) -> Vec<&'static str> {
    let word = word.to_lowercase();
    let mut list: Vec<(f64, &str)> = TOPICS
        .iter()
        .map(|t| (strsim::jaro_winkler(&word, t.slug), t.slug))
        .collect();
    list.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    list.into_iter().take(3).map(|l| l.1).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_name_leads_to_one_text_with_something_in_it() {
        let mut names = BTreeSet::new();
        for topic in TOPICS {
            assert_eq!(find(topic.slug), Some(topic));
            assert!(
                topic.text.iter().map(|t| t.len()).sum::<usize>() > 100,
                "{}",
                topic.slug
            );
            for name in topic.also.iter().chain([&topic.slug]) {
                assert_eq!(*name, name.to_lowercase());
                // A slug may also stand among the heads of its own topic.
                assert!(
                    names.insert(*name) || topic.also.contains(&topic.slug),
                    "{name} twice"
                );
            }
        }
    }

    /// The codes stand in the sources as first argument of a caveat.
    #[test]
    fn caveats_lead_to_their_text() {
        let sources = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut codes = BTreeSet::new();
        codes_below(&sources, &mut codes);
        assert!(codes.len() > 40, "only {codes:?} found");
        let without: Vec<&String> = codes.iter().filter(|c| find(c).is_none()).collect();
        assert!(without.is_empty(), "no topic tells of {without:?}");
        assert_eq!(of_caveat("something-new").map(|t| t.slug), Some("verdict"));
    }

    /// Codes of the caveats in the sources of a folder, made-up ones of tests and samples left out.
    fn codes_below(folder: &std::path::Path, codes: &mut BTreeSet<String>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                codes_below(&path, codes);
            } else if !path.ends_with("chart/sample.rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
                for call in text.split("Caveat::new(").skip(1) {
                    if let Some(rest) = call.trim_start().strip_prefix('"') {
                        codes.insert(rest.split('"').next().unwrap().to_owned());
                    }
                }
            }
        }
    }

    #[test]
    fn heads_are_found_with_their_units() {
        for (head, slug) in [
            ("stopper slip with seating, mm", "stopper-slip"),
            ("creep, mm per decade", "holds"),
            ("rate at the end, in/min", "holds"),
            ("load, lbf", "cell"),
            ("Slip, mm", "what-stayed"),
            ("when the proof load of 4.00 kN was first reached", "travel"),
        ] {
            assert_eq!(of_head(head).map(|t| t.slug), Some(slug), "{head}");
        }
        assert_eq!(of_head("what the weather was"), None);
    }

    #[test]
    fn a_slip_of_the_pen_is_led_to_the_nearest() {
        assert_eq!(nearest("stoper-slip")[0], "stopper-slip");
    }
}
