//! Writes a pull folder with a long log, for the benchmarks of speed: `long_log FOLDER ROWS [COLUMNS]`.
//!
//! An invented pull at 1 kHz, ramps, holds and rests over the whole length, six columns (or five) with noise that never
//! repeats. Nothing random, nothing from a clock: the same words give the same bytes.

use std::io::{BufWriter, Write as _};
use std::path::Path;

/// Load in kN at shares of the record.
const CORNERS: [(f64, f64); 12] = [
    (0.0, 0.0),
    (0.03, 0.0),
    (0.05, 0.3),
    (0.12, 0.3),
    (0.25, 2.5),
    (0.33, 2.5),
    (0.41, 0.3),
    (0.49, 0.3),
    (0.65, 5.0),
    (0.75, 5.0),
    (0.85, 0.3),
    (1.0, 0.3),
];

fn noise(i: u64, channel: u64) -> f64 {
    // Multiples of an odd number alone are spread too evenly: their means would have next to no noise.
    let mut hash = (i * 8 + channel).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    hash = (hash ^ (hash >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    hash = (hash ^ (hash >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((hash ^ (hash >> 31)) >> 40) as f64 / f64::from(1 << 23) - 1.0
}

/// A number with three decimals.
fn push(line: &mut Vec<u8>, value: f64) {
    #[expect(clippy::cast_possible_truncation, reason = "a few thousand")]
    let thousandths = (value * 1000.0).round() as i64;
    if thousandths < 0 {
        line.push(b'-');
    }
    let size = thousandths.unsigned_abs();
    let mut digits = [0; 24];
    let mut at = digits.len();
    let mut rest = size;
    for place in 0.. {
        if place == 3 {
            at -= 1;
            digits[at] = b'.';
        }
        at -= 1;
        digits[at] = b'0' + (rest % 10) as u8;
        rest /= 10;
        if rest == 0 && place >= 3 {
            break;
        }
    }
    line.extend_from_slice(&digits[at..]);
}

fn main() -> std::io::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let (Some(folder), Some(rows)) = (
        words.first(),
        words.get(1).and_then(|w| w.parse::<u64>().ok()),
    ) else {
        eprintln!("usage: long_log FOLDER ROWS [COLUMNS]");
        std::process::exit(2);
    };
    let columns: usize = words.get(2).and_then(|w| w.parse().ok()).unwrap_or(6);
    let folder = Path::new(folder);
    std::fs::create_dir_all(folder)?;
    let names = [
        "time_s",
        "load_kN",
        "travel_mm",
        "mark_mm",
        "tail_mm",
        "body_mm",
    ];
    let mut sheet = String::from(
        "[pull]\nid = \"long\"\nlog = \"log.csv\"\nsimulated = true\n\n[line]\nfree_length = \"3.3 m\"\n\n",
    );
    for (gauge, more) in [
        ("load", ""),
        ("travel", ""),
        ("mark", "distance = \"20 mm\"\n"),
        ("tail", ""),
        ("body", ""),
    ]
    .iter()
    .take(columns - 1)
    {
        sheet += &format!("[gauges.{gauge}]\ncolumn = \"{gauge}\"\n{more}\n");
    }
    std::fs::write(folder.join("sheet.toml"), sheet)?;
    let mut log = BufWriter::with_capacity(1 << 20, std::fs::File::create(folder.join("log.csv"))?);
    writeln!(log, "{}", names[..columns].join(","))?;
    let mut highest = 0.0_f64;
    let mut line = Vec::new();
    for i in 0..rows {
        let share = i as f64 / rows as f64;
        let at = CORNERS
            .partition_point(|c| c.0 <= share)
            .clamp(1, CORNERS.len() - 1);
        let ((a, x), (b, y)) = (CORNERS[at - 1], CORNERS[at]);
        let load = x + (y - x) * (share - a) / (b - a);
        highest = highest.max(load);
        let stretch = 8.0 * load + 3.0 * (1.0 - (-load / 0.2).exp());
        let slip = (highest - 3.0).max(0.0);
        let values = [
            i as f64 / 1000.0,
            load + 0.003 * noise(i, 0),
            stretch + 0.9 * highest + slip + 0.06 * load + 0.02 * noise(i, 1),
            0.006 * stretch + slip + 0.06 * load + 0.02 * noise(i, 2),
            slip + 0.02 * noise(i, 3),
            0.04 * load + 0.02 * noise(i, 4),
        ];
        line.clear();
        for (c, value) in values.iter().take(columns).enumerate() {
            if c > 0 {
                line.push(b',');
            }
            push(&mut line, *value);
        }
        line.push(b'\n');
        log.write_all(&line)?;
    }
    log.flush()
}
