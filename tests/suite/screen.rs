//! Pages for the screen, in a headless browser: they ask for nothing, every reader can use them, and values can be
//! read off.

#![allow(clippy::disallowed_methods, reason = "tests read notes and write pages")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use loopcase::disk::Folder;
use loopcase::document::Edition;
use loopcase::emit::OutFile;
use loopcase::pipeline::{Job, produce, solve};
use serde_json::Value;

use super::browser::Browser;

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The files of a note of the project, its page among them; solved once for all tests.
pub(crate) fn files(folder: &str, note: &str, edition: Edition) -> Arc<Vec<OutFile>> {
    static SOLVED: Mutex<BTreeMap<String, Arc<Vec<OutFile>>>> = Mutex::new(BTreeMap::new());
    let mut solved = SOLVED.lock().unwrap_or_else(PoisonError::into_inner);
    let made = solved.entry(format!("{folder}/{note} {}", edition.word()));
    Arc::clone(made.or_insert_with(|| Arc::new(make(folder, note, edition))))
}

fn make(folder: &str, note: &str, edition: Edition) -> Vec<OutFile> {
    let files = Folder::open(&project(folder)).expect("a folder");
    let job = Job { edition: Some(edition), ..Job::plain(&files, note) };
    let outcome = solve(&job);
    let solved = outcome.solved.unwrap_or_else(|| panic!("{note}: {:?}", outcome.diagnostics));
    produce(&solved, &["html"]).expect("it can be said")
}

/// The text of a page among the files.
pub(crate) fn page(files: &[OutFile]) -> String {
    // Not an image of the note that is called so: those lie in a folder.
    let file = files.iter().find(|file| {
        let ending = file.path.rsplit_once('.').map(|(_, ending)| ending);
        ending == Some("html") && !file.path.contains('/')
    });
    String::from_utf8(file.expect("a page").bytes.to_vec()).expect("text")
}

/// A page written to a folder of its own.
pub(crate) fn written(text: &str) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("page.html");
    fs::write(&path, text).expect("written");
    (folder, path)
}

/// Nothing was said on the console, and nothing but the page itself was asked for.
fn silent(browser: &Browser, file: &Path) {
    let (said, asked) = browser.heard();
    assert_eq!(said, [""; 0], "the console of {}", file.display());
    let own = format!("file://{}", file.display());
    let strange =
        |address: &&String| !(address.split('#').next() == Some(&own) || address.starts_with("data:"));
    let strange: Vec<&String> = asked.iter().filter(strange).collect();
    assert!(strange.is_empty(), "{}: {strange:?}", file.display());
}

/// What is wrong with the structure of the page: landmarks, headings, names, links.
const STRUCTURE: &str = r##"
const wrong = [];
const count = (selector, least, most) => {
  const found = document.querySelectorAll(selector).length;
  if (found < least || found > most) wrong.push(`${found} of ${selector}`);
};
count("main", 1, 1); count("body > header", 1, 1); count("body > footer", 1, 1); count("nav[aria-label]", 1, 1);
count("h1", 1, 1); count("html[lang]", 1, 1); count("script", 1, 1); count("style", 1, 1); count("title", 1, 1);
count("[style]", 0, 0); count("iframe, object, embed, form, base, link, a[target], foreignObject", 0, 0);
let before = 0;
for (const head of document.querySelectorAll("h1, h2, h3, h4, h5, h6")) {
  const level = Number(head.getAttribute("aria-level") || head.tagName[1]);
  if (level > before + 1) wrong.push(`heading "${head.textContent}" of level ${level} after ${before}`);
  before = level;
  if (!head.textContent.trim()) wrong.push("an empty heading");
}
for (const node of document.querySelectorAll("img, svg")) {
  const hidden = node.closest("[aria-hidden=true]");
  const name = node.getAttribute("alt") || node.getAttribute("aria-label");
  if (!hidden && !(name || "").trim()) wrong.push("a picture without words: " + node.outerHTML.slice(0, 80));
}
for (const cell of document.querySelectorAll("th")) if (!cell.scope) wrong.push("a head without scope");
for (const table of document.querySelectorAll("table")) if (!table.querySelector("thead th")) wrong.push("a table without heads");
for (const node of document.querySelectorAll("button, [role=slider], [role=region]"))
  if (!(node.getAttribute("aria-label") || node.textContent).trim()) wrong.push("a control without a name");
for (const math of document.querySelectorAll("math")) if (!math.getAttribute("alttext")) wrong.push("a formula without words");
const ids = new Set();
for (const node of document.querySelectorAll("[id]")) {
  if (ids.has(node.id)) wrong.push("twice: " + node.id);
  ids.add(node.id);
}
for (const link of document.querySelectorAll("a")) {
  const to = link.getAttribute("href") || "";
  if (to.startsWith("#")) {
    if (!ids.has(decodeURIComponent(to.slice(1)))) wrong.push("leads nowhere: " + to);
  } else if (!/^(https?:\/\/|mailto:|tel:)/.test(to)) wrong.push("must not be followed: " + to);
  if (!link.textContent.trim() && !link.getAttribute("aria-label")) wrong.push("a link without words");
}
for (const node of document.querySelectorAll("*"))
  for (const name of node.getAttributeNames()) if (name.startsWith("on")) wrong.push(`${node.tagName} has ${name}`);
