//! Notes that no one should trust: whatever stands in them, a page shows it as text.

use loopcase::document::{Edition, Look};
use loopcase::emit::emitter;
use loopcase::pipeline::{Job, produce, solve};
use loopcase::source::Memory;

use super::browser::Browser;
use super::sample::with_prose;
use super::screen::{page, written};
use super::torture::{NASTY, everything};

/// Each of these would run, load or hide something in a careless page.
const HOSTILE: [&str; 14] = [
    "<script>window.hit=1</script>",
    "</script><script>window.hit=1</script>",
    "</style><script>window.hit=1</script>",
    "</title><img src=x onerror=window.hit=1>",
    "\"><svg onload=window.hit=1>",
    "' onmouseover='window.hit=1",
    "\" onfocus=\"window.hit=1\" autofocus=\"",
    "<iframe src=https://a.example/>",
    "<base href=https://a.example/>",
    "<meta http-equiv=refresh content=0;url=https://a.example/>",
    "<!--",
    "]]>",
    "&lt;script&gt;",
    "javascript:window.hit=1",
];

/// A note with the words in every place where text may stand.
fn note(words: &str) -> String {
    let yaml = words.replace('\'', "''");
    let escaped: String = words
        .chars()
        .map(|c| if c.is_ascii_punctuation() { format!("\\{c}") } else { c.to_string() })
        .collect();
    format!(
        "---\ntitle: '{yaml}'\ndocument: '{yaml}'\nrevision: '{yaml}'\ndate: '{yaml}'\nprepared_by: '{yaml}'\n\
         customer: '{yaml}'\nproject: '{yaml}'\napprovals: [{{role: '{yaml}', name: '{yaml}', date: '{yaml}'}}]\n\
         history: [{{revision: '{yaml}', date: '{yaml}', text: '{yaml}'}}]\n---\n\n\
         # {escaped} {{#javascript:window.hit=1}}\n\n{words}\n\n{escaped} `{words}` **{escaped}** ~~{escaped}~~ \
         [{escaped}](javascript:window.hit=1) [x](<data:text/html,{escaped}>) [y](vbscript:x) \
         ![{escaped}](https://a.example/x.png \"a\") [z](https://a.example/?q=%22%3E%3Cb%3E)[^1]\n\n\
         [^1]: {escaped}\n\n<div onclick=window.hit=1>raw</div>\n\n| {escaped} | b |\n|---|---|\n| {escaped} | 2 |\n\n\
         > {escaped}\n\n- [ ] {escaped}\n\nterm\n: {escaped}\n\n```html\n{words}\n```\n\n\
         $\\text{{{tex}}} < \\operatorname{{{tex}}}$\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\nsource: '{yaml}'\nrecord: {{bill: 3 V}}\n```\n\n\
         ```yaml decision\ntaken: '{yaml}'\nbecause: '{yaml}'\nby: '{yaml}'\n\
         rejected: [{{option: '{yaml}', because: '{yaml}'}}]\n```\n\n\
         ```yaml open_items\n{id}: {{text: '{yaml}', owner: '{yaml}'}}\n```\n\n\
         ```yaml requirements\nR-1: {{text: '{yaml}', source: '{yaml}', method: test, evidence: '{yaml}'}}\n```\n",
        id = "O-1",
        tex = words.replace(['{', '}', '\\', '%', '#', '$', '&', '\n', '~', '_', '^'], " "),
    )
}

/// What a hostile page would show.
const FOUND: &str = "return [String(window.hit), document.querySelectorAll('script').length, \
    document.querySelectorAll('iframe, base, object, embed, form, foreignObject, [onerror], [onload], [onclick], \
    [onfocus], [onmouseover], [autofocus], meta[http-equiv=refresh]').length, \
    [...document.querySelectorAll('a')].filter(a => !/^(#|https:|http:|mailto:|tel:)/.test(a.getAttribute('href'))).length, \
    document.querySelectorAll('main').length, document.querySelectorAll('body > footer').length].join()";

fn harmless(browser: &Browser, text: &str, words: &str) {
    let (_folder, path) = written(text);
    browser.open(&path);
    browser.ask("for (const a of document.querySelectorAll('[tabindex], button, details, .live')) { a.focus(); a.dispatchEvent(new MouseEvent('mouseover', {bubbles: true})); }");
    assert_eq!(browser.ask(FOUND), "undefined,1,0,0,1,1", "{words}");
    let (said, asked) = browser.heard();
    assert_eq!(said, [""; 0], "{words}");
    let own = format!("file://{}", path.display());
    assert!(
        asked.iter().all(|address| address.starts_with(&own) || address.starts_with("data:")),
        "{asked:?}"
    );
}

