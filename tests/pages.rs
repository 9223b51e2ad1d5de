//! The report in a real browser: nothing is fetched, nothing overflows, no script; and its first page tells what matters first.
//!
//! Chromium runs without a window; where it is missing the test says so and is skipped, except under .ci/run, which
//! installs it from Debian's packages.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock};

use bitterend::analysis::{Analysis, Settings};
use bitterend::chart;
use bitterend::ingest::{FileNames, input_file, read_log};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::report::{Report, render};
use bitterend::sheet::Sheet;

const FIXTURES: [&str; 7] = [
    "halyard",
    "core-slip",
    "stopper-slip",
    "both",
    "travel-only",
    "measured/laminate-shear",
    "measured/laminate-cyclic",
];

/// A fixture analysed, with its sheet changed before.
fn analysed(name: &str, change: impl Fn(&str) -> String) -> Analysis {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name);
    let text = change(&fs::read_to_string(folder.join("sheet.toml")).unwrap());
    let sheet = Sheet::parse(&text, "sheet.toml").unwrap();
    let mut log = fs::File::open(folder.join(&sheet.pull.log)).unwrap();
    let names = FileNames {
        log: &sheet.pull.log,
        marks: "",
    };
    let (log, read) = read_log(&mut log, None, &sheet, names).unwrap();
    let mut files = vec![input_file("sheet", "sheet.toml", text.as_bytes())];
    files.extend(read);
    analyse(Inputs { sheet, log, files }, &Settings::default()).unwrap()
}

/// The reports of all fixtures, made once.
fn reports() -> &'static [Report] {
    static MADE: OnceLock<Vec<Report>> = OnceLock::new();
    MADE.get_or_init(|| FIXTURES.map(|name| report(name, str::to_owned)).to_vec())
}

fn report(name: &str, change: impl Fn(&str) -> String) -> Report {
    let analysis = analysed(name, change);
    render(&analysis, &chart::draw_all(&analysis).unwrap())
}

/// The four answers in the order in which a person on the dock asks.
const ORDER: [&str; 4] = ["Verdict", "Limit", "What moved", "Next"];

#[test]
fn the_first_twenty_lines_hold_the_four_answers_in_order() {
    for (name, report) in FIXTURES.iter().zip(reports()) {
        let head: Vec<&str> = report.markdown.lines().take(20).collect();
        let mut at = 0;
        for label in ORDER {
            let start = format!("**{label}:** ");
            let found = head[at..].iter().position(|l| l.starts_with(&start));
            let line = found.unwrap_or_else(|| panic!("{name}: no {label} in order\n{head:#?}"));
            at += line + 1;
            let said = &head[at - 1][start.len()..];
            match label {
                "Verdict" => assert!(
                    ["passes", "fails", "not decided", "no limits given"].contains(&said),
                    "{name}: {said}"
                ),
                // With its rule; the rate where there is a load.
                "Limit" => {
                    assert!(said.contains("Rule: "), "{name}: {said}");
                    assert!(
                        said.to_lowercase().contains("cannot tell")
                            || ["held for", "loaded at", "running at", "rate not known"]
                                .iter()
                                .any(|r| said.contains(r)),
                        "{name}: {said}"
                    );
                }
                "What moved" => assert!(
                    ["stopper", "cover", "Nothing", "Cannot tell"]
                        .iter()
                        .any(|w| said.contains(w)),
                    "{name}: {said}"
                ),
                _ => assert!(said.len() > 10, "{name}: {said}"),
            }
        }
    }
}

// ---------------------------------------------------------------- browser

fn chromium() -> Option<PathBuf> {
    let named = std::env::var_os("CHROMIUM").map(PathBuf::from);
    let paths = std::env::var_os("PATH").unwrap_or_default();
    let found = named.or_else(|| {
        std::env::split_paths(&paths)
            .map(|p| p.join("chromium"))
            .find(|p| p.is_file())
    });
    if found.is_none() {
        assert!(
            std::env::var_os("BITTEREND_CI").is_none(),
            "chromium is missing where nothing may be skipped"
        );
        eprintln!(
            "skipped: there is no chromium on this machine (Debian: apt-get install chromium)"
        );
    }
    found
}

