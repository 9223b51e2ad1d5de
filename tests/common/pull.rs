//! One small pull of an invented line, from which the folders of defects and of dialects are made.

/// Rows per second.
pub const RATE: u32 = 4;

/// One row: quarter seconds, load in N, travel and mark in µm: whole numbers, so that every style writes the same value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    pub quarters: u32,
    pub load: i64,
    pub travel: i64,
    pub mark: i64,
}

/// Load in N at the corners of the schedule, s.
const CORNERS: [(f64, f64); 14] = [
    (0.0, 0.0),
    (5.0, 0.0),
    (8.0, 300.0),
    (18.0, 300.0),
    (38.0, 2000.0),
    (48.0, 2000.0),
    (58.0, 300.0),
    (70.0, 300.0),
    (100.0, 4000.0),
    (112.0, 4000.0),
    (124.0, 300.0),
    (134.0, 300.0),
    (136.0, 0.0),
    (143.0, 0.0),
];

/// Noise between −1 and 1 that never repeats, from a multiplicative hash.
fn noise(i: u32, channel: u32) -> f64 {
    let hash = (i * 3 + channel).wrapping_mul(2_654_435_761);
    f64::from(hash >> 8) / f64::from(1 << 23) - 1.0
}

/// The whole pull: slack, first dwell, two steps with holds and rests, slack. The line stretches with a soft toe, beds in
/// at new highest loads and slips a little in the stopper above 2.5 kN.
#[must_use]
pub fn rows() -> Vec<Row> {
    let mut highest = 0.0_f64;
    (0..=143 * RATE)
        .map(|i| {
            let t = f64::from(i) / f64::from(RATE);
            let at = CORNERS
                .partition_point(|c| c.0 <= t)
                .clamp(1, CORNERS.len() - 1);
            let ((a, x), (b, y)) = (CORNERS[at - 1], CORNERS[at]);
            let load = x + (y - x) * ((t - a) / (b - a)).clamp(0.0, 1.0);
            highest = highest.max(load);
            let stretch = 8000.0 * (load / 1000.0) + 3000.0 * (1.0 - (-load / 200.0).exp());
            let set = 900.0 * (highest / 1000.0);
            let slip = 1500.0 * ((highest - 2500.0) / 1000.0).max(0.0);
            let give = 60.0 * load / 1000.0;
            let whole = |value: f64| {
                #[expect(clippy::cast_possible_truncation, reason = "a few thousand")]
                let rounded = value.round() as i64;
                rounded
            };
            Row {
                quarters: i,
                load: whole(load + 4.0 * noise(i, 0)),
                travel: whole((stretch + set + slip + give + 15.0 * noise(i, 1)) / 10.0) * 10,
                mark: whole((slip + give + 0.005 * stretch + 10.0 * noise(i, 2)) / 10.0) * 10,
            }
        })
        .collect()
}

/// A whole number of parts as a decimal text.
#[must_use]
pub fn decimal(value: i64, decimals: u32, mark: char) -> String {
    let unit = 10_i64.pow(decimals);
    let sign = if value < 0 { "-" } else { "" };
    let (whole, rest) = (value.abs() / unit, value.abs() % unit);
    if decimals == 0 {
        return format!("{sign}{whole}");
    }
    let width = decimals as usize;
    format!("{sign}{whole}{mark}{rest:0width$}")
}

impl Row {
    /// Time in s, load in kN, travel and mark in mm.
    #[must_use]
    pub fn cells(&self, mark: char) -> [String; 4] {
        [
            decimal(i64::from(self.quarters) * 25, 2, mark),
            decimal(self.load, 3, mark),
            decimal(self.travel / 10, 2, mark),
            decimal(self.mark / 10, 2, mark),
        ]
    }
}

/// A table of rows under a header.
#[must_use]
pub fn table(header: &str, separator: &str, mark: char, rows: &[Row]) -> String {
    let mut text = format!("{header}\n");
    for row in rows {
        text += &row.cells(mark).join(separator);
        text.push('\n');
    }
    text
}

/// The sheet that fits [`table`] under the header `Time,Load,Travel,Mark`.
pub const SHEET: &str = "\
# Invented pull on an invented line.

[pull]
id = \"small\"
when = \"2026-05-14T09:30:00+02:00\"
place = \"rope loft at Sandgrind Quay (invented)\"
log = \"log.csv\"

[line]
construction = \"double braid\"
core = \"polyester\"
cover = \"polyester\"
free_length = \"3.3 m\"
cover_at_eye = \"locked\"

[gauges.load]
column = \"Load\"
unit = \"kN\"
capacity = \"10 kN\"
accuracy = \"0.5 % of reading\"

[gauges.travel]
column = \"Travel\"
unit = \"mm\"
accuracy = \"0.05 mm\"

[gauges.mark]
column = \"Mark\"
unit = \"mm\"
accuracy = \"0.05 mm\"
distance = \"20 mm\"
";
