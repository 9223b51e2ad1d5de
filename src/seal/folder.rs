//! Files as sealed against files as found.

use std::collections::BTreeMap;

use super::Difference;
use crate::ingest::InputFile;

/// Sealed outputs against the files of the folder by name: changed, removed, added, renamed.
#[must_use]
pub fn differences(sealed: &[InputFile], found: &[InputFile]) -> Vec<Difference> {
    let known: BTreeMap<&str, &InputFile> = sealed.iter().map(|f| (f.name.as_str(), f)).collect();
    let now: BTreeMap<&str, &InputFile> = found.iter().map(|f| (f.name.as_str(), f)).collect();
    let mut new: Vec<&InputFile> = found
        .iter()
        .filter(|f| !known.contains_key(f.name.as_str()))
        .collect();
    let mut list = Vec::new();
    for file in sealed {
        match now.get(file.name.as_str()) {
            Some(found) if found.sha256 == file.sha256 && found.bytes == file.bytes => {}
            Some(_) => list.push(Difference::Changed {
                name: file.name.clone(),
                role: file.role.clone(),
            }),
            None => match new.iter().position(|n| n.sha256 == file.sha256) {
                Some(at) => list.push(Difference::Renamed {
                    from: file.name.clone(),
                    to: new.remove(at).name.clone(),
                }),
                None => list.push(Difference::Removed {
                    name: file.name.clone(),
                    role: file.role.clone(),
                }),
            },
        }
    }
    list.extend(new.into_iter().map(|f| Difference::Added {
        name: f.name.clone(),
    }));
    list
}

/// Sealed inputs against those read today. Names follow the sheet, so the role tells which is which.
#[must_use]
pub fn input_differences(sealed: &[InputFile], found: &[InputFile]) -> Vec<Difference> {
    let mut list = Vec::new();
    for file in sealed {
        match found.iter().find(|f| f.role == file.role) {
            Some(now) if now.sha256 == file.sha256 && now.bytes == file.bytes => {
                if now.name != file.name {
                    list.push(Difference::Renamed {
                        from: file.name.clone(),
                        to: now.name.clone(),
                    });
                }
            }
            Some(_) => list.push(Difference::Changed {
                name: file.name.clone(),
                role: file.role.clone(),
            }),
            None => list.push(Difference::Removed {
                name: file.name.clone(),
                role: file.role.clone(),
            }),
        }
    }
    list.extend(
        found
            .iter()
            .filter(|f| sealed.iter().all(|s| s.role != f.role))
            .map(|f| Difference::Added {
                name: f.name.clone(),
            }),
    );
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::input_file;

    fn said(list: &[Difference]) -> Vec<String> {
        list.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn each_kind_of_change_is_named() {
        let file = |name: &str, text: &str| input_file("output", name, text.as_bytes());
        let sealed = [
            file("a", "1"),
            file("b", "2"),
            file("c", "3"),
            file("d", "4"),
        ];
        assert_eq!(differences(&sealed, &sealed), vec![]);
        let found = [
            file("a", "1"),
            file("b", "x"),
            file("e", "3"),
            file("f", "5"),
        ];
        assert_eq!(
            said(&differences(&sealed, &found)),
            [
                "changed: b (output)",
                "renamed: c is now e",
                "removed: d (output)",
                "added: f"
            ]
        );
    }

    #[test]
    fn inputs_are_known_by_their_role() {
        let file = |role: &str, name: &str, text: &str| input_file(role, name, text.as_bytes());
        let sealed = [
            file("sheet", "sheet.toml", "s"),
            file("log", "log.csv", "l"),
        ];
        let found = [
            file("sheet", "sheet.toml", "t"),
            file("log", "other.csv", "l"),
            file("marks", "marks.csv", "m"),
        ];
        assert_eq!(
            said(&input_differences(&sealed, &found)),
            [
                "changed: sheet.toml (sheet)",
                "renamed: log.csv is now other.csv",
                "added: marks.csv"
            ]
        );
    }
}
