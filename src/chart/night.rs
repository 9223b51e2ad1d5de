//! The colours of the charts on a dark page.
//!
//! A chart is drawn once, on white, because it is also looked at outside its page. Inside the report a style sheet turns
//! each of its colours into a dark counterpart: attributes of SVG yield to rules of CSS. Printed pages keep the light.

use plotters::style::RGBColor;

use super::split_time::phase_colour;
use super::style::{self, EDGE, GRID, INK, LIMIT, PAPER, QUIET, SHADE};
use crate::phases::PhaseKind;
use crate::separate::PartName;

/// Paper of the dark page.
const DARK: RGBColor = RGBColor(22, 27, 33);

/// Each colour of the charts and what it becomes. Bands keep a contrast of at least 3 to the dark paper (WCAG 2.2,
/// 1.4.11); a word on a strip is either ink or paper, and both turn with it.
const PAIRS: &[(RGBColor, RGBColor)] = &[
    (PAPER, DARK),
    (INK, RGBColor(230, 233, 237)),
    (QUIET, RGBColor(169, 179, 191)),
    (GRID, RGBColor(48, 56, 66)),
    (EDGE, RGBColor(108, 118, 132)),
    (SHADE, RGBColor(34, 41, 50)),
    (LIMIT, RGBColor(244, 244, 244)),
];

fn part(name: PartName) -> RGBColor {
    match name {
        PartName::Give => RGBColor(140, 146, 156),
        PartName::Stretch => RGBColor(86, 156, 194),
        PartName::Set => RGBColor(222, 190, 96),
        PartName::StopperSlip => RGBColor(236, 112, 78),
        PartName::CoverSlip => RGBColor(164, 174, 255),
        PartName::SetAndCoverSlip => RGBColor(134, 118, 214),
        PartName::NotRecovered => RGBColor(176, 168, 132),
    }
}

/// Series that have no part: by their place in `style::series`.
const SERIES: [RGBColor; 5] = [
    RGBColor(164, 174, 255),
    RGBColor(236, 112, 78),
    RGBColor(76, 178, 184),
    RGBColor(216, 176, 72),
    RGBColor(190, 148, 112),
];

fn phase(kind: PhaseKind) -> RGBColor {
    match kind {
        PhaseKind::TakeUp => RGBColor(40, 47, 56),
        PhaseKind::Reference => RGBColor(66, 76, 90),
        PhaseKind::Ramp => RGBColor(28, 84, 74),
        PhaseKind::Hold => RGBColor(96, 184, 190),
        PhaseKind::LockedHold => RGBColor(172, 160, 228),
        PhaseKind::Unload => RGBColor(104, 78, 40),
        PhaseKind::Rest => RGBColor(72, 64, 40),
        PhaseKind::Transfer => RGBColor(124, 66, 24),
        PhaseKind::RunOut => RGBColor(236, 128, 120),
    }
}

const PHASES: [PhaseKind; 9] = [
    PhaseKind::TakeUp,
    PhaseKind::Reference,
    PhaseKind::Ramp,
    PhaseKind::Hold,
    PhaseKind::LockedHold,
    PhaseKind::Unload,
    PhaseKind::Rest,
    PhaseKind::Transfer,
    PhaseKind::RunOut,
];

fn pairs() -> Vec<(RGBColor, RGBColor)> {
    let mut pairs = PAIRS.to_vec();
    let more = PartName::ALL
        .map(|p| (style::part(p), part(p)))
        .into_iter()
        .chain((0..SERIES.len()).map(|i| (style::series(i), SERIES[i])))
        .chain(PHASES.map(|k| (phase_colour(k).0, phase(k))));
    for (light, dark) in more {
        // Two things may share a light colour; they then share the dark one.
        if pairs.iter().all(|(known, _)| *known != light) {
            pairs.push((light, dark));
        }
    }
    pairs
}

fn code(c: RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", c.0, c.1, c.2)
}

/// Rules for a page that is looked at in the dark.
pub(crate) fn style_sheet() -> String {
    let mut css = String::from("@media screen and (prefers-color-scheme: dark) {\n");
    for (light, dark) in pairs() {
        let (light, dark) = (code(light), code(dark));
        for what in ["fill", "stroke"] {
            css += &format!("  figure svg [{what}=\"{light}\"] {{ {what}: {dark}; }}\n");
        }
    }
    css + "}\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::{draw_all, sample};

    fn luminance(c: RGBColor) -> f64 {
        let [r, g, b] = [c.0, c.1, c.2].map(|v| {
            let v = f64::from(v) / 255.0;
            if v <= 0.040_45 {
                v / 12.92
            } else {
                ((v + 0.055) / 1.055).powf(2.4)
            }
        });
        0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05
    }

    fn contrast(a: RGBColor, b: RGBColor) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        a.max(b) / a.min(b)
    }

    /// WCAG 2.2: text 4.5 (1.4.3), what must be seen to understand a chart 3 (1.4.11).
    #[test]
    fn texts_and_bands_stand_out_in_the_dark() {
        let turned = |light: RGBColor| pairs().into_iter().find(|p| p.0 == light).unwrap().1;
        for text in [INK, QUIET, LIMIT] {
            assert!(contrast(turned(text), DARK) > 4.5);
        }
        for name in PartName::ALL {
            assert!(
                contrast(turned(style::part(name)), DARK) > 3.0,
                "{}",
                name.words()
            );
        }
        for kind in PHASES {
            let (strip, word) = phase_colour(kind);
            let found = contrast(turned(strip), turned(word));
            assert!(found > 4.5, "{}: {found:.1}", kind.word());
        }
    }

    #[test]
    fn every_colour_that_is_drawn_has_a_dark_counterpart() {
        let css = style_sheet();
        let mut seen = 0;
        for analysis in [sample::passes(), sample::bracket(), sample::cannot_tell()] {
            for chart in draw_all(&analysis).unwrap() {
                for what in ["fill=\"#", "stroke=\"#"] {
                    for (at, _) in chart.svg.match_indices(what) {
                        let colour = &chart.svg[at..at + what.len() + 7];
                        let rule = format!("figure svg [{colour}]");
                        assert!(css.contains(&rule), "{}: {colour}", chart.file_name);
                        seen += 1;
                    }
                }
            }
        }
        assert!(seen > 500, "{seen}");
    }
}
