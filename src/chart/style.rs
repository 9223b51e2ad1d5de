//! One look for every chart: sizes, colours, weights.
//!
//! The colours are our own. They differ in lightness as well as in hue, so that they stay apart in grey print and for
//! the common colour vision deficiencies; a test measures that.

use plotters::style::RGBColor;

use crate::separate::PartName;

/// Pixels of the drawing per unit of the layout: plotters snaps to whole pixels, so it draws at ten times the size.
pub(super) const FINE: f64 = 10.0;

/// Width of every chart in units of the layout. At half of it the smallest text is still seven units high.
pub(super) const WIDTH: f64 = 720.0;
/// Left edge of the plotting area.
pub(super) const LEFT: f64 = 68.0;
/// Where titles and names of axes begin.
pub(super) const EDGE_LEFT: f64 = 16.0;
/// Right edge of the plotting area; what is right of it holds the direct labels.
pub(super) const RIGHT: f64 = 548.0;
/// Left edge of the direct labels.
pub(super) const GUTTER: f64 = RIGHT + 14.0;
/// Height of the band at the top that holds the title.
pub(super) const HEAD: f64 = 44.0;

/// Size of the title.
pub(super) const TITLE: f64 = 19.0;
/// Size of labels and axis names.
pub(super) const LABEL: f64 = 15.0;
/// Size of numbers along an axis and of small remarks.
pub(super) const SMALL: f64 = 14.0;
/// Distance between two lines of labels.
pub(super) const LEADING: f64 = 17.0;

/// Background: opaque, because a chart is also looked at outside its page.
pub(super) const PAPER: RGBColor = RGBColor(255, 255, 255);
/// Text and the total.
pub(super) const INK: RGBColor = RGBColor(28, 34, 44);
/// Numbers along axes, remarks.
pub(super) const QUIET: RGBColor = RGBColor(84, 94, 108);
/// Grid.
pub(super) const GRID: RGBColor = RGBColor(226, 230, 235);
/// Frame, zero line and quiet strokes.
pub(super) const EDGE: RGBColor = RGBColor(150, 158, 170);
/// Shading of holds and of areas that need a second look.
pub(super) const SHADE: RGBColor = RGBColor(240, 242, 245);
/// Limits and allowances.
pub(super) const LIMIT: RGBColor = RGBColor(20, 20, 20);

/// Width of a hair line, a curve and a strong curve.
pub(super) const HAIR: f64 = 1.0;
pub(super) const CURVE: f64 = 1.8;
pub(super) const STRONG: f64 = 2.6;

/// Colour of a part of the travel.
pub(super) fn part(name: PartName) -> RGBColor {
    match name {
        PartName::Give => RGBColor(190, 194, 200),
        PartName::Stretch => RGBColor(106, 172, 206),
        PartName::Set => RGBColor(232, 202, 112),
        PartName::StopperSlip => RGBColor(192, 66, 36),
        PartName::CoverSlip => RGBColor(38, 46, 112),
        PartName::SetAndCoverSlip => RGBColor(126, 112, 196),
        PartName::NotRecovered => RGBColor(92, 88, 70),
    }
}

/// Colours of things that have no part, such as one hold among several; dark to light, reused in turn.
pub(super) fn series(index: usize) -> RGBColor {
    const COLOURS: [RGBColor; 5] = [
        RGBColor(38, 46, 112),
        RGBColor(192, 66, 36),
        RGBColor(44, 134, 140),
        RGBColor(196, 150, 40),
        RGBColor(112, 78, 48),
    ];
    COLOURS[index % COLOURS.len()]
}

