use super::*;

/// Stretch laws of the trade's two fibres, 15 m aboard, 4 kN: at 50 mm of slip polyester (EA 210 kN, toe 0.6 %) keeps 83 %
/// and HMPE (EA 1122 kN, toe 0.12 %) 21 %; at 25 mm 91 % and 56 % (computed check values of the domain, printed to a per
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
