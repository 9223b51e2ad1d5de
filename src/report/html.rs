//! The view as one HTML file: no outside file, no script, charts inline.

use std::collections::BTreeSet;

use super::view::{Block, Section, Table, Tone, View};
use crate::chart::Chart;
use crate::explain::{self, Topic};

/// Slugs of the topics that the page leads to.
type Words = BTreeSet<&'static str>;

/// Nothing may be fetched and nothing may run, whatever the texts say.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

const STYLE: &str = include_str!("style.css");

/// For records made by the simulator: the words on every printed page, in the margin and across the sheet.
const STYLE_RUNNING: &str = include_str!("running.css");

pub(super) fn write(view: &View, charts: &[Chart]) -> String {
    let tone = match view.tone {
        Tone::Good => "good",
        Tone::Bad => "bad",
        Tone::Open => "open",
    };
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{}</title>\n<style>\n{STYLE}",
        escaped(&view.title)
    );
    out += &crate::chart::night_style();
    if view.running.is_some() {
        out += STYLE_RUNNING;
    }
    out += "</style>\n</head>\n<body>\n";
    if let Some(running) = view.running {
        let words = escaped(running);
        out += &format!(
            "<p class=\"running\">{words}</p>\n<p class=\"across\" aria-hidden=\"true\">{words}</p>\n"
        );
    }
    out += &format!(
        "<main>\n<header>\n<h1>{}</h1>\n<dl class=\"answers {tone}\">\n",
        escaped(&view.title)
    );
    for answer in &view.answers {
        out += &format!(
            "<div><dt>{}</dt><dd>{}</dd></div>\n",
            answer.label,
            escaped(&answer.text)
        );
    }
    out += "</dl>\n";
    if !view.subtitle.is_empty() {
        out += &format!("<p class=\"subtitle\">{}</p>\n", escaped(&view.subtitle));
    }
    out += "</header>\n";
    let mut words = Words::new();
    for section in &view.sections {
        write_section(&mut out, section, charts, &mut words);
    }
    write_words(&mut out, &words);
    out += &format!(
        "</main>\n<footer><p>{}</p></footer>\n</body>\n</html>\n",
        escaped(&view.colophon)
    );
    out
}

fn write_section(out: &mut String, section: &Section, charts: &[Chart], words: &mut Words) {
    let (id, class) = (
        section.id,
        if section.new_page {
            " class=\"new-page\""
        } else {
            ""
        },
    );
    *out += &format!(
        "<section id=\"{id}\" aria-labelledby=\"{id}-heading\"{class}>\n<h2 id=\"{id}-heading\">{}</h2>\n",
        escaped(section.heading)
    );
    for (index, block) in section.blocks.iter().enumerate() {
        match block {
            Block::Text(text) => *out += &format!("<p>{}</p>\n", escaped(text)),
            Block::List(items) => {
                *out += "<ul>\n";
                for item in items {
                    *out += &format!("<li>{}</li>\n", escaped(item));
                }
                *out += "</ul>\n";
            }
            Block::Steps(steps) => {
                *out += "<ol>\n";
                for (what, why) in steps {
                    *out += &format!(
                        "<li><strong>{}</strong> {}</li>\n",
                        escaped(what),
                        escaped(why)
                    );
                }
                *out += "</ol>\n";
            }
            Block::Caveats(caveats) => {
                *out += "<ul class=\"warnings\">\n";
                for (found, advice, code) in caveats {
                    let found = linked(found, explain::of_caveat(code), words);
                    *out += &format!("<li><strong>{found}</strong> {}</li>\n", escaped(advice));
                }
                *out += "</ul>\n";
            }
            Block::Facts(facts) => {
                *out += "<dl class=\"facts\">\n";
                for (name, value) in facts {
                    *out += &format!(
                        "<div><dt>{}</dt><dd>{}</dd></div>\n",
                        escaped(name),
                        escaped(value)
                    );
                }
                *out += "</dl>\n";
            }
            Block::Table(table) => write_table(out, table, &format!("{id}-table-{index}"), words),
            Block::Chart(chart) => {
                if let Some(chart) = charts.get(*chart) {
                    // On a narrow screen a chart scrolls in its own box rather than shrink until nothing can be read.
                    *out += &format!(
                        "<figure>\n<div class=\"scroll\" role=\"region\" aria-label=\"{}\" tabindex=\"0\">\n{}\n</div>\n\
                         <figcaption>{}</figcaption>\n</figure>\n",
                        escaped(&chart.title),
                        chart.svg.trim_end(),
                        escaped(&chart.description)
                    );
                }
            }
            Block::SignOff(roles) => {
                *out += "<div class=\"sign-off\">\n";
                for (role, name) in roles {
                    *out += &format!(
                        "<p><span>{}: {}</span><span class=\"rule\">date</span><span class=\"rule\">signature</span></p>\n",
                        escaped(role),
                        escaped(name)
                    );
                }
                *out += "</div>\n";
            }
        }
    }
    *out += "</section>\n";
}

/// A text that leads to its explanation further down, where there is one.
fn linked(text: &str, topic: Option<&'static Topic>, words: &mut Words) -> String {
    let text = escaped(text);
    match topic {
        Some(topic) => {
            words.insert(topic.slug);
            format!("<a href=\"#about-{}\">{text}</a>", topic.slug)
        }
        None => text,
    }
}

/// The explanations that something above leads to, in their own order.
fn write_words(out: &mut String, words: &Words) {
    if words.is_empty() {
        return;
    }
    *out += "<section id=\"words\" aria-labelledby=\"words-heading\" class=\"new-page\">\n<h2 id=\"words-heading\">Words of this report</h2>\n";
    for topic in explain::TOPICS.iter().filter(|t| words.contains(t.slug)) {
        *out += &format!(
            "<h3 id=\"about-{}\">{}</h3>\n",
            topic.slug,
            escaped(topic.title)
        );
        for text in topic.text {
            *out += &format!("<p>{}</p>\n", escaped(text));
        }
    }
    *out += "</section>\n";
}

fn write_table(out: &mut String, table: &Table, id: &str, words: &mut Words) {
    let caption = escaped(&table.caption);
    // A wide table scrolls in its own box; the box takes the focus so that a keyboard can scroll it too. The caption
    // stays outside: inside it would be as wide as the table and scroll away.
    *out += &format!(
        "<p class=\"caption\" id=\"{id}\">{caption}</p>\n<div class=\"scroll\" role=\"region\" aria-labelledby=\"{id}\" \
         tabindex=\"0\">\n<table aria-labelledby=\"{id}\">\n<thead><tr>"
    );
    for cell in &table.head {
        let cell = linked(cell, explain::of_head(cell), words);
        *out += &format!("<th scope=\"col\">{cell}</th>");
    }
    *out += "</tr></thead>\n<tbody>\n";
    for row in &table.rows {
        *out += "<tr>";
        for (i, cell) in row.iter().enumerate() {
            let cell = escaped(cell);
            *out += &if i == 0 {
                format!("<th scope=\"row\">{cell}</th>")
            } else {
                format!("<td>{cell}</td>")
            };
        }
        *out += "</tr>\n";
    }
    *out += "</tbody>\n</table>\n</div>\n";
}

/// A text as it may stand in HTML, between tags or in a quoted attribute.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}
