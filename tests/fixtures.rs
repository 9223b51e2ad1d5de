//! The stored pull folders are what the simulator makes, byte for byte, every stored sheet can be read, and every listed
//! mutation has its one place in the code.
//!
//! After a change of the simulator that is meant, `BITTEREND_WRITE_FIXTURES=1 cargo test --release --test fixtures`
//! writes them anew; the change then shows in the diff.

use std::path::{Path, PathBuf};

use bitterend::sheet::Sheet;
use bitterend::simulate::{Kind, pull};

/// Kinds whose pull with seed 1 is stored.
const STORED: [Kind; 5] = [
    Kind::Halyard,
    Kind::CoreSlip,
    Kind::StopperSlip,
    Kind::Both,
    Kind::TravelOnly,
];

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures")
}

#[test]
fn stored_pulls_are_what_the_simulator_makes() {
    let write = std::env::var_os("BITTEREND_WRITE_FIXTURES").is_some();
    for kind in STORED {
        let folder = fixtures().join(kind.name());
        let made = pull(kind, 1);
        let mut size = 0;
        for (name, bytes) in &made.files {
            let path = folder.join(name);
            if write {
                std::fs::create_dir_all(&folder).unwrap();
                std::fs::write(&path, bytes).unwrap();
            }
            let stored = std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            let differ = stored.iter().zip(bytes).position(|(a, b)| a != b);
            assert!(
                stored == *bytes,
                "{} differs from what the simulator makes, first at byte {differ:?} of {} stored and {} made",
                path.display(),
                stored.len(),
                bytes.len()
            );
            size += bytes.len();
        }
        assert!(size < 450_000, "{}: {size} bytes", kind.name());
        // Nothing else lies in the folder (results apart): a file that no code makes would go stale unseen.
        for entry in std::fs::read_dir(&folder).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            assert!(
                name == "results" || made.files.iter().any(|(n, _)| *n == name),
                "{name} in {} is made by nothing",
                folder.display()
            );
        }
    }
}

#[test]
fn every_stored_sheet_is_a_sheet_whose_columns_stand_in_the_log() {
    let mut read = 0;
    for folder in [fixtures(), fixtures().join("measured")] {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path().join("sheet.toml");
            let Ok(text) = std::fs::read_to_string(&path) else {
                continue;
            };
            let sheet: Sheet =
                toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            let log = std::fs::read_to_string(path.with_file_name(&sheet.pull.log)).unwrap();
            let header: Vec<&str> = log.lines().next().unwrap().split(',').collect();
            let g = &sheet.gauges;
            let gauges = [
                &g.travel,
                &g.mark,
                &g.tail,
                &g.body,
                &g.core,
                &g.span,
                &g.tail_load,
            ];
            for gauge in gauges.into_iter().flatten().chain([&g.load]) {
                assert!(
                    header.contains(&gauge.column.as_str()),
                    "{}: no column `{}` in {header:?}",
                    path.display(),
                    gauge.column
                );
            }
            assert_eq!(
                sheet.pull.simulated,
                !path.to_string_lossy().contains("measured")
            );
            read += 1;
        }
    }
    assert!(read >= STORED.len() + 2, "only {read} sheets");
}

/// The figures of the measured records that their origin notes state, counted anew.
#[test]
fn measured_records_are_whole() {
    let rows = |path: &str| {
        let text = std::fs::read_to_string(fixtures().join("measured").join(path)).unwrap();
        text.lines()
            .skip(1)
            .map(|l| {
                l.split(',')
                    .map(|c| c.parse::<f64>().unwrap())
                    .collect::<Vec<f64>>()
            })
            .collect::<Vec<_>>()
    };
    let shear = rows("laminate-shear/laminate_shear_repeat_1.csv");
    assert_eq!(shear.len(), 6084);
    let peak = shear.iter().map(|r| r[3]).fold(0.0, f64::max);
    assert!((peak - 12.181_802_75).abs() < 1e-9);
    let cyclic = rows("laminate-cyclic/laminate_cyclic_tension.csv");
    assert_eq!(cyclic.len(), 12_099);
    let gap = cyclic
        .windows(2)
        .position(|w| w[1][0] - w[0][0] > 1.0)
        .unwrap();
    assert_eq!((cyclic[gap][0], cyclic[gap + 1][0]), (100.0, 375.0));
}

/// A mutation whose line was rewritten breaks nothing, and is never missed.
#[test]
fn every_mutation_has_its_one_place() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let list = std::fs::read_to_string(root.join("tests/mutations/list.toml")).unwrap();
    let list: toml::Table = toml::from_str(&list).unwrap();
    let mutations = list["mutation"].as_array().unwrap();
    assert!(mutations.len() >= 20, "{}", mutations.len());
    for mutation in mutations {
        let of = |key: &str| mutation[key].as_str().unwrap();
        let code = std::fs::read_to_string(root.join(of("file"))).unwrap();
        assert_eq!(code.matches(of("from")).count(), 1, "{}", of("name"));
        assert_ne!(of("from"), of("to"), "{}", of("name"));
    }
}
