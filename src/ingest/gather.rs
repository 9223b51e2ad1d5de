//! Blocks to one log: order of time, duplicates, restarts, what could not be read.

use std::collections::BTreeMap;

use super::clock::{Form, SECOND};
use super::error::IngestError;
use super::rows::{Block, TextKind};
use super::store::{Late, Store};
use super::{UnreadableCell, dialect::METADATA_MAX};

/// Unreadable cells shown per channel.
const SHOWN: usize = 5;
/// Most restarts of a logger within one log.
const SEGMENTS_MAX: usize = 1000;
/// Rows from which the sample period is taken.
const PERIOD_ROWS: usize = 200;

/// What is known of the file while its blocks come in.
pub(super) struct Gather {
    pub store: Store,
    file: String,
    form: Form,
    time_name: String,
    /// Names of the channels, the time after the last.
    names: Vec<String>,
    gaps: BTreeMap<u64, f64>,
    /// Lines of the file before the next block.
    lines: u64,
    last: Option<Last>,
    /// Median of the first steps of time.
    period: Option<f64>,
    steps: Vec<f64>,
    /// Added to times as written, after a restart.
    offset: f64,
    /// Nanoseconds added for full turns of the clock.
    turned: i64,
    rows_counted: u64,
    restart: bool,
    /// Text lines that are the footer, if nothing follows them.
    pending: Vec<(u64, String)>,
    pub metadata: Vec<String>,
    pub unreadable: Vec<u64>,
    pub shown: Vec<UnreadableCell>,
    first_bad: Vec<Option<(u64, String)>>,
    pub reordered: u64,
    pub duplicates: u64,
}

#[derive(Debug, Clone)]
struct Last {
    time: f64,
    line: u64,
    values: Vec<u64>,
    was_late: bool,
}

impl Gather {
    pub(super) fn new(
        file: &str,
        form: Form,
        time_name: String,
        mut names: Vec<String>,
        gaps: BTreeMap<u64, f64>,
    ) -> Self {
        let channels = names.len();
        names.push(time_name.clone());
        Self {
            store: Store::new(channels),
            file: file.into(),
            form,
            time_name,
            names,
            gaps,
            lines: 0,
            last: None,
            period: None,
            steps: Vec::new(),
            offset: 0.0,
            turned: 0,
            rows_counted: 0,
            restart: false,
            pending: Vec::new(),
            metadata: Vec::new(),
            unreadable: vec![0; channels + 1],
            shown: Vec::new(),
            first_bad: vec![None; channels + 1],
            reordered: 0,
            duplicates: 0,
        }
    }

    /// Takes the next block.
    ///
    /// # Errors
    /// Time that runs backwards, a restart whose gap is not known.
    pub(super) fn push(&mut self, block: &Block) -> Result<(), IngestError> {
        self.note_unreadable(block);
        if !block.line.is_empty() || !block.texts.is_empty() {
            let time = self.times(block);
            self.push_rows(block, &time)?;
        }
        self.lines += block.lines;
        Ok(())
    }

    fn note_unreadable(&mut self, block: &Block) {
        for (total, n) in self.unreadable.iter_mut().zip(&block.unreadable) {
            *total += n;
        }
        for bad in &block.shown {
            self.show(self.lines + u64::from(bad.line) + 1, bad.channel, &bad.text);
        }
    }

    fn show(&mut self, line: u64, channel: usize, text: &str) {
        self.first_bad[channel].get_or_insert_with(|| (line, text.to_owned()));
        let column = &self.names[channel];
        if self.shown.iter().filter(|s| s.column == *column).count() < SHOWN {
            self.shown.push(UnreadableCell {
                line,
                column: column.clone(),
                text: text.to_owned(),
            });
        }
    }