/// Estimated width of a text in units of the layout. No font is at hand when a chart is made; the widths are those of
/// a wide sans-serif face, so that real text is as long or shorter.
pub(super) fn text_width(text: &str, size: f64) -> f64 {
    let ems: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '\'' | '|' => 0.32,
            ' ' | '\u{a0}' | 'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '-' => 0.40,
            'm' | 'w' | 'M' | 'W' | '%' | '—' => 0.98,
            'A'..='Z' | '−' | '±' | '≤' => 0.76,
            c if c.is_ascii() => 0.63,
            c if (c as u32) < 0x2000 => 0.68,
            _ => 1.05,
        })
        .sum();
    ems * size
}

/// Breaks a text into lines no wider than `width`; a word that is wider by itself is cut short.
pub(super) fn wrap(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let word = shorten(word, size, width);
        match lines.last_mut() {
            Some(line) if text_width(&format!("{line} {word}"), size) <= width => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}

/// The text, or as much of it as fits with an ellipsis.
pub(super) fn shorten(text: &str, size: f64, width: f64) -> String {
    if text_width(text, size) <= width {
        return text.into();
    }
    let mut kept = String::new();
    for c in text.chars() {
        if text_width(&format!("{kept}{c}…"), size) > width {
            break;
        }
        kept.push(c);
    }
    kept.push('…');
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Machado, Oliveira and Fernandes 2009, severity 1.0 (matrices from memory; each row sums to 1, asserted).
    const DEFICIENCIES: [(&str, [[f64; 3]; 3]); 3] = [
        (
            "red",
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
        ),
        (
            "green",
            [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
        ),
        (
            "blue",
            [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        ),
    ];

    fn linear(c: RGBColor) -> [f64; 3] {
        [c.0, c.1, c.2].map(|v| {
            let v = f64::from(v) / 255.0;
            if v <= 0.040_45 {
                v / 12.92
            } else {
                ((v + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    /// CIE 1976 L*a*b* under D65 from linear sRGB.
    fn lab([r, g, b]: [f64; 3]) -> [f64; 3] {
        let f = |t: f64| {
            if t > 0.008_856 {
                t.cbrt()
            } else {
                7.787 * t + 16.0 / 116.0
            }
        };
        let x = f((0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505);
        let y = f(0.2126 * r + 0.7152 * g + 0.0722 * b);
        let z = f((0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089);
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    fn apart(a: [f64; 3], b: [f64; 3]) -> f64 {
        a.iter()
            .zip(b)
            .map(|(a, b)| (a - b).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    #[test]
    fn parts_stay_apart_without_full_colour_vision() {
        for (name, matrix) in DEFICIENCIES {
            let seen = |p: PartName| {
                let rgb = linear(part(p));
                lab(matrix.map(|row| {
                    assert!((row.iter().sum::<f64>() - 1.0).abs() < 2e-5);
                    row.iter()
                        .zip(rgb)
                        .map(|(m, c)| m * c)
                        .sum::<f64>()
                        .clamp(0.0, 1.0)
                }))
            };
            for (i, a) in PartName::ALL.iter().enumerate() {
                for b in &PartName::ALL[i + 1..] {
                    let distance = apart(seen(*a), seen(*b));
                    assert!(
                        distance > 14.0,
                        "{name}: {} and {} are {distance:.1} apart",
                        a.words(),
                        b.words()
                    );
                }
            }
        }
    }

    /// WCAG 2.2, 1.4.3: text needs a contrast of 4.5 to its background.
    #[test]
    fn text_stands_out_from_the_paper() {
        let luminance = |c| {
            let [r, g, b] = linear(c);
            0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05
        };
        for colour in [INK, QUIET, LIMIT] {
            assert!(luminance(PAPER) / luminance(colour) > 4.5);
        }
    }

    #[test]
    fn long_texts_are_broken_or_cut() {
        let lines = wrap("set and cover slip together", LABEL, 150.0);
        assert!(
            lines.len() == 2 && lines.iter().all(|l| text_width(l, LABEL) <= 150.0),
            "{lines:?}"
        );
        let cut = shorten(&"x".repeat(300), LABEL, 100.0);
        assert!(cut.ends_with('…') && text_width(&cut, LABEL) <= 100.0);
    }
}