#[test]
fn words_of_a_note_are_never_markup_of_its_page() {
    let browser = Browser::start(1200, 800, false);
    let mut pages = 0;
    for words in HOSTILE {
        let files = Memory::new([("lo.md", note(words))]);
        let job = Job::plain(&files, "lo.md");
        let outcome = solve(&job);
        let solved = outcome.solved.unwrap_or_else(|| panic!("{words}: {:?}", outcome.diagnostics));
        // A formula may be refused; the page is then not written.
        let Ok(made) = produce(&solved, &["html"]) else { continue };
        let text = page(&made);
        harmless(&browser, &text, words);
        let shown =
            browser.ask("return [document.title, document.querySelector('h1').textContent].join('|')");
        let plain = words.trim();
        assert_eq!(shown, format!("{plain}|{plain}"), "shown as it stands");
        pages += 1;
    }
    assert!(pages >= 8, "{pages} pages were looked at");
}

#[test]
fn a_document_with_any_string_is_harmless() {
    let browser = Browser::start(1200, 800, false);
    let look = Look::named("review").expect("a look");
    for words in HOSTILE.into_iter().chain(NASTY) {
        let document = with_prose(Edition::Review, everything(words)).expect("no fault").value;
        let files = emitter("html").expect("a format").emit(&document, &look);
        let text = page(&files.unwrap_or_else(|faults| panic!("{words}: {faults:?}")));
        assert!(!text.contains('\0') && !text.contains('\u{202e}'));
        if HOSTILE.contains(&words) {
            harmless(&browser, &text, words);
        }
    }
}

#[test]
fn an_image_of_the_authors_is_part_of_the_page_and_runs_nothing() {
    let svg = "<svg xmlns=\"http://www.w3.org/2000/svg\" onload=\"window.hit=1\"><script>window.hit=1</script>\
               <image href=\"https://a.example/x.png\"/></svg>";
    let strange = "x' onerror='window.hit=1.svg";
    let note = format!(
        "---\ntitle: T\n---\n\n![words](a.svg \"caption <img src=x onerror=window.hit=1>\")\n\n![x](b.html)\n\n\
         ![<b onclick=window.hit=1>](<{strange}>)\n"
    );
    let files = Memory::new([
        ("lo.md", note),
        ("a.svg", svg.to_owned()),
        (strange, svg.to_owned()),
        ("b.html", "<script>window.hit=1</script>".to_owned()),
    ]);
    let job = Job::plain(&files, "lo.md");
    let outcome = solve(&job);
    let solved = outcome.solved.unwrap_or_else(|| panic!("{:?}", outcome.diagnostics));
    let text = page(&produce(&solved, &["html"]).expect("it can be said"));
    let browser = Browser::start(1200, 800, false);
    harmless(&browser, &text, "an image");
    assert_eq!(browser.ask("return document.querySelectorAll('main img[alt=words]').length"), 1);
    // Shown by the browser as images, and by their bytes: neither of them was left out.
    assert_eq!(
        browser.ask("return document.querySelectorAll('main img[src^=\"data:image/svg+xml;\"]').length"),
        2
    );
    assert_eq!(browser.ask("return document.querySelector('.missing').textContent"), "[x]");
    assert!(!text.contains("text/html"));
}

#[test]
fn a_careless_page_would_be_seen() {
    let browser = Browser::start(1200, 800, false);
    for words in
        ["<script>window.hit=1</script>", "<img src=x onerror=window.hit=1>", "<svg onload=window.hit=1>"]
    {
        let (_folder, path) =
            written(&format!("<!doctype html><title>T</title><main>{words}</main><footer></footer>"));
        browser.open(&path);
        assert_eq!(browser.ask("return window.hit"), 1, "{words}");
        assert_ne!(browser.ask(FOUND), "undefined,1,0,0,1,1", "{words}");
    }
    let (_folder, path) = written("<!doctype html><main><img src='https://a.example/x.png'></main>");
    browser.open(&path);
    let (_, asked) = browser.heard();
    assert!(asked.iter().any(|address| address == "https://a.example/x.png"), "{asked:?}");
}