/// One page to look at: its name, its text, the size of its frame, dark or light.
struct Look<'a> {
    name: &'a str,
    html: &'a str,
    size: (u32, u32),
    dark: bool,
}

/// The pages side by side in frames of exactly their size, for a window has a least width that is wider than a phone.
/// Returns the document that results, and what was asked of the server beside the pages themselves.
fn opened(chromium: &Path, looks: &[Look<'_>], probe: Option<&str>) -> (String, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let mut outer = String::from(
        "<!doctype html><meta charset=\"utf-8\"><body><script>addEventListener('message',e=>{\
         const q=document.createElement('pre');q.className='probe';q.textContent=e.data;document.body.append(q);});</script>",
    );
    for (i, look) in looks.iter().enumerate() {
        let text = match probe {
            None => look.html.to_owned(),
            Some(probe) => {
                // The policy forbids scripts, which is seen without a probe; to measure, a copy without it is asked.
                let at = look
                    .html
                    .find("<meta http-equiv=\"Content-Security-Policy\"")
                    .unwrap();
                let end = at + look.html[at..].find('>').unwrap() + 1;
                let copy = format!("{}{}", &look.html[..at], &look.html[end..]);
                let body = copy.rfind("</body>").unwrap();
                let probe = probe.replace("NUMBER", &i.to_string());
                format!("{}<script>{probe}</script>{}", &copy[..body], &copy[body..])
            }
        };
        fs::write(folder.path().join(format!("page-{i}.html")), text).unwrap();
        let scheme = if look.dark { "dark" } else { "light" };
        let (width, height) = look.size;
        outer += &format!(
            "<iframe src=\"page-{i}.html\" style=\"border:0;width:{width}px;height:{height}px;color-scheme:{scheme}\"></iframe>"
        );
    }
    fs::write(folder.path().join("frames.html"), outer).unwrap();
    let server = Server::begin(folder.path());
    let run = Command::new(chromium)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--enable-logging=stderr",
            "--dump-dom",
            "--virtual-time-budget=5000",
            "--hide-scrollbars",
        ])
        .arg(format!(
            "--user-data-dir={}",
            folder.path().join("profile").display()
        ))
        .arg(format!("http://{}/frames.html", server.place))
        .output()
        .unwrap();
    let asked = server.end();
    let errors = String::from_utf8_lossy(&run.stderr);
    // Everything that a page says on its console, refused requests and scripts too.
    let console: Vec<&str> = errors.lines().filter(|l| l.contains("CONSOLE")).collect();
    assert!(console.is_empty(), "{console:#?}");
    (String::from_utf8_lossy(&run.stdout).into_owned(), asked)
}

/// Serves a folder to this machine alone and remembers what else it was asked for: a browser does not count what it reads
/// from files.
struct Server {
    place: SocketAddr,
    asked: Arc<Mutex<Vec<String>>>,
    ended: Arc<AtomicBool>,
}

impl Server {
    fn begin(folder: &Path) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let place = listener.local_addr().unwrap();
        let server = Self {
            place,
            asked: Arc::default(),
            ended: Arc::default(),
        };
        let (asked, ended) = (Arc::clone(&server.asked), Arc::clone(&server.ended));
        let folder = folder.to_owned();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                if ended.load(Ordering::SeqCst) {
                    break;
                }
                let (folder, asked) = (folder.clone(), Arc::clone(&asked));
                std::thread::spawn(move || stream.map(|s| answer(s, &folder, &asked)));
            }
        });
        server
    }

    fn end(self) -> Vec<String> {
        self.ended.store(true, Ordering::SeqCst);
        // Wakes the loop that waits for a caller.
        drop(TcpStream::connect(self.place));
        let mut asked = self.asked.lock().unwrap().clone();
        // The browser's own wish for the window of frames, which is no page of ours.
        asked.retain(|a| a != "/favicon.ico");
        asked
    }
}

