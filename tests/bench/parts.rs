//! The parts of the split, and what the truth of a simulated pull calls them.

use bitterend::separate::PartName;

/// Every part.
pub const PARTS: [PartName; 7] = [
    PartName::Stretch,
    PartName::Set,
    PartName::StopperSlip,
    PartName::CoverSlip,
    PartName::Give,
    PartName::SetAndCoverSlip,
    PartName::NotRecovered,
];

/// The name of a part in the truth.
pub fn name(part: PartName) -> &'static str {
    match part {
        PartName::Stretch => "stretch",
        PartName::Set => "set",
        PartName::StopperSlip => "stopper_slip",
        PartName::CoverSlip => "cover_slip",
        PartName::Give => "give",
        PartName::SetAndCoverSlip => "set_and_cover_slip",
        PartName::NotRecovered => "not_recovered",
    }
}
