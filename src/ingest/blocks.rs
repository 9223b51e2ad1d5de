//! Chunks to blocks, on several threads; taken in order, so that their number never shows in a result.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::error::IngestError;
use super::gather::Gather;
use super::rows::{self, Block, Plan};
use super::source::Source;

/// Most threads that turn text into numbers.
const WORKERS_MAX: usize = 4;
/// Chunks that wait for each of them: memory stays bounded.
const WAITING: usize = 2;

/// What is done after each block.
pub(super) type After<'a> = dyn FnMut(&mut Gather) -> Result<(), IngestError> + Send + 'a;

/// Reads the source through the plan into the log. `skip` lines stand before the first row.
///
/// One thread reads and digests, some turn text into numbers, one puts the blocks in order. A log of one chunk is read
/// without any of them.
///
/// # Errors
/// The first in the order of the file.
pub(super) fn read_all(
    source: &mut Source<'_>,
    plan: &Plan,
    skip: u64,
    gather: &mut Gather,
    after: &mut After<'_>,
) -> Result<(), IngestError> {
    let mut skip = skip;
    if source.is_at_end() {
        while let Some(chunk) = source.next()? {
            gather.push(&block(&chunk, &mut skip, plan))?;
            after(gather)?;
        }
        return Ok(());
    }
    let workers = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .clamp(1, WORKERS_MAX);
    std::thread::scope(|scope| {
        let mut to_workers: Vec<SyncSender<(Vec<u8>, u64)>> = Vec::with_capacity(workers);
        let mut from_workers: Vec<Receiver<Block>> = Vec::with_capacity(workers);
        for _ in 0..workers {
            let (send_chunk, chunks) = sync_channel::<(Vec<u8>, u64)>(WAITING);
            let (send_block, blocks) = sync_channel(WAITING);
            scope.spawn(move || {
                for (chunk, mut skip) in chunks {
                    if send_block.send(block(&chunk, &mut skip, plan)).is_err() {
                        break;
                    }
                }
            });
            to_workers.push(send_chunk);
            from_workers.push(blocks);
        }
        // Blocks come back in the turn in which chunks were given out; the first empty turn is the end.
        let gathering = scope.spawn(move || {
            for turn in (0..from_workers.len()).cycle() {
                let Ok(block) = from_workers[turn].recv() else {
                    break;
                };
                gather.push(&block)?;
                after(gather)?;
            }
            Ok(())
        });
        let mut turns = (0..workers).cycle();
        let read = loop {
            match source.next() {
                Ok(Some(chunk)) => {
                    let lines = if skip == 0 {
                        0
                    } else {
                        memchr::memchr_iter(b'\n', &chunk).count() as u64
                    };
                    let Some(turn) = turns.next() else {
                        break Ok(());
                    };
                    if to_workers[turn].send((chunk, skip)).is_err() {
                        break Ok(());
                    }
                    skip = skip.saturating_sub(lines);
                }
                Ok(None) => break Ok(()),
                Err(error) => break Err(error),
            }
        };
        drop(to_workers);
        // What the gathering found stands earlier in the file than what the reading found.
        match gathering.join() {
            Ok(gathered) => gathered.and(read),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}

fn block(chunk: &[u8], skip: &mut u64, plan: &Plan) -> Block {
    let (skipped, rest) = skip_lines(chunk, skip);
    let mut block = rows::read(rest, plan);
    shift(&mut block, skipped);
    block
}

/// Skips whole lines before the first row; says how many were in this chunk.
pub(super) fn skip_lines<'c>(chunk: &'c [u8], left: &mut u64) -> (u64, &'c [u8]) {
    let mut rest = chunk;
    let mut skipped = 0;
    while *left > 0 && !rest.is_empty() {
        let end = memchr::memchr(b'\n', rest).map_or(rest.len(), |e| e + 1);
        rest = &rest[end..];
        *left -= 1;
        skipped += 1;
    }
    (skipped, rest)
}

/// Line numbers within the chunk, the skipped lines counted.
fn shift(block: &mut Block, skipped: u64) {
    if skipped == 0 {
        return;
    }
    let by = u32::try_from(skipped).unwrap_or(u32::MAX);
    block.lines += skipped;
    block.line.iter_mut().for_each(|l| *l += by);
    block.shown.iter_mut().for_each(|b| b.line += by);
    block.texts.iter_mut().for_each(|t| t.line += by);
}
