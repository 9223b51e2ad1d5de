//! What the words of a report mean: one table of texts for `bitterend explain`, and for the links of the HTML report.
//!
//! Each text is written for a person on the dock: what it is, how it is found, what to do about it; then the formula and
//! the source. Facts of the trade without a source say so.

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

/// Every topic, in the order of the report.
pub const TOPICS: &[Topic] = &[
    Topic {
        slug: "verdict",
        title: "The verdict",
        also: &["caveats"],
        text: &[
            "Passes: the proof load was reached with the cell's uncertainty taken off, it was held for the time that the sheet asks for, and slip is surely within what the sheet allows. Fails: slip is surely beyond it. Not decided: neither is sure, and the report says what would decide it.",
            "\"Surely\" means the one-sided 95 % bound; a bracket counts whole. Slip is judged where the hold was complete, seating apart. A gauge fault or a balance that does not close leaves every verdict open.",
            "Formula: measured load − U ≥ proof load, with U the expanded uncertainty of the cell; upper bound of slip ≤ allowed.",
            "Source: decision rule after JCGM 106:2012, 8.3 (guarded acceptance); the allowances are the sheet's own.",
        ],
    },
    Topic {
        slug: "interval",
        title: "Intervals and digits",
        also: &["source", "figure"],
        text: &[
            "A figure such as 3.46 (3.29 to 3.62) gives the best value and the range that holds the true one with 95 % confidence. It takes in the noise of the record, the errors that the sheet states for the instruments, and the choice between laws that fit alike. What the sheet does not state is not in it.",
            "\"At most\" means: nothing was seen, and this is the most it can be. \"Above\" means: this was carried without reaching the limit.",
            "Figures are shown with the first digit of their standard uncertainty, and the second where the first is 1 or 2. Bounds and brackets are rounded outward. analysis.json has every digit.",
            "Formula: u² = Σ u_i², and the interval from the distribution of the sum. Source: JCGM 100:2008 (GUM), 5.1 and 7.2.6; JCGM 101:2008.",
        ],
    },
    Topic {
        slug: "bracket",
        title: "A bracket: between two ends",
        also: &["how"],
        text: &[
            "The gauges give two ends and nothing between. It is no interval around a best value: every figure inside is as good as any other, and no more rows and no cleverer fit narrow it. Only another gauge or another cycle does; the report names it.",
            "The usual case: set and cover slip at new highest loads. Both come with the load, neither goes back, and one can always be written as the other.",
            "Source: the balance itself; set is a non-decreasing function of the highest load so far, and so may slip be.",
        ],
    },
    Topic {
        slug: "travel",
        title: "Travel and its parts",
        also: &["travel", "step"],
        text: &[
            "How far the pulled point moved since the first dwell at pre-tension, read against the rig. All parts add up to it.",
            "Formula: P = give + stretch + set + stopper slip + cover slip. Each part is zero at the first dwell.",
        ],
    },
    Topic {
        slug: "stretch",
        title: "Stretch",
        also: &["stretch"],
        text: &[
            "What comes back when the load goes: at once, or slowly over minutes to an hour. In a hold it creeps like slip; in a rest it comes back, which slip never does. That is how the two are told apart, and why a pull needs unloadings.",
            "The curve bends: soft at first, stiffer with load, and a loop between the way up and the way down.",
            "Formula: fitted shapes of load and time, all of which return; the weights of neighbouring lags in time are alike within a factor of two. Source: retarded elasticity as a sum of lags, common in the mechanics of polymers (Ferry 1980, from memory).",
        ],
    },
    Topic {
        slug: "set",
        title: "Set (bedding in)",
        also: &["set"],
        text: &[
            "Braid and splice settle with each new highest load: most of it at once, some in later cycles, each time less. It does not come back and is no slip. A line that was bedded in before shows little.",
            "Repeat the same cycles: what shrinks is set, what does not is slip (common practice, no source).",
        ],
    },
    Topic {
        slug: "stopper-slip",
        title: "Stopper slip",
        also: &["stopper slip", "stopper slip with seating", "where"],
        text: &[
            "Line moving through the stopper. Its first part is seating: the jaws bite. The rest is progressive, and is what the sheet's allowance and the verdict are about. The table of parts counts both.",
            "A mark on the tail shows it best, for no stretch is in it; a mark on the cover at the mouth shows it with the give of mount and jaws and a little stretch before it.",
            "Formula: T = give of the jaws + slip at the tail; M = give + slip + (a/L)·(travel − give − slip) at a mark a distance a from the mouth on a free length L.",
        ],
    },
    Topic {
        slug: "seating",
        title: "Seating",
        also: &["seating (the jaws biting)"],
        text: &[
            "The jaws bite: a first slip of tenths of a millimetre to some millimetres that ends by itself once the grip has closed. It says nothing about the limit and is kept apart from progressive slip (common practice, no source).",
        ],
    },
    Topic {
        slug: "cover-slip",
        title: "Cover slip",
        also: &["cover slip"],
        text: &[
            "Core moving inside the cover at the mouth: the jaws hold the cover, the core carries the load. Draw-in of the core end at the bitter end shows it, unless the end is whipped or a long tail stores some of it.",
            "A cover locked at the eye takes up load as the core slides under it: such slip limits itself, and part of it comes back on unloading.",
            "Formula: draw-in ≤ cover slip ≤ draw-in + set, narrowing to draw-in once it follows one to one.",
        ],
    },
    Topic {
        slug: "give",
        title: "Give of mount and jaws",
        also: &["give of mount and jaws"],
        text: &[
            "Movement of the stopper's mount and jaws that comes back with the load. A gauge on the body shows the mount; what the jaws give shows only when the load goes.",
        ],
    },
    Topic {
        slug: "what-stayed",
        title: "What did not come back",
        also: &[
            "what did not come back",
            "set and cover slip together",
            "slip",
        ],
        text: &[
            "Set and every slip together: travel that was still there after unloading. \"Came back\" means within the rest of this record; what comes back later still counts as stayed. A rest as long as the longest hold keeps that small.",
            "Set and cover slip together is the part of it that is left when stopper slip is known by itself.",
        ],
    },
    Topic {
        slug: "limit",
        title: "The holding limit, and by which rule",
        also: &["rule", "rate or hold", "limit-of-one-interface"],
        text: &[
            "At what load the pair lets go depends on what counts as letting go, and on how fast it is loaded: first slip can move by a quarter between 0.01 and 1 kN/s (common practice, no source). So each figure names its rule and its rate. The pair's limit is that of the interface that reaches the rule first; the other then held up to that load.",
            "First slip: progressive slip has reached 0.1 mm or three standard uncertainties, whichever is more. Allowance: slip, or its rate in a hold, reaches what the sheet allows. Running: the line runs through at the stated speed.",
            "Not reached: held this load for this time within the rule. That is a lower bound and never a limit.",
        ],
    },
    Topic {
        slug: "projection",
        title: "Projections",
        also: &["projections-disagree"],
        text: &[
            "A curve fitted to the record and carried past the highest load. It is no measurement, says how far it leaps, and enters neither the limit nor the verdict. Where several curves fit alike and part beyond, the report shows that they do.",
        ],
    },
    Topic {
        slug: "holds",
        title: "Creep in holds",
        also: &[
            "law",
            "creep",
            "rate at the end",
            "held for",
            "hold-turned-to-running",
        ],
        text: &[
            "Slip in a hold either slows with the logarithm of time (a creep per decade: as much from 10 s to 100 s as from 100 s to 1000 s) or goes on evenly (a rate). Which of the two is tested in each hold; where neither is plain, the law is \"cannot tell\" and both are given.",
            "The first settles, the second does not: a hold that goes on evenly ends with the line on the deck.",
            "Formula: s = s₀ + c·log₁₀(t/t₀), or s = s₀ + v·t.",
        ],
    },
    Topic {
        slug: "running",
        title: "Running through",
        also: &["running-load-falls"],
        text: &[
            "The line moves through the closed stopper while the load stays or falls. The mean load at the stated speed is the running limit; with jumps, peaks and troughs stand beside it. A load that falls while it runs means that the held length is being polished or cut: stop, and hold another length next time.",
        ],
    },
    Topic {
        slug: "transfer",
        title: "Transfer",
        also: &["transfer from winch to stopper"],
        text: &[
            "The winch is eased and the stopper takes the load: the moment that the trade asks about. Given are the tension before, 10 s and 10 min after, and the slip of that moment.",
            "Until then the tail holds a part of the line's load. With a cell on the tail the stopper is credited with the rest only: load of the cell less load of the tail, counted from where the tail hangs slack. Taken over within seconds, biting cannot be told from slipping: the first slip is then a bracket.",
        ],
    },
    Topic {
        slug: "aboard",
        title: "Tension kept aboard",
        also: &["rig-taken-as-rigid"],
        text: &[
            "The slip found on the dock, put on the line as it will be installed. The same slip that a stretchy line hardly notices empties a stiff one: 50 mm on 15 m at 4 kN leaves a polyester line most of its load, and an HMPE line a fifth (common practice, no source).",
            "Formula: e(F₁)·L + F₁/k + q = e(F₀)·L + F₀/k, with e the strain of the bedded line on the way down from F₀, k the give of mast, sheave and sail, q the slip. Without k the rig is taken as rigid, which overstates the loss.",
            "Only within the loads measured; time at most a decade past the longest hold.",
        ],
    },
    Topic {
        slug: "energy",
        title: "Energy in a loaded line",
        also: &[],
        text: &[
            "Half the highest load times the travel that came back: the most that the line gives back if it parts. It is an upper figure, and no safe distance follows from it. Nobody stands in line with, beside or in the bight of a loaded line.",
            "Formula: E ≤ ½·F_max·x, scaled to the whole loaded length; beside it the area under the unloading curve over the gauge length only.",
        ],
    },
    Topic {
        slug: "closure",
        title: "Does the balance close",
        also: &[
            "gauge",
            "left over",
            "noise alone",
            "balance-does-not-close",
        ],
        text: &[
            "What the parts leave unexplained in each gauge, against what noise alone would leave. Much more means that something moved that is not in the balance: a gauge slipped, a unit or sign is wrong, two gauges are swapped. No verdict rests on a record whose balance does not close.",
            "Formula: root mean square of reading − sum of parts.",
        ],
    },
    Topic {
        slug: "lag",
        title: "Lag behind the load",
        also: &["lag behind the load", "gauge-lags"],
        text: &[
            "A gauge that answers later than the load cell makes loops that look like hysteresis. The lag is found from the record and taken out. Set the same filter on all channels of the logger.",
            "It is taken out from twice its own uncertainty, which is never below 0.02 s, for the line's quick recovery rounds corners as a lag does. What the fit makes of a smaller one may as well be slip and stands in the budget of uncertainty under lags too small to tell.",
        ],
    },
    Topic {
        slug: "cell",
        title: "The load cell",
        also: &[
            "load",
            "accuracy",
            "full scale",
            "certificate",
            "cell-over-capacity",
            "cell-too-large",
            "cell-zero-one-end",
            "cell-zero-shifted",
            "no-slack-reading",
            "load-missing",
        ],
        text: &[
            "Zero and drift are seen in slack readings at both ends of the record, and only there: leave the line slack for some seconds before and after. An error of gain leaves no trace in the log; it comes from the certificate, whole, into every load. Below a fifth of its capacity a cell is commonly not calibrated; above it, it clips.",
            "Where the sheet states no accuracy, none is counted, and the report says so.",
            "Source: ISO 376:2011 for the range of calibration (from memory).",
        ],
    },
    Topic {
        slug: "gauges",
        title: "Gauges and what they are read against",
        also: &[
            "column",
            "read against",
            "gauge-clipped",
            "gauge-fault",
            "mark-distance-unknown",
            "what would tell more",
            "known",
            "part",
        ],
        text: &[
            "Each gauge is read against something: the rig, the stopper or the cover's end. Travel alone tells what came back and what did not. A mark on the cover at the mouth or on the tail tells stopper slip. Draw-in of the core tells cover slip. A gauge on the stopper's body tells the give of the mount.",
            "A gauge at its end of travel clips flat, one that came loose jumps or stands still: such a record decides nothing until the gauge is mended.",
        ],
    },
    Topic {
        slug: "record",
        title: "The record",
        also: &[
            "record-has-gaps",
            "no-first-dwell",
            "no-unloading",
            "short-rest",
            "file",
            "bytes",
            "sha-256",
            "what it is",
            "time",
            "what",
            "remark",
        ],
        text: &[
            "A good record begins slack, dwells at pre-tension, loads in steps with an unloading after each, rests after the last as long as the longest hold, and ends slack. Without an unloading nothing tells stretch from slip. What happened in a gap of the log is not known.",
            "The digest (SHA-256) of each file shows whether a file is the one that was read.",
        ],
    },
    Topic {
        slug: "locked-line",
        title: "A locked line loses load",
        also: &["relaxation-of-a-locked-line", "slip-while-locked"],
        text: &[
            "With both ends held, load falls although nothing slips: the line relaxes. That is no failure. Only movement at a gauge is slip.",
        ],
    },
    Topic {
        slug: "explanations",
        title: "Explanations of a survey",
        also: &[
            "explanation",
            "state",
            "evidence",
            "if",
            "the record",
            "gauge that speaks against it",
        ],
        text: &[
            "The record is read again with one slip held at nothing, and all other parts may make up for it. Excluded means: what the gauges then leave over is more than their noise and stated errors can do. Fits means no more than that. What cannot be told apart fits to the same digit, and only another gauge would tell.",
            "Formula: loss in the sum of squares over noise, against the 99.9 % point of chi-squared with one degree of freedom per place at which the slip could grow. Source: Silvapulle and Sen 2005, chapter 3, for why that is on the late side (from memory).",
        ],
    },
    Topic {
        slug: "seal",
        title: "Seals and signatures",
        also: &[],
        text: &[
            "`bitterend seal` writes digests of every input and output, the settings and the version into seal.json; `bitterend reproduce` checks them, makes the results again and names what differs, down to the figure. Without a signature a seal shows change, not forgery: whoever can change the files can seal them anew. A signature shows which key sealed them.",
            "A signature is in the open format of OpenSSH, name space bitterend, and plain ssh-keygen checks it: ssh-keygen -Y verify -n bitterend -f SIGNERS -I NAME -s seal.json.sig < seal.json",
            "Source: SHA-256, FIPS 180-4; PROTOCOL.sshsig of OpenSSH.",
        ],
    },
];

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

