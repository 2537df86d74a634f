use std::io::{Cursor, Write};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use super::*;

type Files = BTreeMap<String, Vec<u8>>;

fn sealed() -> Sealed {
    let files = [
        ("note/lo.md", &b"---\ntitle: A loop\nrevision: B\n---\n"[..]),
        ("note/data/vco.csv", b"1e3,-90\n1e4,-110\n"),
        ("template/report.typ", b"#\"x\";"),
        ("results/results.json", b"{}\n"),
        ("results/lo.pdf", &[0, 255, 7, 80, 75, 5, 6, 1, 2, 3]),
    ];
    Sealed {
        manifest: Manifest {
            format: FORMAT,
            note: "lo.md".to_owned(),
            title: "A loop".to_owned(),
            revision: "B".to_owned(),
            date: None,
            tool: "loopcase 0.1.0".to_owned(),
            typesetter: "typst 0.15.1".to_owned(),
            timestamp: 0,
            verdicts: "no requirements".to_owned(),
            files: Vec::new(),
        },
        files: files.into_iter().map(|(path, bytes)| (path.to_owned(), bytes.to_vec())).collect(),
    }
}

fn bytes() -> Vec<u8> {
    seal(sealed()).expect("small enough")
}

/// A zip of these entries, in the way of a sealed file.
fn zip(entries: &[(&str, &[u8])]) -> Vec<u8> {
    format1::write(entries.iter().copied()).expect("written")
}

#[test]
fn what_was_sealed_comes_out_again_and_twice_gives_the_same_bytes() {
    assert!(bytes() == bytes());
    let mut wanted = sealed();
    wanted.manifest.files = manifest::listed(&wanted.files);
    assert_eq!(open(&bytes()), Ok(wanted));
    let opened = open(&bytes()).expect("whole");
    assert_eq!(opened.below(NOTE).map(|(path, _)| path).collect::<Vec<_>>(), ["data/vco.csv", "lo.md"]);
    assert!(opened.note_text().starts_with("---\n"));
}

#[test]
fn digests_are_those_of_sha256sum() {
    // FIPS 180-4 examples: the message "abc".
    assert_eq!(sha256(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

/// Every byte of the file, each set to three other values: all found.
#[test]
fn any_changed_byte_is_found() {
    let whole = bytes();
    for at in 0..whole.len() {
        for change in [0x01, 0x80, 0xff] {
            let mut changed = whole.clone();
            changed[at] ^= change;
            assert!(open(&changed).is_err(), "byte {at} with {change:#x}");
        }
    }
}

#[test]
fn what_is_cut_off_or_added_is_found() {
    let whole = bytes();
    for length in 0..whole.len() {
        assert!(open(&whole[..length]).is_err(), "{length}");
    }
    for more in [&b"\0"[..], b"PK\x05\x06", &whole] {
        assert!(open(&[&whole[..], more].concat()).is_err());
        assert!(open(&[more, &whole[..]].concat()).is_err());
    }
}

/// Found by the manifest, not by the zip: whoever builds the zip anew can make its own sums right.
#[test]
fn files_that_are_not_those_of_the_manifest_are_found() {
    let with = |change: fn(&mut Files)| {
        let mut changed = sealed();
        changed.manifest.files = manifest::listed(&changed.files);
        let text = changed.manifest.to_text();
        change(&mut changed.files);
        let mut entries = vec![(MANIFEST, text.as_bytes())];
        entries.extend(changed.files.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice())));
        open(&zip(&entries)).expect_err("found")
    };
    const CSV: &str = "note/data/vco.csv";
    let found = with(|files| *files.get_mut(CSV).expect("there") = b"1e3,-91\n".to_vec());
    assert_eq!(found, Damage::Changed(CSV.to_owned()));
    assert_eq!(with(|files| drop(files.remove(CSV))), Damage::Missing(CSV.to_owned()));
    let found = with(|files| drop(files.insert("note/more".to_owned(), Vec::new())));
    assert_eq!(found, Damage::Extra("note/more".to_owned()));
}

#[test]
fn a_later_format_is_named_and_no_manifest_is_told() {
    let later = br#"{"format": 2, "anything": true}"#;
    assert_eq!(open(&zip(&[(MANIFEST, later)])), Err(Damage::Format(2)));
    assert_eq!(open(&zip(&[("note/lo.md", b"x")])), Err(Damage::NoManifest));
    assert_eq!(open(&zip(&[(MANIFEST, b"{\"format\": 1}")])), Err(Damage::NoManifest));
    assert!(matches!(open(b"not a zip"), Err(Damage::NoZip(_))));
}

#[test]
fn names_that_climb_out_links_folders_and_others_are_refused() {
    for name in
        ["../lo.md", "/etc/passwd", "note/../../x", "note/./x", "note//x", "note\\x", "other/x", "C:x"]
    {
        assert!(open(&zip(&[(name, b"x"), (MANIFEST, b"{}")])).is_err(), "{name}");
    }
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let mut links = ZipWriter::new(Cursor::new(Vec::new()));
    links.add_symlink("note/link", "/etc/passwd", options).expect("written");
    let links = links.finish().expect("written").into_inner();
    assert_eq!(open(&links), Err(Damage::BadName("note/link".to_owned())));
    let mut folders = ZipWriter::new(Cursor::new(Vec::new()));
    folders.add_directory("note/folder", options).expect("written");
    let folders = folders.finish().expect("written").into_inner();
    assert!(matches!(open(&folders), Err(Damage::BadName(_))));
}

/// Two entries of one name: made from two names of one length, one of which is then written over.
#[test]
fn one_name_twice_is_refused() {
    let mut twice = zip(&[(MANIFEST, b"{}"), ("note/a.md", b"one"), ("note/b.md", b"two")]);
    let places: Vec<usize> = (0..twice.len() - 9).filter(|&at| &twice[at..at + 9] == b"note/b.md").collect();
    assert_eq!(places.len(), 2, "in its own head and in the directory");
    for at in places {
        twice[at + 5] = b'a';
    }
    assert_eq!(open(&twice), Err(Damage::Twice));
}

/// An entry that says it is compressed, and large, is not even begun to be read.
#[test]
fn an_entry_that_grows_or_is_too_large_is_refused() {
    let whole = zip(&[(MANIFEST, b"{}")]);
    let directory = (0..whole.len() - 4).find(|&at| &whole[at..at + 4] == b"PK\x01\x02").expect("there");
    let mut deflated = whole.clone();
    deflated[8] = 8;
    deflated[directory + 10] = 8;
    assert!(open(&deflated).is_err());
    let mut large = whole.clone();
    for at in [18, 22, directory + 20, directory + 24] {
        large[at..at + 4].copy_from_slice(&0x7fff_ffff_u32.to_le_bytes());
    }
    assert!(open(&large).is_err());
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    zip.start_file("note/large", options).expect("begun");
    zip.write_all(&vec![0; MAX_ENTRY + 1]).expect("written");
    let large = zip.finish().expect("written").into_inner();
    assert_eq!(open(&large), Err(Damage::BadEntry("note/large".to_owned())));
}

#[test]
fn what_could_not_be_opened_again_is_not_sealed() {
    let mut large = sealed();
    large.files.insert("note/large".to_owned(), vec![0; MAX_ENTRY + 1]);
    assert!(seal(large).is_err_and(|fault| fault.message.contains("note/large")));
    let mut many = sealed();
    many.files.extend((0..MAX_ENTRIES).map(|i| (format!("note/{i}"), Vec::new())));
    assert!(seal(many).is_err());
}
