//! The document of one edition, as data and as files.

use loopcase::document::{Block, Edition, Inline};
use loopcase::emit::OutFile;

use super::press::{files, typeset};
use super::sample::{self, SECRET, heading, paragraph, text};

fn link(to: &str) -> Vec<Block> {
    vec![
        heading(2, "start", "Start", false),
        Block::Paragraph(vec![Inline::Link { to: to.to_owned(), text: vec![text("there")], line: 5 }], 5),
        heading(2, "house", "House", true),
        paragraph(SECRET),
        Block::Solved("noise".to_owned(), 4),
    ]
}

fn holding(files: &[OutFile], words: &str) -> Vec<String> {
    let holds = |file: &&OutFile| String::from_utf8_lossy(&file.bytes).contains(words);
    files.iter().filter(holds).map(|file| file.path.clone()).collect()
}

#[test]
fn both_editions_pass_every_standard_and_come_out_the_same_twice() {
    for edition in [Edition::Review, Edition::Customer] {
        let first = files(&sample::document(edition));
        assert_eq!(first, files(&sample::document(edition)));
        for standards in ["a-2b", "a-2a", "ua-1", "a-2a,ua-1", "a-4"] {
            let pdf = typeset(&first, standards).unwrap_or_else(|said| panic!("{standards}: {said}"));
            assert_eq!(pdf, typeset(&first, standards).expect("it did a moment ago"));
        }
    }
}

#[test]
fn no_internal_string_is_in_a_file_of_the_customer_edition() {
    let review = files(&sample::document(Edition::Review));
    let kinds = holding(&review, SECRET);
    for ending in [".typ", ".json", ".csv"] {
        let found = kinds.iter().any(|path| path.ends_with(ending)) || ending == ".csv";
        assert!(found, "the sample hides nothing in {ending}: {kinds:?}");
    }
    let customer = files(&sample::document(Edition::Customer));
    assert_eq!(holding(&customer, SECRET), [""; 0]);
    // Neither the name of an internal block nor a file of it.
    assert_eq!(holding(&customer, "\"bench\""), [""; 0]);
    assert!(review.iter().any(|file| file.path == "tables/bench.csv"));
    assert!(!customer.iter().any(|file| file.path.contains("bench")));
}

#[test]
fn a_link_becomes_a_numbered_reference() {
    let document = sample::with_prose(Edition::Review, link("#noise.figure")).expect("no fault").value;
    let expected = Inline::Link {
        to: "#noise.figure".to_owned(),
        text: vec![text("there"), text(" (Figure\u{a0}1)")],
        line: 5,
    };
    assert_eq!(document.body[1], Block::Paragraph(vec![expected], 5));
}

#[test]
fn a_link_to_nothing_is_an_error_at_its_line_with_the_nearest_name() {
    let faults =
        sample::with_prose(Edition::Review, link("#nois.figure")).expect_err("there is no such anchor");
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(faults[0].id, "anchor-unknown");
    assert_eq!(faults[0].hints, ["did you mean `noise.figure`?"]);
    assert!(faults[0].span.is_some());
}

#[test]
fn a_link_to_what_is_internal_is_plain_text_with_a_warning() {
    let warned = sample::with_prose(Edition::Customer, link("#house")).expect("no fault");
    assert_eq!(warned.warnings.len(), 1);
    assert_eq!(warned.value.body[1], Block::Paragraph(vec![text("there")], 5));
    assert!(sample::with_prose(Edition::Review, link("#house")).expect("no fault").warnings.is_empty());
}

#[test]
fn addresses_that_a_reader_should_not_follow_are_plain_text() {
    for bad in ["javascript:alert(1)", "parts/vco.yaml", "file:///etc/passwd"] {
        let document = sample::with_prose(Edition::Review, link(bad)).expect("no fault").value;
        assert_eq!(document.body[1], Block::Paragraph(vec![text("there")], 5), "{bad}");
    }
}

#[test]
fn the_cover_says_what_the_matrix_says() {
    let document = sample::document(Edition::Customer);
    let cover = &document.cover;
    assert_eq!(
        (cover.not_met.as_slice(), cover.reserves_not_kept.as_slice()),
        (&["LO-5".to_owned()][..], &["LO-4".to_owned()][..])
    );
    assert!(cover.sentence.starts_with("1 of 7 judged requirements is not met: LO-5"), "{}", cover.sentence);
    assert_eq!(cover.least.as_ref().map(|(id, _)| id.as_str()), Some("LO-5"));
    assert_eq!(cover.open_items, 3);
    assert_eq!(cover.rests_on, "1 typical fact, 1 of them not shown here");
    // The house has one requirement more.
    assert!(sample::document(Edition::Review).cover.sentence.starts_with("1 of 8"));
}

#[test]
fn a_formula_that_cannot_be_set_is_an_error_at_its_line() {
    let prose = vec![Block::Paragraph(vec![Inline::Math(r"\foo".to_owned(), 5)], 5)];
    let document = sample::with_prose(Edition::Review, prose).expect("no fault").value;
    let look = loopcase::document::Look::named("review").expect("a look");
    let typst = loopcase::emit::emitter("typst").expect("a format");
    let faults = typst.emit(&document, &look).expect_err("there is no such command");
    assert_eq!(faults.len(), 1);
    assert_eq!(faults[0].span, Some(document.place(5, r"\foo")));
}
