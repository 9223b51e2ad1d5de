//! Whatever happens to a run, results are whole: the old ones, the new ones, or none.
#![cfg(unix)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use bitterend::ingest::{FileNames, IngestError, read_log};
use bitterend::sheet::Sheet;

#[path = "common/pull.rs"]
mod pull;

const BINARY: &str = env!("CARGO_BIN_EXE_bitterend");

/// A short pull: what is tested is the writing.
fn make(folder: &Path, id: &str) {
    let rows: Vec<_> = pull::rows().into_iter().step_by(20).collect();
    let sheet = pull::SHEET[..pull::SHEET.find("\n[gauges.mark]").unwrap()].to_owned();
    fs::create_dir_all(folder).unwrap();
    fs::write(
        folder.join("sheet.toml"),
        sheet.replace("\"small\"", &format!("\"{id}\"")),
    )
    .unwrap();
    fs::write(
        folder.join("log.csv"),
        pull::table("Time,Load,Travel,Mark", ",", '.', &rows),
    )
    .unwrap();
}

/// Every file under a folder.
fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().display().to_string();
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    found
}

fn analyse(base: &Path, words: &[&str]) -> std::process::Output {
    Command::new(BINARY)
        .arg("analyse")
        .args(words)
        .current_dir(base)
        .output()
        .unwrap()
}

fn leftovers(folder: &Path) -> usize {
    let names = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name());
    names
        .filter(|n| n.to_string_lossy().starts_with(".bitterend-"))
        .count()
}

/// 200 runs, most of them killed, at moments spread evenly over a whole run, in an order without a pattern: two versions of a
/// pull take turns, and the results are always those of one of them, to the byte.
#[test]
fn killed_at_any_moment_results_are_whole() {
    let base = tempfile::tempdir().unwrap();
    let mut whole = Vec::new();
    for id in ["first", "second"] {
        make(&base.path().join(id), id);
        let output = analyse(base.path(), &[id]);
        assert_eq!(output.status.code(), Some(0));
        let results = contents(&base.path().join(id).join("results"));
        assert!(results.len() >= 6, "{:?}", results.keys());
        whole.push(results);
    }
    assert_ne!(whole[0], whole[1]);
    // Two at a time, each in a folder of its own.
    let counts = std::thread::scope(|scope| {
        let work = [0, 100].map(|from| scope.spawn(move || kills(from)));
        work.map(|w| w.join().unwrap())
    });
    let (mut killed, mut seen) = (0, [0, 0]);
    for (pull, found) in counts {
        killed += found.iter().filter(|f| f.killed).count();
        for (i, results) in found.into_iter().enumerate() {
            let Some(results) = results.place else {
                continue;
            };
            let which = whole.iter().position(|w| *w == results);
            let which = which.unwrap_or_else(|| panic!("kill {i}: {:?}", results.keys()));
            seen[which] += 1;
        }
        // What the killed runs left is swept by the next.
        make(&pull.path().join("pull"), "first");
        assert_eq!(analyse(pull.path(), &["pull"]).status.code(), Some(0));
        assert_eq!(leftovers(&pull.path().join("pull")), 0);
        assert_eq!(contents(&pull.path().join("pull/results")), whole[0]);
    }
    assert!(
        killed >= 50,
        "only {killed} of 200 runs were killed before their end"
    );
    assert!(seen[0] > 0 && seen[1] > 0, "{seen:?}");
}

/// What a run left that was killed, or was too quick for it.
struct Left {
    killed: bool,
    place: Option<BTreeMap<String, Vec<u8>>>,
}

/// One run in nine is let to its end, which tells how long a run takes beside whatever else the machine does just then. Nine is
/// odd, so that both versions get there.
const WHOLE: u32 = 9;

/// A hundred runs in one folder, one after the other, killed but for one in [`WHOLE`].
fn kills(from: u32) -> (tempfile::TempDir, Vec<Left>) {
    let base = tempfile::tempdir().unwrap();
    let folder = base.path().join("pull");
    let mut whole = Duration::ZERO;
    let left = (0..100)
        .map(|i| {
            make(&folder, ["first", "second"][i as usize % 2]);
            let begun = Instant::now();
            let mut child = Command::new(BINARY)
                .args(["analyse", "pull"])
                .current_dir(base.path())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            if i % WHOLE == 0 {
                assert!(child.wait().unwrap().success());
                whole = begun.elapsed();
            } else {
                // The golden section spreads the moments evenly over 1.1 times a whole run.
                let share = (f64::from(from + i) * 0.618_033_988_75).fract();
                std::thread::sleep(whole.mul_f64(1.1 * share));
                child.kill().unwrap();
            }
            let killed = i % WHOLE != 0 && !child.wait().unwrap().success();
            let place = folder.join("results");
            Left {
                killed,
                place: place.exists().then(|| contents(&place)),
            }
        })
        .collect();
    (base, left)
}

