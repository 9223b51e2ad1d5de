//! Which parts are stacked on one another, so that each millimetre of travel is shown once.

use std::collections::BTreeMap;

use crate::separate::PartName;

/// The parts to stack, lowest first: the finest split that has a value throughout.
///
/// Set and cover slip stand for themselves where both are known, else as one figure; where not even stopper slip is
/// known apart, what did not come back stands for all three.
pub(super) fn order<T>(
    parts: &BTreeMap<PartName, T>,
    has_value: impl Fn(&T) -> bool,
) -> Vec<PartName> {
    let known = |name| parts.get(&name).is_some_and(&has_value);
    let mut stacked: Vec<PartName> = [PartName::Give, PartName::Stretch]
        .into_iter()
        .filter(|p| known(*p))
        .collect();
    let lump = known(PartName::SetAndCoverSlip);
    if known(PartName::CoverSlip) && (known(PartName::Set) || !lump) {
        stacked.extend(
            [PartName::Set, PartName::CoverSlip]
                .into_iter()
                .filter(|p| known(*p)),
        );
    } else if lump {
        stacked.push(PartName::SetAndCoverSlip);
    } else if known(PartName::NotRecovered) {
        stacked.push(PartName::NotRecovered);
        return stacked;
    } else if known(PartName::Set) {
        stacked.push(PartName::Set);
    }
    if known(PartName::StopperSlip) {
        stacked.push(PartName::StopperSlip);
    }
    stacked
}

#[cfg(test)]
mod tests {
    use super::*;
    use PartName::{CoverSlip, Give, NotRecovered, Set, SetAndCoverSlip, StopperSlip, Stretch};

    #[test]
    fn every_millimetre_is_stacked_once() {
        let cases: [(&[PartName], &[PartName]); 4] = [
            (
                &[
                    Give,
                    Stretch,
                    Set,
                    StopperSlip,
                    CoverSlip,
                    SetAndCoverSlip,
                    NotRecovered,
                ],
                &[Give, Stretch, Set, CoverSlip, StopperSlip],
            ),
            (
                &[Stretch, StopperSlip, SetAndCoverSlip, NotRecovered],
                &[Stretch, SetAndCoverSlip, StopperSlip],
            ),
            (&[Stretch, NotRecovered], &[Stretch, NotRecovered]),
            (&[NotRecovered, StopperSlip], &[NotRecovered]),
        ];
        for (known, expected) in cases {
            let parts: BTreeMap<PartName, bool> = known.iter().map(|p| (*p, true)).collect();
            assert_eq!(order(&parts, |k| *k), expected);
        }
    }
}
