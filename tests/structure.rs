//! Data flows one way: a module knows those that stand before it in `src/lib.rs`, and none after it.

use std::fs;
use std::path::{Path, PathBuf};

/// What only tests are made of.
const FOR_TESTS: [&str; 4] = [
    "separate/oracles.rs",
    "limit/handmade.rs",
    "limit/coverage.rs",
    "chart/sample.rs",
];

/// Modules in the order of the library's own list.
fn order(source: &Path) -> Vec<String> {
    let list = fs::read_to_string(source.join("lib.rs")).unwrap();
    let name = |line: &str| {
        let rest = line.trim_start_matches("pub ").strip_prefix("mod ")?;
        rest.strip_suffix(';').map(str::to_owned)
    };
    list.lines().filter_map(name).collect()
}

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// The code of a file without comments and without its tests, which may look at everything.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
    let lines = text.lines().map(|l| l.split("//").next().unwrap());
    lines.collect::<Vec<_>>().join("\n")
}

/// Modules that a path names behind `crate::`: one, or those of a list in braces.
fn named(path: &str) -> Vec<String> {
    let list = path
        .strip_prefix('{')
        .and_then(|list| list.split('}').next());
    let words = list.map_or(vec![path], |list| list.split(',').collect());
    let word = |text: &str| {
        let letters = text.trim_start().chars();
        letters
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect()
    };
    words.into_iter().map(word).collect()
}

#[test]
fn no_module_knows_one_below_it() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let order = order(&source);
    assert!(order.len() > 20, "{order:?}");
    let place = |name: &str| order.iter().position(|m| m == name);
    let mut all = Vec::new();
    files(&source, &mut all);
    let (mut seen, mut upward) = (0, Vec::new());
    for path in all {
        let inside = path.strip_prefix(&source).unwrap();
        if inside.ends_with("tests.rs") || FOR_TESTS.iter().any(|only| inside.ends_with(only)) {
            continue;
        }
        let module = inside.iter().next().unwrap().to_str().unwrap();
        let Some(own) = place(module.trim_end_matches(".rs")) else {
            continue;
        };
        let code = code(&path);
        for used in code.split("crate::").skip(1).flat_map(named) {
            if let Some(other) = place(&used) {
                seen += 1;
                if other > own {
                    upward.push(format!("{} knows {used}", inside.display()));
                }
            }
        }
    }
    assert!(seen > 300, "{seen}");
    assert_eq!(upward, Vec::<String>::new());
}
