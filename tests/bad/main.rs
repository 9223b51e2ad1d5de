//! One defect per folder of `fixtures/bad`: each is refused with a message that names the place, or analysed with a
//! counted caveat. The folders are what `defects.rs` makes, byte for byte.
//!
//! After a change that is meant, `BITTEREND_WRITE_FIXTURES=1 INSTA_UPDATE=always cargo test --release --test bad` writes
//! folders and snapshots anew; the change then shows in the diff.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

mod defects;
#[path = "../common/pull.rs"]
mod pull;

use defects::{Defect, Expected};

fn stored() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bad")
}

#[test]
fn there_are_at_least_sixty_defects_and_the_stored_folders_are_they() {
    let write = std::env::var_os("BITTEREND_WRITE_FIXTURES").is_some();
    let defects = defects::all();
    let names: BTreeSet<&str> = defects.iter().map(|d| d.name).collect();
    assert_eq!(names.len(), defects.len(), "two defects of one name");
    assert!(defects.len() >= 60, "{}", defects.len());
    for defect in &defects {
        let folder = stored().join(defect.name);
        for (name, bytes) in &defect.files {
            let path = folder.join(name);
            if write {
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(&path, bytes).unwrap();
            }
            let found = fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            assert!(found == *bytes, "{} is not what is made", path.display());
            assert!(bytes.len() < 40_000, "{}: too large", path.display());
        }
    }
    for entry in fs::read_dir(stored()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(names.contains(name.as_str()), "{name} is made by nothing");
    }
}

/// Runs `analyse` on the stored folder; what it says, and the caveat asked for.
fn said(defect: &Defect, out: &Path) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(["analyse", defect.name, "--out"])
        .arg(out)
        .current_dir(stored())
        .output()
        .unwrap();
    let text = String::from_utf8(output.stderr).unwrap().replace('\\', "/");
    let name = defect.name;
    match defect.expected {
        Expected::Refused => {
            assert_eq!(output.status.code(), Some(2), "{name}: {text}");
            assert!(text.starts_with("error: "), "{name}: {text}");
            assert!(!out.exists(), "{name}: something was written");
            text
        }
        Expected::Caveat(code) => {
            assert!(
                matches!(output.status.code(), Some(0 | 1)),
                "{name}: {text}"
            );
            let json = fs::read_to_string(out.join("analysis.json")).unwrap();
            let analysis: serde_json::Value = serde_json::from_str(&json).unwrap();
            let caveats = analysis["caveats"].as_array().unwrap();
            let found: Vec<String> = caveats
                .iter()
                .filter(|c| c["code"] == code)
                .map(|c| {
                    format!(
                        "{code} ({}): {} {}",
                        c["weight"].as_str().unwrap(),
                        c["message"].as_str().unwrap(),
                        c["advice"].as_str().unwrap()
                    )
                })
                .collect();
            let codes: Vec<&str> = caveats.iter().filter_map(|c| c["code"].as_str()).collect();
            assert!(!found.is_empty(), "{name}: only {codes:?}");
            found.join("\n")
        }
    }
}

#[test]
fn every_defect_is_named() {
    let scratch = tempfile::tempdir().unwrap();
    let defects = defects::all();
    let results: Mutex<Vec<(&str, String)>> = Mutex::new(Vec::new());
    let next = Mutex::new(defects.iter());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let Some(defect) = next.lock().unwrap().next() else {
                        break;
                    };
                    let text = said(defect, &scratch.path().join(defect.name));
                    results.lock().unwrap().push((defect.name, text));
                }
            });
        }
    });
    let mut results = results.into_inner().unwrap();
    results.sort();
    assert_eq!(results.len(), defects.len());
    for (name, text) in results {
        insta::assert_snapshot!(name, text);
    }
}

/// The pull without any defect carries none of the caveats that the defects are to bring.
#[test]
fn a_sound_pull_has_none_of_these_caveats() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("sound");
    fs::create_dir(&folder).unwrap();
    for (name, bytes) in defects::sound() {
        fs::write(folder.join(name), bytes).unwrap();
    }
    let output = Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(["analyse", "sound"])
        .current_dir(scratch.path())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{text}");
    let json = fs::read_to_string(folder.join("results/analysis.json")).unwrap();
    let analysis: serde_json::Value = serde_json::from_str(&json).unwrap();
    let brought: BTreeSet<&str> = defects::all()
        .iter()
        .filter_map(|d| match d.expected {
            Expected::Caveat(code) => Some(code),
            Expected::Refused => None,
        })
        .collect();
    assert!(brought.len() >= 15, "{brought:?}");
    for caveat in analysis["caveats"].as_array().unwrap() {
        let code = caveat["code"].as_str().unwrap();
        assert!(!brought.contains(code), "{caveat}");
    }
}
