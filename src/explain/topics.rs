//! The texts, in the order of the report.

use super::Topic;

/// Every topic, in the order of the report.
pub const TOPICS: &[Topic] = &[
    Topic {
        slug: "verdict",
        title: "The verdict",
        also: &["caveats", "allowed", "proof load"],
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
        also: &["figure", "method"],
        text: &[
            "A figure such as 3.46 (3.29 to 3.62) gives the best value and the range that holds the true one with 95 % confidence. It takes in the noise of the record, the errors that the sheet states for the instruments, and the choice between laws that fit alike. What the sheet does not state is not in it.",
            "\"At most\" means: nothing was seen, and this is the most it can be. \"Above\" means: this was carried without reaching the limit.",
            "Figures are shown with the first digit of their standard uncertainty, and the second where the first is 1 or 2. Bounds and brackets are rounded outward. analysis.json has every digit.",
            "Formula: u² = Σ u_i², and the interval from the distribution of the sum. Source: JCGM 100:2008 (GUM), 5.1 and 7.2.6; JCGM 101:2008.",
        ],
    },
    Topic {
        slug: "uncertainty",
        title: "Where the uncertainty comes from",
        also: &["source", "budget"],
        text: &[
            "Noise of the record: what other noise of the same kind would have made of the same pull. Accuracy, zero and drift of a gauge: what the sheet states, whole, for no number of rows averages a certificate away. The mark's share, the distance of the mark, the cover at the eye: what the sheet does not know of the line.",
            "Bends within the noise: slip that comes and goes again within the noise of a few seconds. Lags too small to tell: a gauge that answers late by less than the record shows. Noise that a slip cannot give back: a slip may only grow, so noise that makes it rise stays in it; what that comes to is taken out and its share stands here.",
            "The longest line says what to buy or do next: a finer gauge against noise, a certificate against accuracy, slack at both ends against zero and drift.",
            "Formula: u² = Σ u_i²; a stated half width a counts as a/√3. Source: JCGM 100:2008 (GUM), 4.3.7 and 5.1.",
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
        also: &["travel", "at the end", "when the proof load"],
        text: &[
            "How far the pulled point moved since the first dwell at pre-tension, read against the rig. All parts add up to it.",
            "The table of parts gives each at the end of the record, or of the run where the line ran through, and when the proof load was first reached: the moment that the verdict and the limit ask about.",
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
        also: &[
            "rule",
            "rate or hold",
            "limit-of-one-interface",
            "first slip",
            "allowance",
        ],
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
            "What the parts leave unexplained in each gauge, against what noise alone would leave: that of the gauge itself and, for the travel, that of the load through the line's stretch. Much more means that something moved that is not in the balance: a gauge slipped, a unit or sign is wrong, two gauges are swapped. No verdict rests on a record whose balance does not close.",
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
        slug: "certificates",
        title: "Certificates",
        also: &[
            "certificate",
            "certificate-out-of-date",
            "certificate-later-than-pull",
        ],
        text: &[
            "A gauge is worth what its last comparison with a better one says, on the day of the pull. Out of date means: its owner set a last day, and the pull came after. The figures stand, but nobody vouches for them until the gauge is compared again; if it is then still right, it was right on the day of the pull.",
            "A certificate that is younger than the pull vouches for an earlier day only with a reason.",
            "Source: the dates are the sheet's; common practice, no source, for a year between comparisons.",
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
            "step",
            "known",
            "part",
            "gauge-never-moved",
            "gauge-runs-backwards",
            "gauge-stuck",
            "gauges-swapped",
            "spikes",
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
            "first-dwell-slack",
            "pretension-not-stated",
            "no-unloading",
            "short-rest",
            "file",
            "bytes",
            "sha-256",
            "what it is",
            "time",
            "what",
            "remark",
            "rate-too-low",
        ],
        text: &[
            "A good record begins slack, dwells at pre-tension, loads in steps with an unloading after each, rests after the last as long as the longest hold, and ends slack. Without an unloading nothing tells stretch from slip. What happened in a gap of the log is not known.",
            "The digest (SHA-256) of each file shows whether a file is the one that was read.",
        ],
    },
    Topic {
        slug: "log",
        title: "How the log was read",
        also: &[
            "cells-unreadable",
            "log-as-understood",
            "logger-restarted",
            "rows-put-in-order",
            "rows-repeated",
        ],
        text: &[
            "What a logger writes is found from the file itself (separator, decimal mark, units, form of the time) and stated; two ways to read a file are an error that names both. Keys of the sheet force each choice.",
            "No row is dropped in silence. A cell that is no number is counted, and the first few are named with their line; beyond one in a hundred of a column the log is refused, and of a short log none may be. A row that comes a moment late is put in its place; one that stands there twice counts once.",
            "A logger that began anew in the middle leaves a gap: what moved in it is known as a whole only.",
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
        slug: "repeats",
        title: "What repeated pulls say of the next line",
        also: &[
            "cell-gain-not-stated",
            "line",
            "lines that let go",
            "lines-not-named",
            "lognormal",
            "lower tolerance bound",
            "median",
            "normal",
            "of rated",
            "pair",
            "prediction (en 1990)",
            "pull",
            "pulls",
            "scatter",
            "sheets-ask-differently",
            "success run",
            "weibull",
        ],
        text: &[
            "The unit is the line: lengths cut from one line are alike, so ten pulls of one line say little of the next. A pull that ended before the line let go counts as what it is, above that load.",
            "Median: half of such lines let go below it. Lower tolerance bound: the load that a stated share of all such lines exceeds, with a stated confidence; from three or four lines it lies far below the lowest of them, and that is no fault. Prediction: what the next line holds with 95 %, without a confidence. Success run: where every line held, the share that this proves.",
            "Lognormal was set beforehand; normal and Weibull stand beside it and show how much hangs on that. The error of the cell is common to all pulls and is added once.",
            "Formula: bound = mean − k·s of the logarithms, k from the non-central t; success run: C = 1 − Rⁿ. Source: ISO 16269-6 (from memory); EN 1990:2002, annex D.7.",
        ],
    },
    Topic {
        slug: "differences",
        title: "Which pair holds more",
        also: &[
            "holds more by",
            "place",
            "scatter-borrowed",
            "what can be said",
        ],
        text: &[
            "Pairs are compared within sessions, for a day or a rig moves all its pulls alike. The intervals hold all together with 95 %, so that the best of many pairs is not best by chance. \"Not told apart\" is an answer: with so few lines either may hold more. A place such as 2 to 4 means that any place between is possible.",
            "A pair of which one line only let go has no scatter of its own; that of the others stands in.",
            "Formula: difference of mean logarithms over its standard error, against Tamhane's bound for all pairs; as a ratio, exp of that. Source: Tamhane 1979 (from memory).",
        ],
    },
    Topic {
        slug: "sessions",
        title: "Sessions, and figures of an interlaboratory study",
        also: &["h", "k", "r", "s_r", "session", "sessions-not-stated"],
        text: &[
            "A session is a day on a rig. s_r is the spread of lines within a session, s_R that of lines from different sessions; r and R are the differences between two lines that are exceeded once in twenty, within and between sessions. h says how far a session lies from the mean of all, k how much more it scatters than the others.",
            "Pairs that were each pulled on a day of their own cannot be ranked: pull some of each on the same day.",
            "Formula: r = 2.8 s_r, R = 2.8 s_R. Source: ASTM E691, ISO 5725-2.",
        ],
    },
    Topic {
        slug: "rates",
        title: "Limits at different rates",
        also: &["brought-to-one-rate", "rate-not-known"],
        text: &[
            "A line loaded fast holds more for a moment than one loaded slowly. Limits of different rates are brought to one by the law that these very pulls show, or not ranked. What the law leaves is in every difference, so pull at one rate.",
            "Formula: ln(load) = a + b·ln(rate), fitted within pairs.",
        ],
    },
    Topic {
        slug: "plan",
        title: "How many pulls, and in which order",
        also: &[
            "basis",
            "enough",
            "holds with confidence",
            "kept",
            "lines",
            "lines of each",
            "median over the load",
            "probability",
            "turn",
            "what is done",
        ],
        text: &[
            "Before the first pull: with how many lines of each pair a difference that matters is found, and with what probability; how many lines a tolerance bound needs to reach a load; in which order to pull, so that no day, rig or tired hand stands for a pair. Each session pulls some of every pair, in an order drawn by lot.",
            "The scatter is what the sheet or the demo says, not what your lines will show: after the first session, plan again with the scatter that was found.",
            "Formula: power from the non-central t of the difference of mean logarithms. Source: the same bounds as for the comparison itself.",
        ],
    },
    Topic {
        slug: "wear",
        title: "Wear",
        also: &["change per event", "counted", "load at none"],
        text: &[
            "The same length in the same grip holds less after each loaded release, haul or cycle. Given are the load before the first, the change per event, and the number at which the line no longer holds the proof load. Where the pulls do not bound that number from above, only \"not before\" is said.",
            "Formula: ln(load) = a + b·n; crossing where the line and its interval meet the proof load (Fieller).",
        ],
    },
    Topic {
        slug: "diameter",
        title: "Diameter in the stopper's span",
        also: &[
            "asked for",
            "change over the span",
            "small-end-of-the-span",
            "tested",
        ],
        text: &[
            "A stopper states a span of diameters, and its rated load holds for the thickest. A line at the small end may hold two fifths to three quarters of it (common practice, no source). Bulk the core, add a second cover, or take a grip with a smaller span.",
            "From pulls of several diameters the tool predicts one between them, with an interval for the next line, and refuses to go outside.",
            "Formula: ln(load) = a + b·position, position from 0 at the small end to 1 at the thick end.",
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
