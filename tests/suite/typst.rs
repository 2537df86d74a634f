//! The real typst: what reaches it, and what does not.

use std::fs;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use loopcase::typeset::{Compile, CompileError, Message, PATIENCE, Surroundings, find};

/// The typst that the program would use.
pub fn real_typst() -> PathBuf {
    match find(None, &Surroundings::of_process()) {
        Ok(found) => found.path,
        Err(missing) => panic!("{missing}: run `cargo run --release -- typesetter --install` first"),
    }
}

/// Typesets a text in a folder of its own: the folder, and what came of it.
fn typeset(text: &str, limit: Duration) -> (tempfile::TempDir, Result<Vec<Message>, CompileError>) {
    let root = tempfile::tempdir().expect("a folder");
    fs::write(root.path().join("lo.typ"), text).expect("a file");
    let program = real_typst();
    let compile = Compile {
        program: &program,
        root: root.path(),
        source: "lo.typ",
        pdf: "lo.pdf",
        timestamp: 1_773_446_400,
        limit,
        threads: None,
    };
    let result = compile.run();
    (root, result)
}

/// The errors of a text that can't be typeset.
fn errors(text: &str) -> Vec<Message> {
    match typeset(text, PATIENCE) {
        (_, Err(CompileError::Failed(messages))) => messages,
        (_, other) => panic!("{other:?}"),
    }
}

#[test]
fn the_same_text_gives_the_same_bytes() {
    let text = "#datetime.today().display()\n\n= Head\n$ G(s) = (I K Z(s)) / (N s) $\n";
    let pdf = || {
        let (root, result) = typeset(text, PATIENCE);
        assert_eq!(result.expect("typesets"), []);
        fs::read(root.path().join("lo.pdf")).expect("a PDF")
    };
    let first = pdf();
    assert!(first.starts_with(b"%PDF-"));
    assert!(first == pdf(), "two runs differ");
}

#[test]
fn an_error_names_its_line() {
    let messages = errors("// note:12\nText #nothing.\n");
    assert_eq!((messages[0].line, messages[0].column), (Some(2), Some(6)), "{messages:?}");
    assert_eq!(messages[0].text, "unknown variable: nothing");
}

#[test]
fn nothing_outside_the_folder_is_read() {
    for text in ["#read(\"/etc/hostname\")", "#read(\"../secret\")", "#include \"/../x.typ\""] {
        assert!(errors(text)[0].error, "{text}");
    }
}

#[test]
fn packages_are_refused_at_once() {
    let start = Instant::now();
    let messages = errors("#import \"@preview/example:0.1.0\": *");
    assert!(messages[0].text.contains("package"), "{messages:?}");
    // A try to reach the network would take longer than this where there is none.
    assert!(start.elapsed() < Duration::from_secs(20));
    assert!(errors("#import \"@local/example:0.1.0\": *")[0].text.contains("package"));
}

#[test]
fn an_endless_text_is_stopped() {
    let text = "#for i in range(100000) { for j in range(100000) { let _ = calc.sin(i * j) } }";
    let (root, result) = typeset(text, Duration::from_millis(500));
    assert!(matches!(result, Err(CompileError::TooLong(_))), "{result:?}");
    assert_eq!(fs::read_dir(root.path()).expect("a folder").count(), 1, "no part of a PDF stays");
}