/// No file may grow beyond 2 KiB, as on a disk that is nearly full.
#[test]
fn a_disk_that_takes_no_more_leaves_the_older_result() {
    let base = tempfile::tempdir().unwrap();
    let folder = base.path().join("pull");
    make(&folder, "first");
    assert_eq!(analyse(base.path(), &["pull"]).status.code(), Some(0));
    let before = contents(&folder);
    let script = format!("trap '' XFSZ; ulimit -f 4; exec '{BINARY}' analyse pull");
    let output = Command::new("sh")
        .args(["-c", &script])
        .current_dir(base.path())
        .output()
        .unwrap();
    let text = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(
        text.starts_with("error: pull/results/analysis.json: cannot be written"),
        "{text}"
    );
    assert_eq!(contents(&folder), before);
}

#[test]
fn a_closed_pipe_is_no_mistake() {
    let base = tempfile::tempdir().unwrap();
    make(&base.path().join("pull"), "first");
    let mut child = Command::new(BINARY)
        .args(["analyse", "pull", "--json"])
        .current_dir(base.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(base.path().join("pull/results/report.md").exists());
}

/// An interrupted batch: what was finished is kept, what was not or has changed is done.
#[test]
fn a_batch_goes_on_where_it_stopped() {
    let base = tempfile::tempdir().unwrap();
    let names = ["a", "b", "c"];
    for name in names {
        make(&base.path().join(name), name);
    }
    assert_eq!(analyse(base.path(), &["a", "b"]).status.code(), Some(0));
    let stamp = |name: &str| {
        let path = base.path().join(name).join("results/report.md");
        std::os::unix::fs::MetadataExt::ino(&fs::metadata(path).unwrap())
    };
    let (a, b) = (stamp("a"), stamp("b"));
    make(&base.path().join("b"), "b, corrected");
    let output = analyse(base.path(), &["a", "b", "c", "--resume"]);
    let text = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("a: finished before, kept"), "{text}");
    assert_eq!(text.matches("finished before").count(), 1, "{text}");
    assert_eq!(stamp("a"), a);
    assert_ne!(stamp("b"), b);
    assert!(base.path().join("c/results/report.md").exists());
    // Other settings are another analysis.
    let output = analyse(base.path(), &["a", "--resume", "--traces", "all"]);
    assert!(!String::from_utf8(output.stderr).unwrap().contains("kept"));
}

/// Bytes that come without end, or stop with a fault of the system.
struct Endless {
    head: Vec<u8>,
    given: usize,
    until: usize,
    fault: bool,
}

impl std::io::Read for Endless {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        if self.given >= self.until {
            return if self.fault {
                Err(std::io::Error::other("the disk was pulled out"))
            } else {
                Ok(0)
            };
        }
        let left = self.head.get(self.given..).unwrap_or_default();
        let n = if left.is_empty() {
            out.fill(b'7');
            out.len().min(self.until - self.given)
        } else {
            let n = left.len().min(out.len());
            out[..n].copy_from_slice(&left[..n]);
            n
        };
        self.given += n;
        Ok(n)
    }
}

fn read(mut source: Endless) -> (Result<(), IngestError>, usize) {
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let sheet = Sheet::parse(pull::SHEET, "sheet.toml").unwrap();
    let read = read_log(&mut source, None, &sheet, names).map(|_| ());
    (read, source.given)
}

#[test]
fn a_line_of_a_gigabyte_and_a_file_that_vanishes() {
    let head = pull::table("Time,Load,Travel,Mark", ",", '.', &pull::rows()).into_bytes();
    let (found, given) = read(Endless {
        head: head.clone(),
        given: 0,
        until: 1 << 30,
        fault: false,
    });
    assert!(
        matches!(found, Err(IngestError::LongLine { line: 575, .. })),
        "{found:?}"
    );
    // Refused after a few pieces, not after the whole gigabyte.
    assert!(given < 8 << 20, "{given}");
    let until = head.len();
    let (found, _) = read(Endless {
        head,
        given: 0,
        until,
        fault: true,
    });
    assert!(matches!(found, Err(IngestError::Io { .. })), "{found:?}");
}
