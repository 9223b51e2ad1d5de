//! A chunk of whole lines to columns of numbers.
//!
//! Two paths give identical values: a fast one that walks a clean line once, and an exact one for everything else
//! (quotes, words, thousands, clock times, blanks as separators). Whatever cannot be read is kept with its line.

use super::cell::{self, Cell, Marks};
use super::clock::{self, DAY, Form};
use super::columns::{Scale, TimeColumn};
use super::dialect::{Separator, split};
use super::error::shorten;

/// Bits of the NaN that stands for a word of overload until the rows are stored.
pub(super) const CLIPPED: u64 = 0x7ff8_0000_0000_00c1;
/// Largest power of ten that is exact in a double.
const POWER_MAX: i32 = 22;
/// Unreadable cells of one chunk that are kept with their text.
const SHOWN: usize = 5;

/// What to read from each line.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub separator: Separator,
    pub marks: Marks,
    pub time: TimeColumn,
    /// Day and nanosecond of the first row, for clock and ISO times.
    pub origin: (i64, i64),
    /// Column and scale of each channel.
    pub channels: Vec<(usize, Scale)>,
    /// Number of columns of the header; 0 without one.
    pub columns: usize,
    pub header: Vec<String>,
    pub unit_row: Option<Vec<String>>,
}

/// A line that is no row.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TextLine {
    /// Rows of the chunk before it.
    pub row: usize,
    /// Line within the chunk, counted from 0.
    pub line: u32,
    pub kind: TextKind,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum TextKind {
    /// The header again.
    Header,
    /// A remark of the logger, beginning with `#`, or a row of units.
    Remark(String),
    /// Anything else: footer if it stands at the end, unreadable row if not.
    Text(String),
}

/// A cell that could not be read; the channel, or the time after the last channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct BadCell {
    pub line: u32,
    pub channel: usize,
    pub text: String,
}

/// Rows of a chunk.
#[derive(Debug, Default)]
pub(super) struct Block {
    /// Lines in the chunk.
    pub lines: u64,
    /// Line of each row within the chunk.
    pub line: Vec<u32>,
    /// Time as written, in s (numbers).
    pub time: Vec<f64>,
    /// Nanoseconds since the first row (clock and ISO times).
    pub ticks: Vec<i64>,
    /// One column per channel, SI, sign applied; NaN = missing, [`CLIPPED`] = overload.
    pub values: Vec<Vec<f64>>,
    /// Unreadable cells per channel, and of the time at the end.
    pub unreadable: Vec<u64>,
    /// The first of them.
    pub shown: Vec<BadCell>,
    pub texts: Vec<TextLine>,
}

/// Reads a chunk.
pub(super) fn read(chunk: &[u8], plan: &Plan) -> Block {
    let mut block = Block {
        values: vec![Vec::with_capacity(chunk.len() / 40); plan.channels.len()],
        unreadable: vec![0; plan.channels.len() + 1],
        ..Block::default()
    };
    let fast = Fast::new(plan);
    let mut runs = Runs::new(plan);
    let mut rest = chunk;
    while !rest.is_empty() {
        let number = u32::try_from(block.lines).unwrap_or(u32::MAX);
        block.lines += 1;
        let used = fast
            .as_ref()
            .and_then(|f| f.row(rest, number, &mut block, &mut runs));
        let used = used.unwrap_or_else(|| {
            let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
            runs.exact_row(block.line.len());
            exact(&rest[..end], number, plan, &mut block);
            end + 1
        });
        rest = rest.get(used..).unwrap_or_default();
    }
    runs.finish(&mut block);
    block
}

/// Mantissas wait in the columns for their power of ten: one division after another waits for the last, while a column
/// of them goes through the processor side by side. Each run is the first row of equal powers; `None`: finished values.
struct Runs {
    /// Of the channels, and of the time at the end.
    runs: Vec<Vec<(usize, Option<i32>)>>,
    factors: Vec<f64>,
    /// Powers of the last row, if it was plain.
    last: Option<[i32; CELLS]>,
}

impl Runs {
    fn new(plan: &Plan) -> Self {
        let mut factors: Vec<f64> = plan.channels.iter().map(|c| c.1.factor).collect();
        factors.push(match plan.time.form {
            Form::Number { to_s } => Scale::new(to_s, false).factor,
            _ => 1.0,
        });
        Self {
            runs: vec![Vec::new(); factors.len()],
            factors,
            last: None,
        }
    }

    /// A row whose cells are to the powers of ten that the last row had is of the same run.
    #[inline]
    fn note(&mut self, row: usize, powers: &[i32; CELLS]) {
        if self.last != Some(*powers) {
            self.last = Some(*powers);
            for (runs, power) in self.runs.iter_mut().zip(powers) {
                begin(runs, row, Some(*power));
            }
        }
    }

    fn exact_row(&mut self, row: usize) {
        self.last = None;
        for runs in &mut self.runs {
            begin(runs, row, None);
        }
    }

