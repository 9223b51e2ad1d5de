//! `explain`, `schema`, `completions`, `man`: what the tool says about itself.

use std::io;

use clap::CommandFactory as _;

use super::args::{Args, SchemaOf};
use super::console::Console;
use super::fault::Fault;
use crate::{explain, export};

/// Longest line of an explanation, in characters.
const WIDTH: usize = 92;

/// One topic, or the list of all.
///
/// # Errors
/// No such topic.
pub(super) fn explain(word: Option<&str>, console: &Console) -> Result<(), Fault> {
    let Some(word) = word else {
        for topic in explain::TOPICS {
            console.result(&format!("{:<14}  {}", topic.slug, topic.title));
        }
        return Ok(());
    };
    let topic = explain::find(word).ok_or_else(|| {
        Fault::new(
            format!("`{word}` is not explained"),
            format!(
                "nearest: {}; all topics: bitterend explain",
                explain::nearest(word).join(", ")
            ),
        )
    })?;
    let mut text = topic.title.to_owned();
    for paragraph in topic.text {
        text += "\n";
        let mut line = String::new();
        for word in paragraph.split(' ') {
            if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > WIDTH {
                text += &format!("\n{line}");
                line.clear();
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line += word;
        }
        text += &format!("\n{line}");
    }
    console.result(&text);
    Ok(())
}

/// A JSON Schema, or the columns of a table.
///
/// # Errors
/// It cannot be said in JSON, which means a fault of the program.
pub(super) fn schema(of: SchemaOf) -> Result<String, Fault> {
    Ok(match of {
        SchemaOf::Seal => export::schema_seal(),
        SchemaOf::Sheet => export::schema_sheet(),
        SchemaOf::Analysis => export::schema_analysis(),
        SchemaOf::Comparison => export::schema_comparison(),
        #[cfg(feature = "parquet")]
        SchemaOf::Traces => columns(export::columns_of_traces())?,
        #[cfg(feature = "parquet")]
        SchemaOf::Pulls => columns(export::columns_of_pulls())?,
    })
}

#[cfg(feature = "parquet")]
fn columns(text: Result<String, export::ExportError>) -> Result<String, Fault> {
    text.map_err(|e| Fault::export(std::path::Path::new("columns"), &e))
}

/// Completions of a shell.
pub(super) fn completions(shell: clap_complete::Shell) -> String {
    let mut bytes = Vec::new();
    clap_complete::generate(shell, &mut Args::command(), "bitterend", &mut bytes);
    String::from_utf8_lossy(&bytes).into_owned()
}

/// The man page: the command, then each of its subcommands.
///
/// # Errors
/// The page cannot be laid out, which in memory means a fault of the program.
pub(super) fn man() -> Result<String, Fault> {
    let mut bytes = Vec::new();
    let mut command = Args::command();
    command.build();
    let page = clap_mangen::Man::new(command.clone());
    let mut write = || -> io::Result<()> {
        page.render_title(&mut bytes)?;
        page.render_name_section(&mut bytes)?;
        page.render_synopsis_section(&mut bytes)?;
        page.render_description_section(&mut bytes)?;
        page.render_options_section(&mut bytes)?;
        for sub in command.get_subcommands().filter(|s| s.get_name() != "help") {
            let sub = clap_mangen::Man::new(sub.clone());
            sub.render_name_section(&mut bytes)?;
            sub.render_synopsis_section(&mut bytes)?;
            sub.render_options_section(&mut bytes)?;
            sub.render_extra_section(&mut bytes)?;
        }
        page.render_extra_section(&mut bytes)
    };
    write().map_err(|e| Fault {
        message: "the man page could not be written".into(),
        causes: vec![e.to_string()],
        hint: None,
    })?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
