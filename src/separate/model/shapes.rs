//! Columns of what follows the load: stretch, give of the mount, of the jaws and of the tail.

use std::ops::Range;

use super::Shape;
use super::gauges::GaugeReadings;
use super::pass::Pass;
use super::scene::Scene;
use crate::separate::bases::{self, Columns};
use crate::separate::solve::{Prior, Tie, Weight};
use crate::sheet::{Against, Sheet};

/// Most that jaws give when the sheet does not say, mm (common practice, no source), and what a sheet that says none is
/// taken for.
const JAW_GIVE_MM: f64 = 2.0;
const JAW_GIVE_LEAST_MM: f64 = 0.01;
/// Most that a mount gives which a mark shares and no gauge shows, mm (common practice, no source).
const MOUNT_GIVE_MM: f64 = 2.0;
/// "The most" holds within this share of it.
const MOST_SHARE: f64 = 0.02;
/// Share of [`Scene::left_open`] that is stretch: centre and half width. Between none and all of it, and a quarter more
/// either way for what the play operators do not show of the loop. Readings do not settle it: where the shapes fit a line
/// badly it would make up for that, with 4 % of the stretch in lines of another simulator.
const LEFT_OPEN: (f64, f64) = (0.6, 0.75);

/// Shapes whose weights are unknowns of the balance; empty where no gauge sees them.
pub(super) struct Shapes {
    pub stretch: Shape,
    /// Columns of the stretch that are the lags of one image each, the shortest first.
    pub lagged: Vec<Range<usize>>,
    pub body: Shape,
    pub jaws: Shape,
    pub tail: Shape,
}

impl Scene<'_> {
    /// The shapes that these gauges see, their weights added to `weights`.
    pub(super) fn shapes(
        &self,
        read: &GaugeReadings,
        pass: Option<&Pass>,
        weights: &mut Vec<Weight>,
    ) -> Shapes {
        // No shape makes more than the whole movement: far from binding, but it settles combinations that fit alike.
        let whole = read.whole();
        let mut shape = |seen: bool, columns: &[Vec<f64>], most: f64| {
            if !seen {
                return Shape::default();
            }
            let first = weights.len();
            weights.extend(columns.iter().map(|_| Weight {
                non_negative: true,
                prior: Prior::Normal(most),
                centre: 0.0,
                source: String::new(),
            }));
            Shape {
                weights: (first..weights.len()).collect(),
                columns: columns.to_vec(),
            }
        };
        let travels = read.travel.is_some();
        let columns = match pass {
            Some(pass) => Columns::clone(&pass.shapes),
            None => self.stretch(&self.phased.quiet_load_n, None),
        };
        let lagged = if travels {
            columns.lags.clone()
        } else {
            Vec::new()
        };
        let give = self.zeroed(self.columns(bases::give, &self.phased.quiet_grip_n, None));
        let mut stretch = shape(travels, &self.zeroed(columns), whole);
        let body = shape(read.body.is_some(), &give, whole);
        let jaws = shape(read.mark.is_some(), &give, jaw_give_mm(self.sheet));
        let tail = shape(read.tail.is_some(), &give, whole);
        if let Some(pass) = pass.filter(|_| travels) {
            stretch.weights.push(weights.len());
            stretch.columns.push(self.left_open(&pass.spline));
            weights.push(Weight {
                non_negative: false,
                prior: Prior::Held(LEFT_OPEN.1),
                centre: LEFT_OPEN.0,
                source: "loop left open at pre-tension".to_owned(),
            });
        }
        Shapes {
            stretch,
            lagged,
            body,
            jaws,
            tail,
        }
    }
}

impl Scene<'_> {
    /// All columns of the give are one at the highest load: their weights and a rest that is not negative are the most.
    pub(super) fn most_give(&self, jaws: &Shape, weights: &mut Vec<Weight>) -> Option<Tie> {
        jaws.weights.first()?;
        let most = jaw_give_mm(self.sheet);
        let mut terms: Vec<(usize, f64)> = jaws.weights.iter().map(|i| (*i, 1.0)).collect();
        terms.push((weights.len(), 1.0));
        weights.push(Weight {
            non_negative: true,
            prior: Prior::None,
            centre: 0.0,
            source: String::new(),
        });
        Some(Tie {
            terms,
            value: most,
            sd: MOST_SHARE * most,
        })
    }
}

/// The most that jaws give, mm, with the mount where a mark shares its give and no gauge shows it.
pub(in crate::separate) fn jaw_give_mm(sheet: &Sheet) -> f64 {
    let jaws = sheet
        .stopper
        .jaw_give
        .map_or(JAW_GIVE_MM, |give| 1e3 * give.si());
    let gauges = &sheet.gauges;
    let against = gauges.mark.as_ref().map(|m| m.against);
    let shared = gauges.body.is_none() && against.is_some_and(|a| a != Some(Against::Stopper));
    jaws.max(JAW_GIVE_LEAST_MM) + if shared { MOUNT_GIVE_MM } else { 0.0 }
}
