//! What may be drawn: lines are broken where a value is missing, cut at the frame, and thinned to what a picture shows.
//!
//! plotters draws a missing value on the axis and pins a value outside to the frame, which looks like a peak that never
//! was; so nothing reaches it before it went through here. Points are in units of the layout.

/// Width of a column for lines and for the edges of bands, which need less detail.
pub(super) const LINE_COLUMN: f64 = 0.5;
pub(super) const BAND_COLUMN: f64 = 1.0;

/// A point on the paper.
pub(super) type Point = (f64, f64);

/// A rectangle on the paper; `top` is less than `bottom`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Area {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

/// Unbroken stretches of finite points.
pub(super) fn runs(points: &[Point]) -> impl Iterator<Item = &[Point]> {
    points
        .split(|(x, y)| !x.is_finite() || !y.is_finite())
        .filter(|run| !run.is_empty())
}

/// One run thinned so that neighbours in the same column of this width keep only their first, lowest, highest and last
/// point: every extreme survives.
pub(super) fn thin(run: &[Point], width: f64) -> Vec<Point> {
    let mut kept = Vec::new();
    let mut start = 0;
    while start < run.len() {
        let column = (run[start].0 / width).floor();
        let mut end = start;
        let (mut lowest, mut highest) = (start, start);
        while end < run.len() && (run[end].0 / width).floor() == column {
            if run[end].1 < run[lowest].1 {
                lowest = end;
            }
            if run[end].1 > run[highest].1 {
                highest = end;
            }
            end += 1;
        }
        let mut picks = [start, lowest, highest, end - 1];
        picks.sort_unstable();
        for (i, pick) in picks.iter().enumerate() {
            if i == 0 || picks[i - 1] != *pick {
                kept.push(run[*pick]);
            }
        }
        start = end;
    }
    kept
}

/// The pieces of a run that lie inside the area, cut at its edges (Liang and Barsky 1984).
pub(super) fn inside(run: &[Point], area: Area) -> Vec<Vec<Point>> {
    let mut pieces: Vec<Vec<Point>> = Vec::new();
    if let [only] = run {
        let within = (area.left..=area.right).contains(&only.0)
            && (area.top..=area.bottom).contains(&only.1);
        return if within { vec![vec![*only]] } else { pieces };
    }
    for pair in run.windows(2) {
        let Some((from, to)) = cut(pair[0], pair[1], area) else {
            continue;
        };
        match pieces.last_mut() {
            Some(piece) if piece.last() == Some(&from) => piece.push(to),
            _ => pieces.push(vec![from, to]),
        }
    }
    pieces
}

fn cut(from: Point, to: Point, area: Area) -> Option<(Point, Point)> {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let edges = [
        (-dx, from.0 - area.left),
        (dx, area.right - from.0),
        (-dy, from.1 - area.top),
        (dy, area.bottom - from.1),
    ];
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (p, q) in edges {
        if p == 0.0 {
            if q < 0.0 {
                return None;
            }
        } else if p < 0.0 {
            enter = enter.max(q / p);
        } else {
            leave = leave.min(q / p);
        }
    }
    if enter > leave {
        return None;
    }
    let at = |t: f64| {
        if t == 0.0 {
            from
        } else if t == 1.0 {
            to
        } else {
            (from.0 + t * dx, from.1 + t * dy)
        }
    };
    Some((at(enter), at(leave)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const AREA: Area = Area {
        left: 0.0,
        top: 0.0,
        right: 10.0,
        bottom: 10.0,
    };

    #[test]
    fn missing_values_break_a_line() {
        let points = [
            (0.0, 1.0),
            (1.0, f64::NAN),
            (2.0, 1.0),
            (3.0, 2.0),
            (f64::INFINITY, 0.0),
        ];
        let found: Vec<_> = runs(&points).collect();
        assert_eq!(found, [&[(0.0, 1.0)][..], &[(2.0, 1.0), (3.0, 2.0)]]);
    }

    #[test]
    fn a_peak_outside_is_cut_and_not_pinned() {
        let pieces = inside(&[(2.0, 5.0), (4.0, -5.0), (6.0, 5.0)], AREA);
        assert_eq!(
            pieces,
            vec![vec![(2.0, 5.0), (3.0, 0.0)], vec![(5.0, 0.0), (6.0, 5.0)]]
        );
        assert!(inside(&[(2.0, 20.0), (4.0, 30.0)], AREA).is_empty());
        assert!(inside(&[(2.0, 20.0)], AREA).is_empty());
    }

    proptest! {
        #[test]
        fn thinning_keeps_every_extreme(ys in prop::collection::vec(-5.0..5.0f64, 1..400)) {
            let run: Vec<Point> = ys.iter().enumerate().map(|(i, y)| (i as f64 * 0.01, *y)).collect();
            let kept = thin(&run, 0.5);
            for pick in [f64::min as fn(f64, f64) -> f64, f64::max] {
                let extreme = |points: &[Point]| points.iter().map(|p| p.1).fold(run[0].1, pick);
                prop_assert_eq!(extreme(&kept), extreme(&run));
            }
            prop_assert!(kept.len() <= 4 * (run.len() / 50 + 1));
            prop_assert_eq!((kept[0], kept[kept.len() - 1]), (run[0], run[run.len() - 1]));
        }

        #[test]
        fn nothing_leaves_the_frame(ys in prop::collection::vec((-30.0..30.0f64, -30.0..30.0f64), 2..40)) {
            for (x, y) in inside(&ys, AREA).into_iter().flatten() {
                prop_assert!((-1e-9..=10.0 + 1e-9).contains(&x) && (-1e-9..=10.0 + 1e-9).contains(&y));
            }
        }
    }
}