    fn finish(&self, block: &mut Block) {
        let columns = block
            .values
            .iter_mut()
            .chain(std::iter::once(&mut block.time));
        for ((column, runs), factor) in columns.zip(&self.runs).zip(&self.factors) {
            let ends = runs
                .iter()
                .skip(1)
                .map(|r| r.0)
                .chain(std::iter::once(column.len()))
                .collect::<Vec<_>>();
            for ((start, power), end) in runs.iter().zip(ends) {
                let (Some(power), Some(values)) = (power, column.get_mut(*start..end)) else {
                    continue;
                };
                scale(values, *power, *factor);
            }
        }
    }
}

/// Begins a run at a row, unless the one before is alike.
fn begin(runs: &mut Vec<(usize, Option<i32>)>, row: usize, power: Option<i32>) {
    if runs.last().is_none_or(|r| r.1 != power) {
        runs.push((row, power));
    }
}

fn scale(values: &mut [f64], power: i32, factor: f64) {
    let Some(ten) = cell::times_ten_to(1.0, power.abs()) else {
        return;
    };
    if power < 0 {
        values.iter_mut().for_each(|v| *v /= ten);
    } else if power > 0 {
        values.iter_mut().for_each(|v| *v *= ten);
    }
    #[expect(clippy::float_cmp, reason = "one is one")]
    if factor != 1.0 {
        values.iter_mut().for_each(|v| *v *= factor);
    }
}

/// Cells of a row that the fast path keeps at most.
const CELLS: usize = 8;
/// The place of a cell that is not kept.
const SKIP: usize = usize::MAX;

/// What the fast path does with the cell of a column.
#[derive(Clone, Copy)]
struct Step {
    /// The channel, after the last channel the time, or [`SKIP`].
    place: usize,
    /// Power of ten of its unit.
    tens: i32,
}

/// The fast path: one walk over a line of plain numbers, as long as one byte separates them.
struct Fast {
    separator: u8,
    decimal: u8,
    /// Of all columns but the last, and of the last.
    steps: Vec<Step>,
    last: Step,
    timed: bool,
}

/// Mantissas and their powers of ten.
type Cells = ([f64; CELLS], [i32; CELLS]);

impl Fast {
    fn new(plan: &Plan) -> Option<Self> {
        let Separator::Byte(separator) = plan.separator else {
            return None;
        };
        let to_s = match plan.time.form {
            Form::Number { to_s } => Some(Scale::new(to_s, false).tens),
            Form::Rows { .. } => None,
            Form::Clock | Form::Minutes | Form::Iso => return None,
        };
        let channels = plan.channels.len();
        let mut kept: Vec<(usize, Step)> = plan
            .channels
            .iter()
            .enumerate()
            .map(|(place, (column, scale))| {
                (
                    *column,
                    Step {
                        place,
                        tens: scale.tens,
                    },
                )
            })
            .collect();
        if let Some(column) = plan.time.column {
            let tens = to_s.unwrap_or(0);
            kept.push((
                column,
                Step {
                    place: channels,
                    tens,
                },
            ));
        }
        let most = kept.iter().map(|k| k.0).max()?;
        let mut steps = vec![
            Step {
                place: SKIP,
                tens: 0
            };
            plan.columns.max(most + 1)
        ];
        for (column, step) in kept {
            // Two gauges of one column: left to the exact path, and so are more cells than are kept side by side.
            if steps[column].place != SKIP || step.place >= CELLS {
                return None;
            }
            steps[column] = step;
        }
        let last = steps.pop()?;
        Some(Self {
            separator,
            decimal: plan.marks.decimal,
            steps,
            last,
            timed: to_s.is_some(),
        })
    }

    /// Reads the line at the start of `text` if it is plain, and says how many bytes it took with its end; leaves the
    /// block as it was if not.
    #[inline]
    fn row(&self, text: &[u8], number: u32, block: &mut Block, runs: &mut Runs) -> Option<usize> {
        let mut cells: Cells = ([0.0; CELLS], [0; CELLS]);
        let mut rest = text;
        for step in &self.steps {
            rest = self.cell(rest, *step, &mut cells)?;
            rest = rest.strip_prefix(&[self.separator])?;
        }
        rest = self.cell(rest, self.last, &mut cells)?;
        rest = match rest {
            [] => rest,
            [b'\n', next @ ..] | [b'\r', b'\n', next @ ..] => next,
            [b'\r'] => &[],
            _ => return None,
        };
        let row = block.line.len();
        let (mantissas, powers) = cells;
        runs.note(row, &powers);
        for (column, mantissa) in block.values.iter_mut().zip(mantissas) {
            column.push(mantissa);
        }
        if self.timed {
            block.time.push(mantissas[block.values.len()]);
        }
        block.line.push(number);
        Some(text.len() - rest.len())
    }

    /// Reads the cell at the start of `text`; what follows it.
    #[inline]
    fn cell<'t>(&self, text: &'t [u8], step: Step, cells: &mut Cells) -> Option<&'t [u8]> {
        if step.place == SKIP {
            let ends = |b: &u8| *b == self.separator || matches!(b, b'\n' | b'\r' | b'"');
            let end = text.iter().position(ends).unwrap_or(text.len());
            return text.get(end..).filter(|rest| rest.first() != Some(&b'"'));
        }
        let blanks = match text {
            [b' ', ..] => text.iter().take_while(|b| **b == b' ').count(),
            _ => 0,
        };
        let text = &text[blanks..];
        let digits = cell::plain(text, self.decimal)?;
        let power = step.tens - digits.decimals;
        if power.abs() > POWER_MAX {
            return None;
        }
        cells.0[step.place] = digits.mantissa;
        cells.1[step.place] = power;
        text.get(digits.used..)
    }
}

