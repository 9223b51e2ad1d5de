use super::*;
use crate::compare::tests::matrix;

/// Two pairs, five lines each: the exact average over Welch's degrees of freedom lies between the two-sample t test with
/// n − 1 and with 2n − 2 degrees of freedom (noncentral t).
#[test]
fn power_lies_between_its_two_bounds() {
    use crate::stats::quantile::student;
    use crate::stats::tolerance::noncentral_t;
    let (n, spread, difference) = (5, 0.08, 0.15);
    let shift = f64::ln_1p(difference) / (spread * (2.0f64 / 5.0).sqrt());
    let plain = |dof: f64| {
        let t = student(0.975, dof);
        1.0 - noncentral_t(t, 8.0, shift) + noncentral_t(-t, 8.0, shift)
    };
    let found = power::power(n, spread, difference, 2, 0.95);
    assert!(
        plain(4.0) < found && found < plain(8.0),
        "{found} {} {}",
        plain(4.0),
        plain(8.0)
    );
    // Without a difference it is the share of false alarms, which Welch keeps near 5 %.
    let none = power::power(n, spread, 0.0, 2, 0.95);
    assert!((0.03..=0.052).contains(&none), "{none}");
    assert!(power::power(9, spread, difference, 2, 0.95) > found);
    assert!(power::power(5, spread, difference, 6, 0.95) < found);
}

#[test]
fn numbers_are_the_smallest_that_are_enough() {
    let wanted = Wanted {
        spread: 0.08,
        difference: 0.15,
        pairs: 2,
        power: 0.8,
        level: 0.95,
        share: 0.9,
        confidence: 0.95,
    };
    let n = power::numbers(&wanted, vec![("a".into(), 1.5), ("b".into(), 0.9)]);
    let each = n.each.unwrap();
    assert!(power::power(each, 0.08, 0.15, 2, 0.95) >= 0.8);
    assert!(power::power(each - 1, 0.08, 0.15, 2, 0.95) < 0.8);
    assert_eq!(n.passes, 29);
    assert!(n.for_bound[0].lines.unwrap() < 10 && n.for_bound[1].lines.is_none());
}

#[test]
fn the_control_stands_first_in_the_middle_and_last() {
    let names = order::names(vec!["a".into(), "b".into(), "c".into()], 4);
    let turns = order::shuffled(&names, 4, 2, 7);
    for session in [1, 2] {
        let own: Vec<&Turn> = turns.iter().filter(|t| t.session == session).collect();
        assert!(own[0].control && own[own.len() - 1].control);
        assert_eq!(own.iter().filter(|t| t.control).count(), 3);
        for pair in &names[1..] {
            assert_eq!(own.iter().filter(|t| t.pair == *pair).count(), 2, "{pair}");
        }
    }
    assert_eq!(turns, order::shuffled(&names, 4, 2, 7));
    assert_ne!(turns, order::shuffled(&names, 4, 2, 8));
}

fn sheet(rest: &str) -> Sheet {
    toml::from_str(&format!(
        "[pull]\nlog = 'log.csv'\n[line]\ndiameter = '10 mm'\nbreak_load = '40 kN'\n[gauges.load]\ncolumn = 'load'\ncapacity = '20 kN'\n{rest}"
    ))
    .unwrap()
}

#[test]
fn steps_stay_within_the_weakest_part() {
    let s = schedule::of(&sheet(
        "[gauges.mark]\ncolumn = 'mark'\nresolution = '0.5 mm'\n[limits]\nproof = '8 kN'\nhold = '60 s'\nrate = '1 mm/min'\n[[chain]]\npart = 'shackle'\nworking_load = '7.5 kN'\n[[chain]]\npart = 'ram'\nworking_load = '30 kN'",
    ));
    assert_eq!(
        (s.highest_kn, s.weakest.as_deref()),
        (Some(7.5), Some("shackle"))
    );
    assert!(s.steps.iter().all(|x| x.load_kn <= 7.5));
    assert!(
        s.notes
            .iter()
            .any(|n| n.contains("MORE than the chain allows"))
    );
    // ISO 2307: 10 mm has a reference tension of 0.125 kN, and three bedding cycles.
    assert!((s.steps[0].load_kn - 0.125).abs() < 1e-12);
    assert_eq!(
        s.steps
            .iter()
            .filter(|x| x.what.contains("bedding") && x.what.contains("up"))
            .count(),
        3
    );
    // 1 mm/min over half the hold must be three steps of 0.5 mm: three minutes.
    let hold = s.steps.iter().find(|x| x.what.starts_with("hold")).unwrap();
    assert!((hold.seconds - 180.0).abs() < 1e-9);
    let without = schedule::of(&sheet(""));
    assert_eq!(without.weakest.as_deref(), Some("load cell (its capacity)"));
    assert!(without.notes.iter().any(|n| n.contains("[[chain]]")));
}

#[test]
fn candidates_are_ranked_by_what_they_hold_with_confidence() {
    let settings = Settings {
        diameter_mm: Some(10.0),
        load_kn: Some(5.0),
        ..Settings::default()
    };
    let p = plan(matrix(), None, &settings);
    let names: Vec<&str> = p.candidates.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["middle in jaws", "middle in cam"]);
    assert!(p.candidates[0].bound_kn > p.candidates[1].bound_kn);
    assert_eq!(p.candidates[1].holds, Some(false));
    // Never pulled at 9 mm: the cam by its law, the jaws not, for two diameters make no law.
    let p = plan(
        matrix(),
        None,
        &Settings {
            diameter_mm: Some(9.0),
            ..settings
        },
    );
    assert_eq!(p.candidates.len(), 1);
    assert!(p.candidates[0].prediction && p.candidates[0].basis.contains("prediction"));
    let none = plan(Vec::new(), None, &Settings::default());
    assert!(none.candidates.is_empty() && none.spread_from.contains("assumed"));
}
