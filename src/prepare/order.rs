//! In which order are the pulls made?
//!
//! Every pair in every session, as evenly as the number allows, shuffled within the session, with one control pair first,
//! in the middle and last: a drift of cell, jaws or weather then shows in the control and does not fall on one pair.
//! Source: common practice of planned experiments (randomised blocks).

use rand::SeedableRng as _;
use rand::seq::SliceRandom as _;
use rand_chacha::ChaCha8Rng;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One pull to come.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Turn {
    /// Session, counted from 1.
    pub session: usize,
    /// The pair.
    pub pair: String,
    /// Which line of it, counted from 1.
    pub line: usize,
    /// True for the control.
    pub control: bool,
}

/// Names of the pairs: those known, and letters for the rest.
#[must_use]
pub fn names(known: Vec<String>, pairs: usize) -> Vec<String> {
    let mut names = known;
    names.truncate(pairs);
    while names.len() < pairs {
        names.push(format!("pair {}", names.len() + 1));
    }
    names
}

/// The order: `each` lines of every pair over the sessions, the first pair being the control. Same seed, same order.
#[must_use]
pub fn shuffled(pairs: &[String], each: usize, sessions: usize, seed: u64) -> Vec<Turn> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let Some((control, others)) = pairs.split_first() else {
        return Vec::new();
    };
    let mut turns = Vec::new();
    let mut control_line = 0;
    for session in 0..sessions {
        let mut own: Vec<(&String, usize)> = others
            .iter()
            .flat_map(|pair| {
                // Line i goes to session i modulo the sessions.
                (0..each)
                    .filter(|i| i % sessions == session)
                    .map(move |i| (pair, i + 1))
            })
            .collect();
        own.shuffle(&mut rng);
        let half = own.len().div_ceil(2);
        let mut take = |turns: &mut Vec<Turn>| {
            control_line += 1;
            turns.push(Turn {
                session: session + 1,
                pair: control.clone(),
                line: control_line,
                control: true,
            });
        };
        take(&mut turns);
        for (i, (pair, line)) in own.iter().enumerate() {
            if i == half && own.len() > 1 {
                take(&mut turns);
            }
            turns.push(Turn {
                session: session + 1,
                pair: (*pair).clone(),
                line: *line,
                control: false,
            });
        }
        if !own.is_empty() {
            take(&mut turns);
        }
    }
    turns
}
