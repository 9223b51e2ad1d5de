//! Sentences of the stages, which speak kN and mm or the sheet's own units, told in the units of the report.
//!
//! A sentence is made once, by the stage that knows why; the report may speak pounds and inches. So that no stage has
//! to know the report, its figures are found here by their unit and written anew, with one digit more than they had,
//! for the conversion must not round a bound to the wrong side by more than the figure itself was rounded.
//! What stands between backticks is the sheet's own text and stays.

use super::{Units, significant};
use crate::units::{ForceDim, LengthDim, Unit, find_unit};

/// Units that are looked for. Not `in`, which is a word of English, and not m and ft, in which lines are long.
const FORCES: [&str; 6] = ["kN", "daN", "N", "kgf", "lbf", "kip"];
const LENGTHS: [&str; 3] = ["mm", "cm", "µm"];

/// Words between two figures of which only the second carries the unit.
const JOINTS: [&str; 2] = [" to ", " and "];

/// Most and fewest significant digits of a figure told anew.
const DIGITS: (i32, i32) = (3, 5);

struct Found {
    start: usize,
    end: usize,
    from: &'static Unit,
    to: &'static Unit,
}

pub(super) fn retold(units: &Units, text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    // Odd pieces stand between backticks.
    let mut quoted = false;
    loop {
        let (piece, after) = match rest.split_once('`') {
            Some((piece, after)) => (piece, Some(after)),
            None => (rest, None),
        };
        if quoted {
            out.push_str(piece);
        } else {
            out.push_str(&piece_retold(units, piece));
        }
        let Some(after) = after else { return out };
        out.push('`');
        quoted = !quoted;
        rest = after;
    }
}

fn piece_retold(units: &Units, piece: &str) -> String {
    let mut out = String::with_capacity(piece.len());
    let mut done = 0;
    let mut at = 0;
    while at < piece.len() {
        match unit_at(units, piece, at) {
            Some(found) if found.start >= done && found.from.symbol != found.to.symbol => {
                // "from 2.1 to 2.4 kN": the first figure too.
                let mut from = found.start;
                let before = &piece[done..found.start];
                if let Some(first) = JOINTS
                    .iter()
                    .find_map(|j| Some((before.strip_suffix(j)?, *j)))
                    .and_then(|(head, joint)| {
                        let start = number_before(head)?;
                        Some((done + start, done + head.len(), joint))
                    })
                {
                    let (start, end, joint) = first;
                    out.push_str(&piece[done..start]);
                    out.push_str(&converted(&piece[start..end], &found));
                    out.push_str(joint);
                    from = found.start;
                    done = found.start;
                }
                out.push_str(&piece[done..from]);
                let number = piece[from..found.end]
                    .trim_end_matches(|c: char| c.is_alphabetic() || c.is_whitespace());
                out.push_str(&converted(number, &found));
                out.push('\u{a0}');
                out.push_str(found.to.symbol);
                done = found.end;
                at = found.end;
            }
            Some(found) => at = found.end,
            None => at += piece[at..].chars().next().map_or(1, char::len_utf8),
        }
    }
    out.push_str(&piece[done..]);
    out
}

/// A unit that begins here, behind a number and a space and ahead of no letter.
fn unit_at(units: &Units, piece: &str, at: usize) -> Option<Found> {
    let before = &piece[..at];
    let number_end = before.trim_end_matches([' ', '\u{a0}']).len();
    if number_end == at {
        return None;
    }
    let start = number_before(&piece[..number_end])?;
    let symbols = FORCES
        .iter()
        .map(|s| (*s, find_unit::<ForceDim>(s), units.force))
        .chain(
            LENGTHS
                .iter()
                .map(|s| (*s, find_unit::<LengthDim>(s), units.length)),
        );
    symbols.into_iter().find_map(|(symbol, from, to)| {
        let after = piece[at..].strip_prefix(symbol)?;
        let ends = after
            .chars()
            .next()
            .is_none_or(|c| !c.is_alphanumeric() && c != '·');
        ends.then_some(Found {
            start,
            end: at + symbol.len(),
            from: from?,
            to,
        })
    })
}

/// Where the number begins that ends this text.
fn number_before(text: &str) -> Option<usize> {
    let head = text.trim_end_matches(|c: char| c.is_ascii_digit() || c == '.');
    let number = &text[head.len()..];
    if !number.starts_with(|c: char| c.is_ascii_digit()) || number.parse::<f64>().is_err() {
        return None;
    }
    let sign = head
        .chars()
        .next_back()
        .filter(|c| matches!(c, '-' | '−'))
        .map_or(0, char::len_utf8);
    let start = head.len() - sign;
    // A figure inside a name, such as `T30`, is no quantity.
    let free = text[..start]
        .chars()
        .next_back()
        .is_none_or(|c| !c.is_alphanumeric() && c != '_');
    free.then_some(start)
}

fn converted(number: &str, found: &Found) -> String {
    let plain = number.replace('−', "-");
    let Ok(value) = plain.parse::<f64>() else {
        return number.to_owned();
    };
    let digits = plain
        .trim_start_matches(['-', '0', '.'])
        .chars()
        .filter(char::is_ascii_digit)
        .count();
    let digits = i32::try_from(digits).unwrap_or(DIGITS.1) + 1;
    significant(
        value * found.from.to_si / found.to.to_si,
        digits.clamp(DIGITS.0, DIGITS.1),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn us(text: &str) -> String {
        let units = Units {
            force: find_unit::<ForceDim>("lbf").unwrap(),
            length: find_unit::<LengthDim>("in").unwrap(),
        };
        retold(&units, text).replace('\u{a0}', " ")
    }

    /// 1 lbf = 4.448 221 615 260 5 N and 1 in = 25.4 mm, both exact (NIST SP 811, appendix B).
    #[test]
    fn figures_of_a_sentence_speak_the_units_of_the_report() {
        let cases = [
            ("held 4.11 kN for 43 s", "held 924.0 lbf for 43 s"),
            ("at most 0.042 mm (95 %)", "at most 0.00165 in (95 %)"),
            ("between 2.10 and 2.45 kN.", "between 472.1 and 550.8 lbf."),
            ("reaches 1 mm/min", "reaches 0.0394 in/min"),
            ("a zero of −0.02 kN", "a zero of −4.50 lbf"),
            ("3 mm per decade", "0.118 in per decade"),
            (
                "the treatment `10 mm bulk` at 10 mm",
                "the treatment `10 mm bulk` at 0.394 in",
            ),
            (
                "gauge T30 mm, 2 m of line, 4 in 5",
                "gauge T30 mm, 2 m of line, 4 in 5",
            ),
            ("5 mmHg and 7 kNm", "5 mmHg and 7 kNm"),
            ("", ""),
        ];
        for (text, expected) in cases {
            assert_eq!(us(text), expected);
        }
    }

    #[test]
    fn a_sentence_in_the_units_of_the_report_stays_as_it_is() {
        let units = Units {
            force: find_unit::<ForceDim>("kN").unwrap(),
            length: find_unit::<LengthDim>("mm").unwrap(),
        };
        let text = "The proof load of 4 kN; 0.2 mm to 0.35 mm";
        assert_eq!(retold(&units, text), text);
        assert_eq!(
            retold(&units, "at 899.2 lbf").replace('\u{a0}', " "),
            "at 3.9998 kN"
        );
    }
}
