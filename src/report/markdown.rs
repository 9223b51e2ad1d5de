//! The view as Markdown (CommonMark with tables).

use super::view::{Block, Section, Table, View};
use crate::chart::Chart;

pub(super) fn write(view: &View, charts: &[Chart]) -> String {
    let mut out = format!("# {}\n\n", escaped(&view.title));
    if let Some(running) = view.running {
        out += &format!("*{running}*\n\n");
    }
    for answer in &view.answers {
        out += &format!("**{}:** {}\n\n", answer.label, escaped(&answer.text));
    }
    if !view.subtitle.is_empty() {
        out += &format!("{}\n\n", escaped(&view.subtitle));
    }
    for section in &view.sections {
        write_section(&mut out, section, view.running, charts);
    }
    out += &format!("---\n\n{}\n", escaped(&view.colophon));
    out
}

fn write_section(out: &mut String, section: &Section, running: Option<&str>, charts: &[Chart]) {
    *out += &format!("## {}\n\n", escaped(section.heading));
    // Markdown knows no pages: the running header stands wherever a page may begin.
    if let Some(running) = running {
        *out += &format!("*{running}*\n\n");
    }
    for block in &section.blocks {
        match block {
            Block::Text(text) => *out += &format!("{}\n\n", escaped(text)),
            Block::List(items) => {
                for item in items {
                    *out += &format!("- {}\n", escaped(item));
                }
                out.push('\n');
            }
            Block::Steps(steps) => {
                for (number, (what, why)) in steps.iter().enumerate() {
                    *out += &format!("{}. **{}** {}\n", number + 1, escaped(what), escaped(why));
                }
                out.push('\n');
            }
            Block::Caveats(caveats) => {
                for (found, advice, code) in caveats {
                    *out += &format!("- **{}**", escaped(found));
                    if !advice.is_empty() {
                        *out += &format!(" {}", escaped(advice));
                    }
                    *out += &format!(" (`bitterend explain {code}`)\n");
                }
                out.push('\n');
            }
            Block::Facts(facts) => {
                for (name, value) in facts {
                    *out += &format!("- **{}:** {}\n", escaped(name), escaped(value));
                }
                out.push('\n');
            }
            Block::Table(table) => write_table(out, table),
            Block::Chart(index) => {
                if let Some(chart) = charts.get(*index) {
                    *out += &format!(
                        "![{}: {}](charts/{})\n\n",
                        escaped(&chart.title),
                        escaped(&chart.description),
                        chart.file_name
                    );
                }
            }
            Block::SignOff(roles) => {
                let rows = roles
                    .iter()
                    .map(|(role, name)| {
                        vec![role.clone(), name.clone(), String::new(), String::new()]
                    })
                    .collect();
                let head = ["", "name", "date", "signature"].map(String::from).to_vec();
                write_table(
                    out,
                    &Table {
                        caption: String::new(),
                        head,
                        rows,
                    },
                );
            }
        }
    }
}

fn write_table(out: &mut String, table: &Table) {
    if !table.caption.is_empty() {
        *out += &format!("{}\n\n", escaped(&table.caption));
    }
    let row = |cells: &[String]| {
        format!(
            "| {} |\n",
            cells
                .iter()
                .map(|c| escaped(c))
                .collect::<Vec<_>>()
                .join(" | ")
        )
    };
    *out += &row(&table.head);
    *out += &format!("|{}\n", " --- |".repeat(table.head.len()));
    for cells in &table.rows {
        *out += &row(cells);
    }
    out.push('\n');
}

/// A text that stays text: no markup, no HTML, no link, no mention, and no new line.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut at_start = true;
    let mut digits = 0;
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '\\' | '`' | '*' | '_' | '[' | ']' | '#' | '|' | '~' | '$' => {
                out.push('\\');
                out.push(c);
            }
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '@' => out.push_str("&#64;"),
            // Readers turn bare addresses into links.
            ':' if out.ends_with("http") || out.ends_with("https") || out.ends_with("ftp") => {
                out.push_str("&#58;")
            }
            '.' if out.to_lowercase().ends_with("www") => out.push_str("&#46;"),
            '-' | '+' | '=' if at_start => {
                out.push('\\');
                out.push(c);
            }
            // "1." or "1)" would begin a numbered list.
            '.' | ')'
                if digits > 0
                    && digits == out.len()
                    && chars.peek().is_none_or(|n| n.is_whitespace()) =>
            {
                out.push('\\');
                out.push(c);
            }
            '\n' | '\r' => out.push(' '),
            c => out.push(c),
        }
        digits += usize::from(c.is_ascii_digit());
        at_start = false;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_stays_text() {
        let cases = [
            ("<script>", "&lt;script&gt;"),
            ("[a](b)", "\\[a\\](b)"),
            ("a|b\nc", "a\\|b c"),
            ("- item", "\\- item"),
            ("1. item", "1\\. item"),
            ("2.5 kN", "2.5 kN"),
            ("at 2.5 kN", "at 2.5 kN"),
            ("https://x.invalid", "https&#58;//x.invalid"),
            ("www.x.invalid", "www&#46;x.invalid"),
            ("a@b", "a&#64;b"),
            ("**bold** `code`", "\\*\\*bold\\*\\* \\`code\\`"),
        ];
        for (text, expected) in cases {
            assert_eq!(escaped(text), expected);
        }
    }
}
