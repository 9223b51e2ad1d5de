//! Many pulls of one kind: what of each pull counts, and what do repeats say together?
//!
//! `pull` takes the few facts of a finished analysis that many pulls are compared by, so that memory stays small however
//! long the logs were; `repeats` fits a distribution to them; `bound` carries its lower tolerance bound.

mod bound;
mod pull;
mod repeats;

pub use bound::{Bound, lower_bound};
pub(crate) use pull::NO_TREATMENT;
pub(crate) use pull::UNNAMED;
pub use pull::{Finished, Held, Pull, PullFigure, WhyNot};
pub use repeats::{Basis, Fit, Repeats, SuccessRun, repeats};
pub(crate) use repeats::{mean_observed, passes_wanted};
