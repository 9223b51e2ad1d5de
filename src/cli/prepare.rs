//! `plan`: what to do before the dock, from pulls already made and the sheet of the pull to come.

use super::args::PlanWishes;
use super::compare::{facts, parse_share};
use super::console::Console;
use super::exit::Exit;
use super::fault::Fault;
use super::files::{self, Staging};
use super::sources;
use crate::prepare::{self, Settings};
use crate::units::{Force, Length};
use crate::{export, report};

/// Prints the plan, or writes it where `--out` says.
///
/// # Errors
/// Wrong wishes, a sheet that cannot be read, or results that cannot be written.
pub(super) fn run(wishes: &PlanWishes, console: &Console) -> Result<Exit, Fault> {
    let settings = settings(wishes)?;
    if let Some(place) = &wishes.out {
        Staging::begin(place).map(drop)?;
    }
    let sheet = match &wishes.sheet {
        Some(folder) => Some(files::read_sheet_of(folder)?),
        None => None,
    };
    let named = sources::pull_sources(&wishes.folders)?;
    let (pulls, skipped) = facts(&named, console);
    if pulls.is_empty() && !named.is_empty() {
        return Err(Fault::new(
            "none of the pulls could be analysed",
            "run `bitterend check` on one of them",
        ));
    }
    let plan = prepare::plan(pulls, sheet.as_ref(), &settings);
    let report = report::render_plan(&plan);
    let here = std::path::Path::new(".");
    match &wishes.out {
        Some(place) => {
            let json = export::plan_json(&plan).map_err(|e| Fault::export(here, &e))?;
            let staging = Staging::begin(place)?;
            staging.write("plan.json", &json)?;
            staging.write("report.md", report.markdown.as_bytes())?;
            staging.write("report.html", report.html.as_bytes())?;
            staging.commit()?;
            console.say(&format!("plan in {}", place.join("report.md").display()));
        }
        None => console.result(report.markdown.trim_end()),
    }
    Ok(if skipped.is_empty() {
        Exit::Done
    } else {
        Exit::NotPassed
    })
}

fn settings(wishes: &PlanWishes) -> Result<Settings, Fault> {
    let mut s = Settings {
        pairs: wishes.pairs,
        sessions: wishes.sessions,
        seed: wishes.seed,
        ..Settings::default()
    };
    let shares = [
        ("difference", &wishes.difference, &mut s.difference, 1.0),
        ("power", &wishes.power, &mut s.power, 1.0),
        ("share", &wishes.share, &mut s.share, 1.0),
        ("confidence", &wishes.confidence, &mut s.confidence, 1.0),
    ];
    for (name, text, place, most) in shares {
        if let Some(text) = text {
            *place = share(name, text, most)?;
        }
    }
    if let Some(text) = &wishes.spread {
        s.spread = Some(share("spread", text, 10.0)?);
    }
    if let Some(text) = &wishes.load {
        let load = Force::parse(text).map_err(|e| {
            Fault::new(format!("--load {text}: {e}"), "write it as --load \"8 kN\"")
        })?;
        s.load_kn = Some(load.si() / 1e3);
    }
    if let Some(text) = &wishes.diameter {
        let d = Length::parse(text).map_err(|e| {
            Fault::new(
                format!("--diameter {text}: {e}"),
                "write it as --diameter \"10 mm\"",
            )
        })?;
        s.diameter_mm = Some(d.si() * 1e3);
    }
    Ok(s)
}

fn share(name: &str, text: &str, most: f64) -> Result<f64, Fault> {
    parse_share(text)
        .filter(|v| *v > 0.0 && *v < most)
        .ok_or_else(|| {
            Fault::new(
                format!("--{name} {text}: this is no share between 0 and {most}"),
                format!("write it as --{name} \"10 %\" or --{name} 0.1"),
            )
        })
}