fn answer(mut stream: TcpStream, folder: &Path, asked: &Mutex<Vec<String>>) {
    let mut line = String::new();
    if BufReader::new(&stream).read_line(&mut line).is_err() {
        return;
    }
    let Some(path) = line.split(' ').nth(1) else {
        return;
    };
    let page = path.trim_start_matches('/').to_owned();
    let ours = page == "frames.html" || (page.starts_with("page-") && page.ends_with(".html"));
    if !ours {
        asked.lock().unwrap().push(path.to_owned());
    }
    let body = fs::read(folder.join(page)).unwrap_or_default();
    let head = format!(
        "HTTP/1.1 200 OK\r\nContent-Type: {}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        if ours {
            "text/html; charset=utf-8"
        } else {
            "image/png"
        },
        body.len()
    );
    let _ = stream
        .write_all(head.as_bytes())
        .and_then(|()| stream.write_all(&body));
}

const PROBE: &str = "addEventListener('load',()=>{const e=document.documentElement;const o=['page=NUMBER'];\
    const r=n=>n.getBoundingClientRect();\
    o.push('client='+e.clientWidth);o.push('scroll='+e.scrollWidth);\
    o.push('requests='+performance.getEntriesByType('resource').length);\
    o.push('background='+getComputedStyle(document.body).backgroundColor);\
    o.push('wide='+[...document.querySelectorAll('body *')].filter(n=>!n.closest('.scroll')&&!n.closest('.across')&&\
    r(n).right>e.clientWidth+1).map(n=>n.tagName+'.'+n.className).slice(0,5).join(' '));\
    document.querySelectorAll('.answers > div').forEach((n,i)=>{o.push('top'+i+'='+r(n).top);\
    o.push('bottom'+i+'='+r(n).bottom);o.push('label'+i+'='+n.querySelector('dt').textContent);});\
    const s=document.querySelector('figure svg rect');o.push('paper='+(s?getComputedStyle(s).fill:''));\
    o.push('charts='+document.querySelectorAll('figure svg').length);\
    o.push('named='+document.querySelectorAll('figure svg[role=img] > title + desc').length);\
    const l=[...document.querySelectorAll('a')];o.push('links='+l.length);\
    o.push('dead='+l.filter(a=>!document.getElementById(a.getAttribute('href').slice(1))).length);\
    parent.postMessage(o.join('\\n'),'*');});";