return wrong;
"##;

/// Texts whose contrast with what lies behind them is below that of WCAG 2.2, level AA.
const CONTRAST: &str = r#"
const channel = c => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
const parsed = text => (text.match(/[\d.]+/g) || []).map(Number);
const behind = node => {
  for (; node; node = node.parentElement) {
    const colour = parsed(getComputedStyle(node).backgroundColor);
    if (colour.length === 3 || colour[3] === 1) return colour;
  }
  return [255, 255, 255];
};
const weak = new Map();
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode.parentElement;
  if (!walker.currentNode.textContent.trim() || ["SCRIPT", "STYLE"].includes(node.tagName)) continue;
  const style = getComputedStyle(node);
  const svg = node instanceof SVGElement;
  const [a, b] = [light(parsed(svg ? style.fill : style.color)), light(behind(node))];
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  if (ratio < (large ? 3 : 4.5)) weak.set(node.tagName + "." + node.className, `${ratio.toFixed(2)} ${walker.currentNode.textContent.slice(0, 30)}`);
}
return [...weak].map(pair => pair.join(" "));
"#;

fn texts(value: &Value) -> Vec<String> {
    let list = value.as_array().expect("a list");
    list.iter().map(|item| item.as_str().expect("text").to_owned()).collect()
}

#[test]
fn a_page_is_silent_sound_and_readable_in_light_and_dark_on_every_width() {
    let notes = [
        ("designs", "radar_lo.md"),
        ("tests/notes/pages", "torture.md"),
        ("tests/notes/pages", "smallest.md"),
    ];
    let pages = notes.map(|(folder, note)| written(&page(&files(folder, note, Edition::Review))));
    for (width, height, dark) in
        [(1440, 900, false), (1440, 900, true), (1100, 900, false), (1010, 900, false), (390, 844, false)]
    {
        let browser = Browser::start(width, height, dark);
        for (_, path) in &pages {
            browser.open(path);
            silent(&browser, path);
            assert_eq!(texts(&browser.ask(STRUCTURE)), [""; 0], "{}", path.display());
            assert_eq!(texts(&browser.ask(CONTRAST)), [""; 0], "dark: {dark}");
            let over = browser.ask("return document.documentElement.scrollWidth - innerWidth");
            assert!(over.as_i64().expect("a number") <= 0, "{width}: wider than the window by {over}");
            // The verdict, at the right of the matrix, is seen without scrolling.
            let cut = browser.ask(
                "const all = [...document.querySelectorAll('.matrix')].map(m => m.scrollWidth - m.closest('.wide').clientWidth); \
                 return Math.max(0, ...all)",
            );
            assert!(cut.as_f64().expect("a number") <= 1.0, "{width}: the matrix is cut by {cut}");
        }
    }
}

#[test]
fn the_contents_follow_the_reader_and_the_skip_link_skips() {
    let (_folder, path) = written(&page(&files("designs", "radar_lo.md", Edition::Review)));
    let browser = Browser::start(1440, 900, false);
    browser.open(&path);
    // Tab, then Enter.
    browser.keys("\u{e004}");
    assert_eq!(browser.ask("return document.activeElement.textContent"), "Skip to the text");
    browser.keys("\u{e007}");
    assert_eq!(browser.ask("return document.activeElement.tagName"), "MAIN");
    let current = "return (document.querySelector('nav [aria-current]') || {}).hash || ''";
    let settle = "const done = arguments[0]; return new Promise(go => requestAnimationFrame(() => requestAnimationFrame(go)))";
    let links = texts(&browser.ask("return [...document.querySelectorAll('nav a')].map(link => link.hash)"));
    assert!(links.len() > 10, "{links:?}");
    for hash in links.iter().take(links.len() - 1) {
        browser.ask(&format!("document.querySelector('nav a[href=\"{hash}\"]').click()"));
        browser.ask(settle);
        assert_eq!(browser.ask("return location.hash"), hash.as_str());
        // Short sections at the end can't all stand at the top of the window.
        let top = format!(
            "return document.getElementById(decodeURIComponent('{hash}'.slice(1))).getBoundingClientRect().top < innerHeight * 0.3"
        );
        if browser.ask(&top) == true
            && browser.ask("return innerHeight + scrollY < document.documentElement.scrollHeight - 2") == true
        {
            assert_eq!(browser.ask(current), hash.as_str());
        }
    }
    silent(&browser, &path);

    // On a phone the contents are folded, and fold again behind the reader.
    let phone = Browser::start(390, 844, false);
    phone.open(&path);
    let open = "return document.querySelector('nav details').open";
    assert_eq!(phone.ask(open), false);
    phone.ask("document.querySelector('nav summary').click()");
    assert_eq!(phone.ask(open), true);
    phone.ask(&format!("document.querySelector('nav a[href=\"{}\"]').click()", links[3]));
    phone.ask(settle);
    assert_eq!(phone.ask(open), false);
    assert_ne!(phone.ask("return document.querySelector('.here').textContent"), "");
}