/// The topic of a table's head, which may end with a unit behind a comma.
#[must_use]
pub fn of_head(head: &str) -> Option<&'static Topic> {
    let plain = head.split(", ").next().unwrap_or(head);
    find(head).or_else(|| find(plain)).or_else(|| {
        let rate = plain.trim_end_matches(" per decade");
        find(rate)
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
        for code in [
            "cell-zero-shifted",
            "gauge-clipped",
            "no-unloading",
            "mark-distance-unknown",
        ] {
            assert_eq!(find(code), of_caveat(code));
            assert!(find(code).is_some());
        }
        assert_eq!(of_caveat("something-new").map(|t| t.slug), Some("verdict"));
    }

    #[test]
    fn heads_are_found_with_their_units() {
        for (head, slug) in [
            ("stopper slip with seating, mm", "stopper-slip"),
            ("creep, mm per decade", "holds"),
            ("rate at the end, in/min", "holds"),
            ("load, lbf", "cell"),
            ("Slip, mm", "what-stayed"),
        ] {
            assert_eq!(of_head(head).map(|t| t.slug), Some(slug), "{head}");
        }
        assert_eq!(
            of_head("when the proof load of 4.00 kN was first reached"),
            None
        );
    }

    #[test]
    fn a_slip_of_the_pen_is_led_to_the_nearest() {
        assert_eq!(nearest("stoper-slip")[0], "stopper-slip");
    }
}