/// What the probe measured in each page; nothing may be asked of the server beside the pages.
fn measured(chromium: &Path, looks: &[Look<'_>]) -> Vec<BTreeMap<String, String>> {
    let (found, asked) = measured_and_asked(chromium, looks);
    assert!(asked.is_empty(), "{asked:?}");
    found
}

fn measured_and_asked(
    chromium: &Path,
    looks: &[Look<'_>],
) -> (Vec<BTreeMap<String, String>>, Vec<String>) {
    let (dom, asked) = opened(chromium, looks, Some(PROBE));
    let mut found: Vec<BTreeMap<String, String>> = dom
        .split("<pre class=\"probe\">")
        .skip(1)
        .map(|part| {
            part[..part.find("</pre>").unwrap()]
                .lines()
                .filter_map(|l| l.split_once('='))
                .map(|(k, v)| (k.to_owned(), v.to_owned()))
                .collect()
        })
        .collect();
    assert_eq!(found.len(), looks.len(), "some pages did not answer");
    found.sort_by_key(|f| f["page"].parse::<usize>().unwrap());
    (found, asked)
}

fn number(found: &BTreeMap<String, String>, key: &str) -> f64 {
    found
        .get(key)
        .unwrap_or_else(|| panic!("no {key} in {found:?}"))
        .parse()
        .unwrap()
}

#[test]
fn pages_hold_in_a_browser() {
    let Some(chromium) = chromium() else { return };
    let pages: Vec<(&str, &str)> = FIXTURES
        .iter()
        .zip(reports())
        .map(|(name, report)| (*name, report.html.as_str()))
        .collect();
    let mut looks = Vec::new();
    for (name, html) in &pages {
        for (size, dark) in [
            ((360, 640), false),
            ((360, 640), true),
            ((1280, 900), false),
        ] {
            looks.push(Look {
                name,
                html,
                size,
                dark,
            });
        }
    }
    // As they are, policy and all: no word on the console.
    let (_, asked) = opened(&chromium, &looks, None);
    assert!(asked.is_empty(), "{asked:?}");
    for (look, found) in looks.iter().zip(measured(&chromium, &looks)) {
        let (size, dark) = (look.size, look.dark);
        let place = format!("{}, {size:?}, dark {dark}: {found:?}", look.name);
        assert_eq!(number(&found, "client"), f64::from(size.0), "{place}");
        assert!(number(&found, "scroll") <= f64::from(size.0), "{place}");
        assert_eq!(found["wide"], "", "{place}");
        assert_eq!(found["requests"], "0", "{place}");
        assert_eq!(found["dead"], "0", "{place}");
        assert!(number(&found, "links") >= 10.0, "{place}");
        assert!(number(&found, "charts") >= 3.0, "{place}");
        assert_eq!(found["charts"], found["named"], "{place}");
        // Charts are as dark as the page.
        let light = |colour: &str| colour.contains("253") || colour.contains("255");
        assert_eq!(light(&found["background"]), !dark, "{place}");
        assert_eq!(light(&found["paper"]), !dark, "{place}");
        let mut above = 0.0;
        for (n, label) in ORDER.iter().enumerate() {
            assert_eq!(found[&format!("label{n}")], *label, "{place}");
            assert!(number(&found, &format!("top{n}")) >= above, "{place}");
            above = number(&found, &format!("bottom{n}"));
        }
        assert!(
            above <= f64::from(size.1),
            "the first answers end below the first page: {place}"
        );
    }
}

/// The check can fail: a page that fetches, overflows or runs a script is caught.
#[test]
fn a_bad_page_is_caught_in_the_browser() {
    let Some(chromium) = chromium() else { return };
    let good = &reports()[0].html;
    let bad = good.replacen(
        "<main>",
        "<main><p style=\"width:900px\">wide</p><img src=\"outside.png\">",
        1,
    );
    let look = |html| Look {
        name: "bad",
        html,
        size: (360, 640),
        dark: false,
    };
    let (found, asked) = measured_and_asked(&chromium, &[look(&bad)]);
    let found = &found[0];
    assert_ne!(found["wide"], "");
    assert!(number(found, "scroll") > 360.0);
    assert_eq!(found["requests"], "1");
    assert_eq!(asked, ["/outside.png"]);
    let scripted = good.replacen("<main>", "<main><script>1</script>", 1);
    let caught = std::panic::catch_unwind(|| opened(&chromium, &[look(&scripted)], None));
    assert!(
        caught.is_err(),
        "a refused script leaves no word on the console"
    );
}

#[test]
fn pages_print_on_paper_of_both_sizes() {
    let Some(chromium) = chromium() else { return };
    let folder = tempfile::tempdir().unwrap();
    let html = &reports()[0].html;
    for (paper, (width, height)) in [("A4", (595.0, 842.0)), ("letter", (612.0, 792.0))] {
        let page = folder.path().join("print.html");
        let sized = html.replacen(
            "</style>",
            &format!("@page {{ size: {paper}; }}</style>"),
            1,
        );
        fs::write(&page, sized).unwrap();
        let pdf = folder.path().join("print.pdf");
        let run = Command::new(&chromium)
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--no-pdf-header-footer",
            ])
            .arg(format!(
                "--user-data-dir={}",
                folder.path().join("p").display()
            ))
            .arg(format!("--print-to-pdf={}", pdf.display()))
            .arg(format!("file://{}", page.display()))
            .output()
            .unwrap();
        assert!(run.status.success());
        let bytes = fs::read(&pdf).unwrap();
        assert!(bytes.starts_with(b"%PDF-"));
        let text = String::from_utf8_lossy(&bytes);
        let boxes: Vec<Vec<f64>> = text
            .match_indices("/MediaBox [")
            .map(|(at, found)| {
                let rest = &text[at + found.len()..];
                rest[..rest.find(']').unwrap()]
                    .split_whitespace()
                    .map(|n| n.parse().unwrap())
                    .collect()
            })
            .collect();
        assert!(
            (4..=12).contains(&boxes.len()),
            "{paper}: {} pages",
            boxes.len()
        );
        for b in boxes {
            assert!(
                (b[2] - width).abs() < 1.5 && (b[3] - height).abs() < 1.5,
                "{paper}: {b:?}"
            );
        }
    }
}

