use super::*;

/// Stretch laws of the trade's two fibres, 15 m aboard, 4 kN: at 50 mm of slip polyester (EA 210 kN, toe 0.6 %) keeps 83 %
/// and HMPE (EA 1122 kN, toe 0.12 %) 21 %; at 25 mm 91 % and 56 % (check values computed outside this project, printed to a per
/// cent). Through the solver and the laws that the charts use.
#[test]
fn the_same_slip_empties_a_stiff_line() {
    let branches = comparison_branches(15.0, 4e3);
    let share = |i: usize, slip: f64| branches[i].1.tension_after(4e3, slip).unwrap() / 4e3;
    for (i, slip, printed) in [
        (0, 0.05, 0.83),
        (1, 0.05, 0.21),
        (0, 0.025, 0.91),
        (1, 0.025, 0.56),
    ] {
        let kept = share(i, slip);
        assert!(
            (kept - printed).abs() <= 0.005,
            "{}: {kept} {printed}",
            branches[i].0
        );
    }
    assert!(branches[0].0.contains("polyester") && branches[1].0.contains("HMPE"));
}

/// Loss to millimetres is the inverse of millimetres to loss.
#[test]
fn a_loss_gives_back_its_slip() {
    for (_, branch) in comparison_branches(15.0, 4e3) {
        let branch = branch.with_give(1e-6);
        let left = branch.tension_after(4e3, 0.012).unwrap();
        let slip = branch.slip_between(4e3, left).unwrap();
        assert!((slip - 0.012).abs() < 1e-9, "{slip}");
    }
}

/// A rig that gives shares the loss: more tension is kept.
#[test]
fn give_of_the_rig_keeps_tension() {
    let branches = comparison_branches(15.0, 4e3);
    let rigid = branches[1].1.tension_after(4e3, 0.02).unwrap();
    let soft = branches[1]
        .1
        .clone()
        .with_give(5e-6)
        .tension_after(4e3, 0.02)
        .unwrap();
    assert!(soft > rigid + 100.0);
}

#[test]
fn nothing_is_said_outside_the_loads_measured() {
    let branch = Branch::new(&[(500.0, 0.001), (4e3, 0.01)], 10.0, 0.0).unwrap();
    assert_eq!(
        branch.tension_after(5e3, 0.01),
        Err(Beyond::AboveMeasured(4e3))
    );
    assert_eq!(
        branch.tension_after(4e3, 0.5),
        Err(Beyond::BelowMeasured(500.0))
    );
    assert!(Branch::new(&[(1.0, 0.0), (2.0, 0.0)], 10.0, 0.0).is_err());
    assert!(Branch::found(None, 10.0, 0.0).is_err());
}

mod whole {
    use super::*;
    use crate::limit::handmade::{Errors, Pull, steps};
    use crate::separate::PartName::{CoverSlip, StopperSlip};

    const ABOARD: &str = "[line]\nfree_length = \"6 m\"\n[aboard]\nlength = \"15 m\"\nload = \"4 kN\"\nload_found = \"3 kN\"\n";

    /// A pull that slips 10 mm in the stopper by 4 kN and then creeps; straight line of EA 400 kN over 6 m.
    fn pull(hold: f64, creep_per_decade: f64) -> Pull {
        let pull = Pull::new(&steps(&[4e3], hold), ABOARD, Errors::NONE);
        let start = pull.phases[2].start_s;
        let slip = pull.law(|t, load, _, _, _| {
            0.01 * (load - 300.0) / 3.7e3
                + creep_per_decade * (1.0 + 10.0 * (t - start).max(0.0)).log10()
        });
        let still = pull.law(|_, _, _, _, _| 0.0);
        let mut pull = pull.with(StopperSlip, &slip).with(CoverSlip, &still);
        let loads: Vec<f64> = (0..=40).map(|i| 0.1 * f64::from(i)).collect();
        let stretch: Vec<f64> = loads.iter().map(|kn| kn / 400.0 * 6e3).collect();
        pull.separated.stretch_curve = Some(crate::separate::StretchCurve {
            load_kn: loads,
            loading_mm: stretch.clone(),
            unloading_mm: stretch,
            free_length_mm: Some(6e3),
        });
        pull
    }