#[test]
fn values_are_read_off_by_pointer_and_keyboard_and_curves_are_switched() {
    let files = files("designs", "radar_lo.md", Edition::Review);
    let results = files.iter().find(|file| file.path == "results.json").expect("results");
    let results: Value = serde_json::from_slice(&results.bytes).expect("JSON");
    let (_folder, path) = written(&page(&files));
    let browser = Browser::start(1440, 900, false);
    browser.open(&path);
    let start = "window.f = document.getElementById('noise.figure'); f.scrollIntoView({block: 'center'}); \
                 window.r = f.querySelector('.reach'); const a = f.querySelector('svg').getBoundingClientRect(); \
                 const c = JSON.parse(f.dataset.chart), p = c.panels[0].frame, w = a.width / f.querySelector('svg').viewBox.baseVal.width; \
                 return [a.left + w * (p[0] + p[2]) / 2, a.top + w * (p[1] + p[3]) / 2]";
    let middle = browser.ask(start);
    let at = |index: usize| middle[index].as_f64().expect("a place") as i64;
    browser.point(at(0), at(1), false);
    let said = browser.ask("return r.getAttribute('aria-valuetext')");
    let said = said.as_str().expect("text");
    // The offset in the middle of the axis, and there the total of results.json.
    let chart = browser.ask("const c = JSON.parse(f.dataset.chart); return [c.x.from, c.x.to]");
    let wanted = (chart[0].as_f64().expect("from") * chart[1].as_f64().expect("to")).sqrt();
    let curve = &results["blocks"]["noise"]["metrics"]["curve"];
    let list = |name: &str| -> Vec<f64> {
        let values = curve[name]["values"].as_array().expect("values");
        values.iter().map(|value| value.as_f64().expect("a number")).collect()
    };
    let (offsets, total) = (list("offset"), list("total"));
    let nearest = (0..offsets.len())
        .min_by(|a, b| (offsets[*a] / wanted).ln().abs().total_cmp(&(offsets[*b] / wanted).ln().abs()))
        .expect("points");
    let level = format!("{:.1}", -total[nearest]);
    assert!(said.contains(&format!("\u{2212}{level}")), "{level} dBc/Hz at {wanted} Hz: {said}");

    // A curve switched off is gone from drawing and words; switched on it is back.
    let buttons = "return f.querySelectorAll('.reading button').length";
    assert!(browser.ask(buttons).as_u64() > Some(3));
    let name = browser.ask("const b = f.querySelector('.reading button'); b.click(); return b.textContent");
    let name = name.as_str().expect("a name").to_owned();
    let state = "const b = f.querySelector('.reading button'); const c = JSON.parse(f.dataset.chart).panels[0].curves[0]; \
                 return [b.getAttribute('aria-pressed'), getComputedStyle(f.querySelector('g.' + c.group)).display]";
    assert_eq!(texts(&browser.ask(state)), ["false", "none"]);
    let text = "return r.getAttribute('aria-valuetext')";
    assert!(!browser.ask(text).as_str().expect("text").contains(&format!(", {name} ")));
    browser.ask("f.querySelector('.reading button').click()");
    assert_eq!(texts(&browser.ask(state)), ["true", "inline"]);
    assert!(browser.ask(text).as_str().expect("text").contains(&format!(", {name} ")));

    // Home, then to the right.
    browser.ask("r.focus()");
    browser.keys("\u{e011}");
    assert_eq!(browser.ask("return r.getAttribute('aria-valuenow')"), "0");
    browser.keys("\u{e014}\u{e014}");
    assert_eq!(browser.ask("return r.getAttribute('aria-valuenow')"), "2");
    browser.keys("\u{e010}");
    let last = browser.ask("return r.getAttribute('aria-valuemax')");
    assert_eq!(browser.ask("return r.getAttribute('aria-valuenow')"), last);
    silent(&browser, &path);
}

#[test]
fn without_script_the_page_holds_everything() {
    let text = page(&files("designs", "radar_lo.md", Edition::Review));
    let (before, _) = text.rsplit_once("<script>").expect("a script");
    assert!(before.contains("<details open>") && before.contains("id=\"noise.figure\""));
    assert!(!before.contains("class=\"off\""));
}

#[test]
fn the_customers_page_holds_nothing_internal() {
    let review = page(&files("designs", "radar_lo.md", Edition::Review));
    let customer = page(&files("designs", "radar_lo.md", Edition::Customer));
    let secret = "Thoughts that stay in the house";
    assert!(review.contains(secret) && !customer.contains(secret));
    assert!(customer.contains("Customer edition") && !customer.contains("not for issue outside"));
}