// ---------------------------------------------------------------- hostile texts

/// Names that try to be something else.
const HOSTILE: [&str; 8] = [
    "<script>alert(1)</script>",
    "\\\"><img src=x onerror=alert(1)>",
    "Leine mit Umlauten: äöü ß, ½ Zoll",
    "halyard ⛵🪢 two",
    "=HYPERLINK(1)",
    "[a](javascript:alert(1)) | b | `c`",
    "https://example.invalid/ @someone",
    "\\u202Egnirts desrever",
];

#[test]
fn hostile_names_stay_text() {
    let long = "x".repeat(300);
    // One analysis; the texts are those of its sheet.
    let mut pages = Vec::new();
    for name in HOSTILE.into_iter().chain([long.as_str()]) {
        let report = report("halyard", |sheet| {
            sheet
                .replace("id = \"line of halyard-1\"", &format!("id = \"{name}\""))
                .replace("id = \"halyard-1\"", &format!("id = \"{name}\""))
                .replace(
                    "operator = \"rigger on duty\"",
                    &format!("operator = \"{name}\""),
                )
        });
        assert!(!report.html.contains("<script"), "{name}");
        assert!(!report.html.contains("<img"), "{name}");
        assert!(
            !report.markdown.contains("<script") && !report.markdown.contains("<img"),
            "{name}"
        );
        // An escaped bracket makes no link.
        let links = report.markdown.replace("\\]", "");
        assert!(!links.contains("](javascript"), "{name}");
        assert!(!report.markdown.contains("https://"), "{name}");
        for text in [&report.html, &report.markdown] {
            assert!(!text.contains('\u{202e}'), "{name}");
        }
        // Shortened where it stands in a title.
        let title = report.markdown.lines().next().unwrap();
        assert!(title.chars().count() < 200, "{title}");
        pages.push((name, report.html));
    }
    let Some(chromium) = chromium() else { return };
    let looks: Vec<Look> = pages
        .iter()
        .map(|(name, html)| Look {
            name,
            html,
            size: (360, 640),
            dark: false,
        })
        .collect();
    let (_, asked) = opened(&chromium, &looks, None);
    assert!(asked.is_empty(), "{asked:?}");
    for (look, found) in looks.iter().zip(measured(&chromium, &looks)) {
        assert_eq!(found["wide"], "", "{}: {found:?}", look.name);
        assert_eq!(found["requests"], "0", "{}", look.name);
    }
}

/// A log outside the folder is refused before anything is read, as are paths that only look tame.
#[test]
fn a_log_outside_the_folder_is_refused() {
    let base = tempfile::tempdir().unwrap();
    fs::write(base.path().join("secret.csv"), "time,load\n0,1\n").unwrap();
    let pull = base.path().join("leine ü ⛵");
    fs::create_dir(&pull).unwrap();
    for log in ["../secret.csv", "a/../../secret.csv", "/etc/hostname"] {
        fs::write(
            pull.join("sheet.toml"),
            format!("[pull]\nlog = \"{log}\"\n[gauges.load]\ncolumn = \"load\"\nunit = \"kN\"\n"),
        )
        .unwrap();
        let run = Command::new(env!("CARGO_BIN_EXE_bitterend"))
            .arg("check")
            .arg(&pull)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stderr).into_owned();
        assert_eq!(run.status.code(), Some(2), "{log}: {said}");
        assert!(
            said.contains("error: ") && said.contains("hint: "),
            "{log}: {said}"
        );
        assert!(said.contains(log), "{log}: {said}");
    }
}
