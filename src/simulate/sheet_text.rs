//! The sheet of a simulated pull: what a person at the dock would know, and the instruments as their papers state them.

use std::fmt::Write as _;

use super::memory::column;
use super::scenario::{GaugeSpec, Scenario};
use crate::ingest::GaugeKind;
use crate::sheet::{Against, BitterEnd, CoverAtEye};

/// A number without trailing zeros, at most six decimals.
fn n(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

fn mm(value: f64) -> String {
    format!("\"{} mm\"", n(value * 1e3))
}

fn kn(value: f64) -> String {
    format!("\"{} kN\"", n(value / 1e3))
}

/// The commented `sheet.toml` of a scenario.
#[must_use]
pub fn sheet_text(s: &Scenario, seed: u64) -> String {
    let mut t = String::new();
    // Writing to a String cannot fail.
    let _ = head(&mut t, s, seed);
    let _ = gauges(&mut t, s);
    let _ = foot(&mut t, s);
    t
}

fn head(t: &mut String, s: &Scenario, seed: u64) -> std::fmt::Result {
    let name = &s.name;
    let id = format!("{name}-{seed}");
    writeln!(
        t,
        "# Simulated pull, invented place and people. {}",
        s.words.story
    )?;
    writeln!(
        t,
        "# The truth stands beside it in truth.json and truth.csv; no analysis reads them.\n"
    )?;
    writeln!(t, "[pull]\nid = \"{id}\"")?;
    writeln!(t, "when = \"2026-05-14T09:30:00+02:00\"")?;
    writeln!(
        t,
        "place = \"test bench in the rope loft at Sandgrind Quay (invented)\""
    )?;
    writeln!(t, "purpose = \"delivery\"")?;
    writeln!(
        t,
        "operator = \"rigger on duty\"\nwitness = \"yard foreman\""
    )?;
    writeln!(t, "log = \"log.csv\"")?;
    if s.instruments.gauges.iter().any(|g| g.by_camera) {
        writeln!(
            t,
            "marks = \"marks.csv\"               # read by camera when each hold ends"
        )?;
    }
    writeln!(
        t,
        "simulated = true                  # every page of a report says so"
    )?;
    writeln!(t, "rig = \"loft bench\"\nsession = \"loft bench, morning\"")?;
    writeln!(
        t,
        "pretension = {}             # first dwell: every part of the travel is zero here\n",
        kn(s.asked.pretension)
    )?;
    let line = &s.line;
    writeln!(
        t,
        "[line]\nid = \"line of {id}\"\nlength_id = \"first\"\nconstruction = \"double braid\""
    )?;
    writeln!(
        t,
        "core = \"{}\"\ncover = \"{}\"",
        s.words.core, s.words.cover
    )?;
    writeln!(
        t,
        "diameter = {}\nbreak_load = {}",
        mm(s.words.diameter),
        kn(s.words.break_load)
    )?;
    writeln!(
        t,
        "free_length = \"{} m\"               # mouth of the stopper to the point whose travel is read",
        n(line.free_length)
    )?;
    writeln!(t, "tail_length = \"{} m\"", n(line.tail_length))?;
    if line.tail_stores_stated {
        writeln!(
            t,
            "tail_stores = {}               # cover milked toward the bitter end: no bunching in the tail",
            mm(line.tail_stores)
        )?;
    } else {
        writeln!(
            t,
            "# tail_stores: not known; a long tail may bunch before the core end moves"
        )?;
    }
    let eye = match line.cover_at_eye {
        CoverAtEye::Locked => "locked",
        CoverAtEye::Free => "free",
        CoverAtEye::Unknown => "unknown",
    };
    writeln!(t, "cover_at_eye = \"{eye}\"")?;
    let end = match line.bitter_end {
        BitterEnd::Free => "free",
        BitterEnd::Whipped => "whipped",
        BitterEnd::Unknown => "unknown",
    };
    writeln!(t, "bitter_end = \"{end}\"")?;
    writeln!(t, "bedded = {}", line.set.past_load > 0.0)?;
    if line.set.past_load > 0.0 {
        writeln!(t, "highest_past_load = {}", kn(line.set.past_load))?;
    }
    writeln!(t, "wet = false\n")?;
    writeln!(
        t,
        "[stopper]\nid = \"stopper A\"\ngrip = \"{}\"",
        s.words.grip
    )?;
    writeln!(
        t,
        "diameter_min = {}\ndiameter_max = {}",
        mm(s.words.diameter - 2e-3),
        mm(s.words.diameter + 2e-3)
    )?;
    writeln!(t, "rated_load = {}\nholds = \"fresh\"", kn(s.asked.proof))?;
    writeln!(t, "tail = \"free\"")?;
    writeln!(
        t,
        "jaw_give = {}                # the most that the jaws move and come back\nloaded_releases = 0\nhauls_closed = 0\n",
        mm(s.mount.jaw_give_stated)
    )
}

fn gauges(t: &mut String, s: &Scenario) -> std::fmt::Result {
    writeln!(t, "[gauges.time]\ncolumn = \"time [s]\"\nunit = \"s\"\n")?;
    for g in &s.instruments.gauges {
        gauge(t, g)?;
    }
    Ok(())
}

fn gauge(t: &mut String, g: &GaugeSpec) -> std::fmt::Result {
    let force = g.kind.is_force();
    let shown = if force { kn } else { mm };
    writeln!(
        t,
        "[gauges.{}]\ncolumn = \"{}\"\nunit = \"{}\"",
        g.kind.name(),
        column(g.kind),
        if force { "kN" } else { "mm" }
    )?;
    match g.against {
        Some(Against::Rig) => writeln!(t, "against = \"rig\"")?,
        Some(Against::Stopper) => writeln!(t, "against = \"stopper\"")?,
        Some(Against::CoverEnd) => writeln!(t, "against = \"cover end\"")?,
        None => {}
    }
    writeln!(
        t,
        "capacity = {}\nresolution = {}",
        shown(g.capacity),
        shown(g.step)
    )?;
    writeln!(t, "accuracy = \"{} % of reading\"", n(g.gain * 100.0))?;
    if force {
        writeln!(t, "zero = {}", shown(g.zero))?;
    }
    writeln!(t, "drift = {}", shown(g.drift))?;
    writeln!(
        t,
        "certificate = \"invented-{}\"\ncertified = \"2026-03-01\"\nvalid_until = \"2027-03-01\"",
        g.kind.name()
    )?;
    if let Some(d) = g.distance {
        let what = if g.kind == GaugeKind::Span {
            "between the marks"
        } else {
            "from the mouth"
        };
        writeln!(t, "distance = {}               # {what}", mm(d))?;
        writeln!(t, "distance_uncertainty = {}", mm(g.distance_u))?;
    }
    writeln!(t)
}

fn foot(t: &mut String, s: &Scenario) -> std::fmt::Result {
    let a = &s.asked;
    writeln!(
        t,
        "[limits]\nproof = {}\nhold = \"{} s\"",
        kn(a.proof),
        n(a.hold)
    )?;
    writeln!(
        t,
        "stopper_slip = {}              # seating apart\ncover_slip = {}",
        mm(a.stopper_slip),
        mm(a.cover_slip)
    )?;
    if let Some(rate) = a.rate {
        writeln!(t, "rate = \"{} mm/min\"", n(rate * 60e3))?;
    }
    if let Some(creep) = a.creep {
        writeln!(t, "creep = \"{} mm/decade\"", n(creep * 1e3))?;
    }
    writeln!(
        t,
        "\n[[chain]]\npart = \"shackle at the ram\"\nworking_load = \"20 kN\"\n"
    )?;
    writeln!(
        t,
        "[[chain]]\npart = \"load cell\"\nworking_load = \"20 kN\"\n"
    )?;
    writeln!(
        t,
        "[aboard]\nlength = \"{} m\"\nload = {}",
        n(a.aboard_length),
        kn(a.aboard_load)
    )
}
