//! `compare` and the block `changes`: what differs, the most important first.

use super::place::Place;

/// What makes a PDF, as far as these tests look.
const PRESS: &str = "echo pdf > \"$last\"";

/// A note with one loop; what the tests vary is given.
fn note(revision: &str, c2: &str, limit: &str, text: &str) -> String {
    format!(
        "---\ntitle: A loop\nrevision: {revision}\n---\n\n{text}\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\n```\n\n\
         ```yaml oscillator vco\ntuning: {{0 V: 90 MHz, 5 V: 110 MHz}}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz}}\npump: {{currents: [1 mA]}}\n\
         feedback_divider: 1 .. 100\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\n\
         filter: passive 2\nparts: {{C1: 1 nF, R2: 1 kohm, C2: {c2}}}\n```\n\n\
         ```yaml requirements\n\
         LO-1: {{text: Wide enough., metric: lo.bandwidth, limit: \">= {limit}\"}}\n\
         LO-2: {{text: Stable., metric: lo.phase_margin, limit: \">= 20 deg\"}}\n```\n"
    )
}

/// A place with revision A, sealed.
fn sealed() -> Place {
    let place = Place::new();
    place.typst("0.15.1", PRESS).file("lo.md", note("A", "15 nF", "1 kHz", "As it was."));
    let run = place.run(&["seal", "lo.md"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    place
}

#[test]
fn the_same_is_said_to_be_the_same() {
    let place = sealed();
    for (old, new) in
        [("lo.md", "lo.md"), ("sealed/lo-A.zip", "lo.md"), ("sealed/lo-A.zip", "sealed/lo-A.zip")]
    {
        let run = place.run(&["compare", old, new]);
        let wanted = format!(
            "was {old} (revision A, loopcase [VERSION])\nis  {new} (revision A, loopcase [VERSION])\nnothing differs\n"
        );
        run.is(0, &wanted, "");
    }
}

#[test]
fn what_differs_comes_in_the_order_of_its_weight() {
    let place = sealed();
    place.file("lo.md", note("B", "1.5 nF", "1 GHz", "As it is."));
    let run = place.run(&["compare", "sealed/lo-A.zip", "lo.md"]);
    assert_eq!((run.status, run.stderr.as_str()), (Some(1), ""), "{}", run.all());
    let mut last = 0;
    for title in [
        "\nverdicts that turned\n",
        "\nlimits that moved\n",
        "\nparts that change on the board\n",
        "\nnumbers, by relative change\n",
        "\ntext of the note, by line\n",
    ] {
        let at = run.stdout.find(title).unwrap_or_else(|| panic!("{title}: {}", run.stdout));
        assert!(at > last, "{title}: {}", run.stdout);
        last = at;
    }
    for row in [
        "LO-1         met  not met",
        "lo.parts.C2  15.0 nF  1.50 nF  -90.00 %",
        "went           6     As it was.",
    ] {
        assert!(run.stdout.contains(row), "{row}: {}", run.stdout);
    }
}

#[test]
fn a_revision_of_prose_alone_moves_no_number() {
    let place = sealed();
    place.file("lo.md", note("B", "15 nF", "1 kHz", "Said better."));
    let run = place.run(&["compare", "sealed/lo-A.zip", "lo.md"]);
    assert_eq!(run.status, Some(1), "{}", run.all());
    assert!(run.stdout.contains("\nno number moved: only the text of the note changed\n"), "{}", run.stdout);
    assert!(!run.stdout.contains("numbers, by"), "{}", run.stdout);
}

#[test]
fn what_can_not_be_compared_is_told() {
    let place = sealed();
    let mut bytes = place.bytes("sealed/lo-A.zip");
    bytes[200] ^= 1;
    place.file("damaged.zip", &bytes).file("faulty.md", "---\ntitel: x\n---\n");
    for (path, said) in [
        ("damaged.zip", "`damaged.zip` is damaged"),
        ("faulty.md", "titel"),
        ("none.md", "there is no note `none.md`"),
        (".", "is a folder, `compare` takes one note"),
    ] {
        for words in [["compare", path, "lo.md"], ["compare", "lo.md", path]] {
            let run = place.run(&words);
            run.fails(2, &[said]);
            assert_eq!(run.stdout, "");
        }
    }
}

const BLOCK: &str =
    "\nNumbers that moved: {{ changes.numbers }}.\n\n```yaml changes\nsince: sealed/lo-A.zip\n```\n";

#[test]
fn the_block_says_what_differs_from_the_sealed_revision() {
    let place = sealed();
    place.file("lo.md", note("B", "1.5 nF", "1 GHz", "As it is.") + BLOCK);
    let run = place.run(&["typeset", "lo.md"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    let typst = place.read("out/lo/lo.typ");
    for words in
        ["Changes since revision A", "Since revision A: verdicts that turned", "Since revision A: parts"]
    {
        assert!(typst.contains(words), "{words}");
    }
    let results: serde_json::Value = serde_json::from_str(&place.read("out/lo/results.json")).expect("JSON");
    let changes = &results["blocks"]["changes"]["metrics"];
    assert_eq!(
        (changes["verdicts"]["value"].as_u64(), changes["parts"]["value"].as_u64()),
        (Some(2), Some(1))
    );
    assert!(changes["numbers"]["value"].as_u64().is_some_and(|count| count > 3), "{changes}");
    let csv = place.read("out/lo/tables/changes.2.csv");
    assert!(csv.contains("LO-1,met,not met"), "{csv} {:?}", place.names("out/lo/tables"));
    // It is sealed with the file that it rests on, and reopens.
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    let again = place.run(&["reopen", "sealed/lo-B.zip"]);
    assert_eq!(again.status, Some(0), "{}", again.all());
}

#[test]
fn a_missing_or_damaged_revision_is_a_fault_of_the_note() {
    let place = sealed();
    place.file("lo.md", note("B", "15 nF", "1 kHz", "x") + &BLOCK.replace("lo-A", "lo-0"));
    place
        .run(&["judge", "lo.md"])
        .fails(2, &["there is no file `sealed/lo-0.zip`", "did you mean `sealed/lo-A.zip`?"]);
    let mut bytes = place.bytes("sealed/lo-A.zip");
    bytes[300] ^= 8;
    place.file("sealed/lo-0.zip", &bytes);
    place.run(&["judge", "lo.md"]).fails(2, &["`sealed/lo-0.zip` is not a sealed file as it was written"]);
}

/// Internal then and now, internal then and gone now, lines of the note: none of it reaches the customer.
#[test]
fn the_customer_sees_no_internal_change() {
    let place = Place::new();
    place.typst("0.15.1", PRESS);
    let with = |revision: &str, secret: &str, gone: &str| {
        let own = format!(
            "\n# In the house {{.internal}}\n\nSauerbraten {revision}.\n\n```yaml values kitchen\nstove: {secret}\n```\n\
             \n```yaml requirements house\nKU-1: {{text: Hot., metric: kitchen.stove, limit: \"<= 5 Hz\"}}\n```\n{gone}"
        );
        note(revision, if revision == "A" { "15 nF" } else { "18 nF" }, "1 kHz", "As it was.") + &own
    };
    let gone = "\n```yaml values cellar\nwine: 7 Hz\n```\n";
    place.file("lo.md", with("A", "4 Hz", gone));
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    place.file("lo.md", with("B", "6 Hz", "") + "\n# For all\n" + BLOCK);
    for (edition, folder) in [("review", "lo"), ("customer", "lo.customer")] {
        let run = place.run(&["typeset", "lo.md", "--edition", edition]);
        assert_eq!(run.status, Some(0), "{}", run.all());
        let mut all =
            place.read(&format!("out/{folder}/lo.typ")) + &place.read(&format!("out/{folder}/results.json"));
        for table in place.names(&format!("out/{folder}/tables")) {
            all += &place.read(&format!("out/{folder}/tables/{table}"));
        }
        assert!(all.contains("lo.parts.C2"), "{edition}");
        for secret in ["KU-1", "kitchen", "cellar", "Sauerbraten"] {
            assert_eq!(all.contains(secret), edition == "review", "{edition}: {secret}");
        }
    }
}