/// The exact path.
fn exact(line: &[u8], number: u32, plan: &Plan, block: &mut Block) {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    if line.trim_ascii().is_empty() {
        return;
    }
    let cells = split(line, plan.separator);
    if cells.iter().all(Vec::is_empty) {
        return;
    }
    let mut text = |kind| {
        block.texts.push(TextLine {
            row: block.line.len(),
            line: number,
            kind,
        });
    };
    if is_like(&cells, &plan.header) {
        return text(TextKind::Header);
    }
    if line.trim_ascii_start().starts_with(b"#")
        || plan.unit_row.as_ref().is_some_and(|u| is_like(&cells, u))
    {
        return text(TextKind::Remark(super::dialect::shorten_line(line)));
    }
    let bad_row = row_is_shifted(&cells, plan);
    let cell = |column: usize, scale: Scale| {
        if bad_row {
            return (Cell::Bad, line);
        }
        // A short row lacks its last cells: they cannot be read.
        cells.get(column).map_or((Cell::Bad, line), |c| {
            (cell::read(c, plan.marks, scale), c.as_slice())
        })
    };
    let readings: Vec<(Cell, &[u8])> = plan
        .channels
        .iter()
        .map(|(column, scale)| cell(*column, *scale))
        .collect();
    let time = plan.time.column.map(|column| {
        let bytes = cells
            .get(column)
            .filter(|_| !bad_row)
            .map_or(line, Vec::as_slice);
        (read_time(super::cell::unquoted(bytes), plan), bytes)
    });
    let without_time = time.as_ref().is_none_or(|(t, _)| t.is_none());
    let without_number = readings
        .iter()
        .all(|(c, _)| !matches!(c, Cell::Number(_) | Cell::Overload))
        && readings.iter().any(|(c, _)| *c == Cell::Bad);
    // A footer such as `Rows;240`: too short for a row, and no time where the time stands.
    let is_short = time.is_some()
        && plan
            .channels
            .iter()
            .any(|(column, _)| *column >= cells.len());
    let is_text = without_time && (without_number || is_short);
    if is_text {
        return text(TextKind::Text(super::dialect::shorten_line(line)));
    }
    let channels = plan.channels.len();
    let mut bad = |channel: usize, bytes: &[u8]| {
        block.unreadable[channel] += 1;
        if block.shown.iter().filter(|b| b.channel == channel).count() < SHOWN {
            block.shown.push(BadCell {
                line: number,
                channel,
                text: shorten(bytes),
            });
        }
    };
    match time {
        None => {}
        Some((Some(Stamp::Seconds(s)), _)) => block.time.push(s),
        Some((Some(Stamp::Ticks(t)), _)) => block.ticks.push(t),
        // Without its time a row has no place.
        Some((None, bytes)) => {
            bad(channels, bytes);
            return;
        }
    }
    for (i, (reading, bytes)) in readings.into_iter().enumerate() {
        let value = match reading {
            Cell::Number(value) => value,
            Cell::Missing => f64::NAN,
            Cell::Overload => f64::from_bits(CLIPPED),
            Cell::Bad => {
                bad(i, bytes);
                f64::NAN
            }
        };
        block.values[i].push(value);
    }
    block.line.push(number);
}

/// More filled cells than the header has: something in the row is shifted, and no cell can be trusted.
fn row_is_shifted(cells: &[Vec<u8>], plan: &Plan) -> bool {
    plan.columns > 0 && cells.iter().skip(plan.columns).any(|c| !c.is_empty())
}

fn is_like(cells: &[Vec<u8>], texts: &[String]) -> bool {
    !texts.is_empty()
        && cells.len() == texts.len()
        && cells
            .iter()
            .zip(texts)
            .all(|(c, t)| super::source::to_text(super::cell::unquoted(c)).trim() == t)
}

enum Stamp {
    Seconds(f64),
    Ticks(i64),
}

fn read_time(cell: &[u8], plan: &Plan) -> Option<Stamp> {
    match plan.time.form {
        Form::Number { to_s } => match cell::read(cell, plan.marks, Scale::new(to_s, false)) {
            Cell::Number(value) => Some(Stamp::Seconds(value)),
            _ => None,
        },
        form @ (Form::Clock | Form::Minutes) => {
            Some(Stamp::Ticks(form.nanos(cell)? - plan.origin.1))
        }
        Form::Iso => {
            let (days, nanos) = clock::iso(cell)?;
            let days = days
                .checked_sub(plan.origin.0)
                .filter(|d| d.abs() < 100_000)?;
            Some(Stamp::Ticks(days * DAY + nanos - plan.origin.1))
        }
        Form::Rows { .. } => None,
    }
}