    /// Times of the rows as written, in s; midnight or a full hour passed.
    #[expect(
        clippy::cast_precision_loss,
        reason = "row numbers and nanoseconds of one pull stay below 2^53"
    )]
    fn times(&mut self, block: &Block) -> Vec<f64> {
        match self.form {
            Form::Number { .. } => block.time.clone(),
            Form::Rows { period_s } => {
                // A rate is a whole number of rows per second more often than its period is a short number.
                let rate = (1.0 / period_s).round();
                let by_rate = (rate * period_s - 1.0).abs() < 1e-12 && rate >= 1.0;
                (0..block.line.len() as u64)
                    .map(|i| (self.rows_counted + i) as f64)
                    .map(|row| if by_rate { row / rate } else { row * period_s })
                    .collect()
            }
            Form::Iso => block
                .ticks
                .iter()
                .map(|t| *t as f64 / SECOND as f64)
                .collect(),
            Form::Clock | Form::Minutes => {
                let turn = self.form.turn();
                let mut last = i64::MIN;
                let mut times = Vec::with_capacity(block.ticks.len());
                if let Some(seen) = &self.last {
                    #[expect(clippy::cast_possible_truncation, reason = "nanoseconds of one pull")]
                    let ticks = ((seen.time - self.offset) * SECOND as f64).round() as i64;
                    last = ticks;
                }
                for tick in &block.ticks {
                    let mut at = tick.saturating_add(self.turned);
                    // A fall by more than half a turn is midnight, or a full hour.
                    if last != i64::MIN && last.saturating_sub(at) > turn / 2 {
                        self.turned = self.turned.saturating_add(turn);
                        at = at.saturating_add(turn);
                    }
                    times.push(at as f64 / SECOND as f64);
                    last = at;
                }
                times
            }
        }
    }

    fn push_rows(&mut self, block: &Block, time: &[f64]) -> Result<(), IngestError> {
        let columns: Vec<&[f64]> = block.values.iter().map(Vec::as_slice).collect();
        let lines_end = self.lines + block.lines;
        self.learn_period(time);
        let is_clean = block.texts.is_empty()
            && !self.restart
            && self.offset == 0.0
            && self.gaps.range(..=lines_end).next().is_none()
            && self
                .last
                .as_ref()
                .is_none_or(|l| time.first().is_none_or(|t| *t > l.time))
            && time.windows(2).all(|w| w[1] > w[0]);
        if is_clean && self.pending.is_empty() {
            self.store.append(time, &columns);
            self.rows_counted += time.len() as u64;
            if let Some(i) = time.len().checked_sub(1) {
                self.remember(
                    time[i],
                    self.lines + u64::from(block.line[i]) + 1,
                    &row(&columns, i),
                    false,
                );
            }
            return Ok(());
        }
        let mut texts = block.texts.iter().peekable();
        for (i, written) in time.iter().enumerate() {
            while let Some(text) = texts.next_if(|t| t.row <= i) {
                self.text(text.line, &text.kind)?;
            }
            let line = self.lines + u64::from(block.line[i]) + 1;
            self.one_row(*written, line, &row(&columns, i))?;
        }
        for text in texts {
            self.text(text.line, &text.kind)?;
        }
        Ok(())
    }

    fn learn_period(&mut self, time: &[f64]) {
        if self.period.is_some() && self.steps.len() >= PERIOD_ROWS {
            return;
        }
        let room = PERIOD_ROWS - self.steps.len().min(PERIOD_ROWS);
        self.steps.extend(
            time.windows(2)
                .map(|w| w[1] - w[0])
                .filter(|d| *d > 0.0)
                .take(room),
        );
        let mut sorted = self.steps.clone();
        sorted.sort_by(f64::total_cmp);
        self.period = sorted.get(sorted.len() / 2).copied();
    }

    fn text(&mut self, line: u32, kind: &TextKind) -> Result<(), IngestError> {
        let line = self.lines + u64::from(line) + 1;
        match kind {
            TextKind::Header => {
                self.restart = self.last.is_some();
                if self.store.segments.len() >= SEGMENTS_MAX {
                    return Err(IngestError::TooManyRestarts {
                        file: self.file.clone(),
                        line,
                        most: SEGMENTS_MAX,
                    });
                }
            }
            TextKind::Remark(text) => self.keep(text),
            TextKind::Text(text) => self.pending.push((line, text.clone())),
        }
        // A footer is short; a file of text lines is counted, not kept.
        if self.pending.len() > METADATA_MAX {
            self.settle_pending();
        }
        Ok(())
    }

    /// Text lines with rows behind them were rows that cannot be read.
    fn settle_pending(&mut self) {
        for (line, text) in std::mem::take(&mut self.pending) {
            let short: String = text.chars().take(40).collect();
            for channel in 0..self.unreadable.len() {
                self.unreadable[channel] += 1;
                if channel == 0 {
                    self.show(line, channel, &short);
                } else {
                    self.first_bad[channel].get_or_insert_with(|| (line, short.clone()));
                }
            }
        }
    }

    fn keep(&mut self, text: &str) {
        if self.metadata.len() < METADATA_MAX {
            self.metadata.push(text.to_owned());
        }
    }

    fn remember(&mut self, time: f64, line: u64, values: &[f64], was_late: bool) {
        let values = values.iter().map(|v| v.to_bits()).collect();
        self.last = Some(Last {
            time,
            line,
            values,
            was_late,
        });
    }

    fn one_row(&mut self, written: f64, line: u64, values: &[f64]) -> Result<(), IngestError> {
        if !self.pending.is_empty() {
            self.settle_pending();
        }
        self.rows_counted += 1;
        let mut time = written + self.offset;
        if let Some(last) = self.last.clone() {
            let gap = self.take_gap(line, &last)?;
            let restart = std::mem::take(&mut self.restart);
            let counted = matches!(self.form, Form::Rows { .. });
            if let Some(gap) = gap {
                self.offset += last.time + gap - time;
                time = written + self.offset;
                self.store.begin_segment();
            } else if restart {
                if time <= last.time || counted {
                    return Err(IngestError::UnknownGap {
                        file: self.file.clone(),
                        line,
                    });
                }
                // A header repeated within a record that goes on row by row is no break.
                if !self.is_next(time, &last) {
                    self.store.begin_segment();
                }
            } else if time <= last.time {
                return self.late_row(time, line, values, &last);
            }
        }
        self.append_one(time, values);
        self.remember(time, line, values, false);
        Ok(())
    }

    /// True for a row that follows the last within two sample periods.
    fn is_next(&self, time: f64, last: &Last) -> bool {
        self.period
            .is_some_and(|p| time - last.time <= 2.0 * p * (1.0 + 1e-9))
    }

    /// The gap that the sheet states for this row: the key is its line, or that of the header before it.
    fn take_gap(&mut self, line: u64, last: &Last) -> Result<Option<f64>, IngestError> {
        let Some((&key, &gap)) = self.gaps.iter().next() else {
            return Ok(None);
        };
        if key <= last.line {
            return Err(IngestError::GapNotUsed {
                file: self.file.clone(),
                line: key,
            });
        }
        if key > line {
            return Ok(None);
        }
        self.gaps.remove(&key);
        Ok(Some(gap))
    }

    fn late_row(
        &mut self,
        time: f64,
        line: u64,
        values: &[f64],
        last: &Last,
    ) -> Result<(), IngestError> {
        let same = values
            .iter()
            .map(|v| v.to_bits())
            .eq(last.values.iter().copied());
        if time >= last.time && same {
            self.duplicates += 1;
            self.rows_counted -= 1;
            return Ok(());
        }
        if time >= last.time {
            return Err(IngestError::SameTime {
                file: self.file.clone(),
                line,
                column: self.time_name.clone(),
                time,
                earlier_line: last.line,
            });
        }
        let near = self
            .period
            .is_some_and(|p| last.time - time <= 2.0 * p * (1.0 + 1e-9));
        let late = if near && !last.was_late {
            self.store.insert_late(time, values)
        } else {
            Late::Refused
        };
        match late {
            Late::Taken => self.reordered += 1,
            Late::Repeated => self.duplicates += 1,
            Late::Refused => {
                return Err(IngestError::BackInTime {
                    file: self.file.clone(),
                    line,
                    column: self.time_name.clone(),
                    time,
                    earlier: last.time,
                    earlier_line: last.line,
                });
            }
        }
        self.last = Some(Last {
            was_late: late == Late::Taken,
            ..last.clone()
        });
        Ok(())
    }

    fn append_one(&mut self, time: f64, values: &[f64]) {
        let columns: Vec<&[f64]> = values.iter().map(std::slice::from_ref).collect();
        self.store.append(&[time], &columns);
    }

    /// Ends the log: what stands behind the last row is its footer.
    ///
    /// # Errors
    /// A stated gap that the file does not have; too much that cannot be read. `share` is the largest share allowed.
    pub(super) fn finish(&mut self, share: Option<f64>) -> Result<(), IngestError> {
        for (_, text) in std::mem::take(&mut self.pending) {
            self.keep(&text);
        }
        self.store.finish();
        if let Some((&line, _)) = self.gaps.iter().next() {
            return Err(IngestError::GapNotUsed {
                file: self.file.clone(),
                line,
            });
        }
        let rows = self.store.rows + self.unreadable.last().copied().unwrap_or(0);
        let share = share.unwrap_or(if rows < 100 { 0.0 } else { 0.01 });
        #[expect(
            clippy::cast_precision_loss,
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a row count"
        )]
        let allowed = (share.max(0.0) * rows as f64).floor() as u64;
        for (channel, count) in self.unreadable.iter().enumerate() {
            if *count > allowed
                && let Some((line, text)) = &self.first_bad[channel]
            {
                return Err(IngestError::Unreadable {
                    file: self.file.clone(),
                    line: *line,
                    column: self.names[channel].clone(),
                    text: text.clone(),
                    count: *count,
                    rows,
                    allowed,
                });
            }
        }
        Ok(())
    }
}

fn row(columns: &[&[f64]], i: usize) -> Vec<f64> {
    columns.iter().map(|c| c[i]).collect()
}