    fn result(pull: &Pull) -> AboardResult {
        let (limit, _) = pull.find();
        keep(&pull.inputs(), &limit).0.unwrap()
    }

    /// Straight line: tension lost = EA·slip/L = 400 kN · 10 mm / 15 m = 267 N of 4 kN.
    #[test]
    fn a_straight_line_loses_what_its_stiffness_says() {
        let found = result(&pull(600.0, 0.0));
        assert!(
            (found.slip.value.unwrap() - 0.01).abs() < 2e-4,
            "{:?}",
            found.slip
        );
        let kept = found.kept_at_once.value.unwrap();
        assert!((kept - (1.0 - 0.2667 / 4.0)).abs() < 2e-3, "{kept}");
        assert!(found.kept_at_once.low.unwrap() < kept && kept < found.kept_at_once.high.unwrap());
        // 1 kN lost is 15 m · 1/400 = 37.5 mm.
        let behind = found.slip_behind_loss.unwrap();
        assert!((behind.value.unwrap() - 0.0375).abs() < 1e-6);
        assert_eq!(found.curves.len(), 3);
        for curve in &found.curves {
            assert!((curve.kept[0] - 1.0).abs() < 1e-9);
            assert!(curve.kept.windows(2).all(|w| w[1] <= w[0] + 1e-12));
        }
    }

    #[test]
    fn an_hour_is_said_only_within_a_decade_of_the_longest_hold() {
        let short = result(&pull(120.0, 1e-3)).kept_after_hour;
        assert_eq!(short.status, Status::CannotTell);
        assert!(short.reason.unwrap().contains("decade"));
        let found = result(&pull(600.0, 1e-3));
        let hour = found.kept_after_hour;
        assert_eq!(hour.status, Status::Projected);
        // 1 mm per decade over log10(360) decades more: 2.56 mm, 68 N.
        let more = found.kept_at_once.value.unwrap() - hour.value.unwrap();
        assert!(
            (more - 400e3 * 2.556e-3 / 15.0 / 4e3).abs() < 1e-3,
            "{more}"
        );
    }

    /// With no gauge on either interface both slips together are at most what did not come back, counted once.
    #[test]
    fn hidden_slips_are_bounded_once() {
        let open = pull(600.0, 0.0);
        let all = open.law(|_, load, _, _, _| 0.01 * (load - 300.0) / 3.7e3);
        let open = open
            .without(StopperSlip, "no tail mark")
            .without(CoverSlip, "no cover mark")
            .with(crate::separate::PartName::NotRecovered, &all);
        let found = result(&open);
        assert_eq!(
            (found.slip.status, found.slip.low),
            (Status::Bracket, Some(0.0))
        );
        assert!((found.slip.high.unwrap() - 0.01).abs() < 2e-4);
        let kept = found.kept_at_once;
        assert_eq!((kept.status, kept.value), (Status::Bracket, None));
        assert!(
            kept.high.unwrap() > 0.99 && (kept.low.unwrap() - 0.933).abs() < 0.01,
            "{kept:?}"
        );
    }

    #[test]
    fn what_is_missing_is_named() {
        let mut without_curve = pull(600.0, 0.0);
        without_curve.separated.stretch_curve = None;
        let found = result(&without_curve);
        assert_eq!(found.kept_at_once.status, Status::CannotTell);
        assert!(found.kept_at_once.reason.unwrap().contains("stretch curve"));
        assert_eq!(found.curves.len(), 2);
        let hidden = pull(600.0, 0.0).without(CoverSlip, "no cover mark");
        let found = result(&hidden);
        assert!(found.slip.reason.unwrap().contains("no cover mark"));
        assert_eq!(found.kept_at_once.status, Status::CannotTell);
        let mut plain = pull(600.0, 0.0);
        plain.sheet.aboard = None;
        let (limit, _) = plain.find();
        assert_eq!(keep(&plain.inputs(), &limit).0, None);
        let empty = Pull::new(&[], ABOARD, Errors::NONE);
        let found = result(&empty);
        assert_eq!(found.kept_at_once.status, Status::CannotTell);
    }
}
