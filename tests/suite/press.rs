//! Documents of the tests, typeset in a folder of their own.

#![allow(clippy::disallowed_methods, reason = "tests run the typesetter and look at what it wrote")]

use std::fs;
use std::path::Path;
use std::process::Command;

use loopcase::document::{Document, Look};
use loopcase::emit::{EMITTERS, OutFile};
use loopcase::typeset::{Surroundings, find};

/// All files of a document in all formats.
pub(crate) fn files(document: &Document) -> Vec<OutFile> {
    let look = Look::named(document.edition.word()).expect("every edition has a look");
    let emit = |emitter: &&dyn loopcase::emit::Emitter| emitter.emit(document, &look);
    EMITTERS.iter().map(emit).collect::<Result<Vec<_>, _>>().expect("it can be said in every format").concat()
}

/// Typesets the files in an empty folder, to the given PDF standards; the PDF, or what typst said.
pub(crate) fn typeset(files: &[OutFile], standards: &str) -> Result<Vec<u8>, String> {
    let typst = find(None, &Surroundings::of_process()).unwrap_or_else(|missing| {
        panic!("this test needs the typesetter ({missing}); run: cargo run --release -- typesetter --install")
    });
    let folder = tempfile::tempdir().expect("a temporary folder");
    write(folder.path(), files);
    let source = files
        .iter()
        .find(|file| Path::new(&file.path).extension().is_some_and(|e| e == "typ"))
        .expect("a Typst source");
    let mut command = Command::new(&typst.path);
    command.current_dir(folder.path()).args(["compile", "--root", ".", "--ignore-system-fonts"]);
    command.args(["--creation-timestamp", "0", "--diagnostic-format", "short"]);
    if !standards.is_empty() {
        command.args(["--pdf-standard", standards]);
    }
    let output = command.arg(&source.path).arg("out.pdf").output().expect("typst starts");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    // A warning (a missing font or glyph, a layout that does not converge) is as bad as an error here.
    if output.status.success() && said.is_empty() {
        Ok(fs::read(folder.path().join("out.pdf")).expect("the PDF"))
    } else {
        Err(said)
    }
}

/// Writes files below a folder.
pub(crate) fn write(folder: &Path, files: &[OutFile]) {
    for file in files {
        let path = folder.join(&file.path);
        fs::create_dir_all(path.parent().expect("a folder")).expect("the folder");
        fs::write(path, &file.bytes).expect("the file");
    }
}
