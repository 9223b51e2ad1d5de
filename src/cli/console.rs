//! The terminal: results to stdout, everything else to stderr, colour only where it is wanted.

use std::cell::Cell;
use std::io::{IsTerminal as _, Write as _};

use super::fault::Fault;

/// Both streams of the terminal.
pub(super) struct Console {
    colour: bool,
    quiet: bool,
    verbose: bool,
    closed: Cell<bool>,
}

impl Console {
    /// Colour on a terminal, unless NO_COLOR is set to anything.
    pub(super) fn new() -> Self {
        let refused = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        Self {
            colour: !refused && std::io::stderr().is_terminal(),
            quiet: false,
            verbose: false,
            closed: Cell::new(false),
        }
    }

    /// How much is said beside results and errors.
    pub(super) fn speak(&mut self, quiet: bool, verbose: bool) {
        (self.quiet, self.verbose) = (quiet, verbose);
    }

    /// What is being worked on, for a person who waits; a file or a pipe does not.
    pub(super) fn now(&self, line: impl FnOnce() -> String) {
        if std::io::stderr().is_terminal() {
            self.say(&line());
        }
    }

    /// A line for those who asked to hear more.
    pub(super) fn more(&self, line: impl FnOnce() -> String) {
        if self.verbose {
            self.say(&line());
        }
    }

    /// Whoever read stdout went away.
    pub(super) fn is_closed(&self) -> bool {
        self.closed.get()
    }

    /// A result, to stdout.
    pub(super) fn result(&self, text: &str) {
        if self.closed.get() {
            return;
        }
        let mut out = std::io::stdout().lock();
        let written = out
            .write_all(text.as_bytes())
            .and_then(|()| out.write_all(b"\n"))
            .and_then(|()| out.flush());
        if written.is_err() {
            self.closed.set(true);
        }
    }

    /// A line for the person at the terminal, to stderr. A closed stderr is nobody's loss.
    pub(super) fn say(&self, line: &str) {
        if !self.quiet {
            self.line(line);
        }
    }

    fn line(&self, line: &str) {
        let _ = writeln!(std::io::stderr(), "{line}");
    }

    /// A line that begins with a word of weight.
    pub(super) fn warn(&self, word: &str, line: &str) {
        self.say(&format!("{} {line}", self.paint(&format!("{word}:"), "33")));
    }

    /// Progress of a long work: one line that is rewritten on a terminal, a line every tenth elsewhere.
    pub(super) fn progress(&self, what: &'static str, all: usize) -> Progress {
        Progress {
            what,
            all: if self.quiet { 0 } else { all },
            live: std::io::stderr().is_terminal(),
        }
    }

    /// A fault: one line, causes, a blank line, a hint.
    pub(super) fn fault(&self, fault: &Fault) {
        let mut text = format!(
            "{} {}",
            self.paint("error:", "31"),
            one_line(&fault.message)
        );
        for cause in &fault.causes {
            text += &format!("\n  cause: {}", one_line(cause));
        }
        if let Some(hint) = &fault.hint {
            text += &format!("\n\n{} {hint}", self.paint("hint:", "36"));
        }
        self.line(&text);
    }

    fn paint(&self, word: &str, code: &str) -> String {
        if self.colour {
            format!("\u{1b}[1;{code}m{word}\u{1b}[0m")
        } else {
            word.to_owned()
        }
    }
}

/// Less work than this is over before a line about it is read.
const SHORT: usize = 20;

/// Progress of a long work. May be told of steps from several threads.
pub(super) struct Progress {
    what: &'static str,
    all: usize,
    live: bool,
}

impl Progress {
    /// So many are done.
    pub(super) fn step(&self, done: usize) {
        if self.all < SHORT {
            return;
        }
        let (what, all) = (self.what, self.all);
        if self.live {
            let _ = write!(std::io::stderr(), "\r{what}: {done} of {all} ");
        } else if done * 10 / all != (done - 1) * 10 / all {
            let _ = writeln!(std::io::stderr(), "{what}: {done} of {all}");
        }
    }

    /// The work is over: the line that was rewritten goes away.
    pub(super) fn end(&self) {
        if self.live && self.all >= SHORT {
            let _ = write!(std::io::stderr(), "\r\u{1b}[K");
        }
    }
}

/// Text from files may hold control characters; a terminal must not obey them.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}
