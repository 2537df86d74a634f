use super::*;
use crate::note::place::Text;
use crate::source::SourceMap;

struct Values;

impl Names for Values {
    fn resolve(&self, name: &str, _: Option<Unit>) -> Resolved {
        match name {
            "clock_jitter" => Resolved::Value(Quantity::new(1.5e-13, Unit::Second)),
            "f_clock" => Resolved::Value(Quantity::new(2e9, Unit::Hertz)),
            "lo.feedback_divider" => Resolved::Integer(1120),
            "lo.bandwidth" => Resolved::Pending,
            _ => Resolved::Unknown {
                message: format!("there is no value `{name}`"),
                known: vec!["clock_jitter".into(), "f_clock".into()],
            },
        }
    }
}

const fn field(name: &'static str, kind: Type, need: Need) -> Field {
    Field { name, kind, need, says: "a field of this test" }
}

const HZ: Unit = Unit::Hertz;
const LEVEL: Unit = Unit::DecibelCarrierPerHertz;
const DETECTOR: &[Field] = &[
    field("max_frequency", Type::Quantity(HZ), Need::Required),
    field("floor", Type::Either(&[Type::Quantity(LEVEL), Type::Table(Unit::Ampere, LEVEL)]), Need::Optional),
];
const COMMON: &[Field] = &[
    field("caption", Type::Prose, Need::Optional),
    field("audience", Type::Word(&["internal", "public"]), Need::Default("public")),
    field("show", Type::List(&Type::Word(&["figure", "table"])), Need::Default("[figure, table]")),
];
const OWN: &[Field] = &[
    field("frequency", Type::Quantity(HZ), Need::Required),
    field("level", Type::Quantity(LEVEL), Need::Optional),
    field("bandwidth", Type::Either(&[Type::Quantity(HZ), Type::Word(&["optimum"])]), Need::Optional),
    field("noise", Type::Table(HZ, LEVEL), Need::Optional),
    field("tuning", Type::Table(Unit::Volt, HZ), Need::Optional),
    field("over", Type::Range(HZ), Need::Optional),
    field(
        "outputs",
        Type::Either(&[Type::SteppedRange(HZ), Type::List(&Type::Quantity(HZ))]),
        Need::Optional,
    ),
    field("c1", Type::Toleranced(Unit::Farad), Need::Optional),
    field("runs", Type::Integer, Need::Default("2000")),
    field("divider", Type::Either(&[Type::IntegerRange, Type::List(&Type::Fraction)]), Need::Optional),
    field("ratio", Type::Quantity(Unit::One), Need::Optional),
    field("limit", Type::Limit, Need::Optional),
    field("file", Type::File, Need::Optional),
    field("revision", Type::Text, Need::Optional),
    field("corners", Type::Flag, Need::Optional),
    field("of", Type::Block(&["loop"]), Need::Optional),
    field("detector", Type::Group(DETECTOR), Need::Optional),
    field("record", Type::Entries(&Type::AnyQuantity), Need::Optional),
    field("temperature", Type::Quantity(Unit::Kelvin), Need::Default("25 degC")),
];

fn run(text: &str) -> (Fields, Vec<Diagnostic>, String) {
    let sources = SourceMap::new();
    let file = sources.add("n.md", text);
    let mut out = Vec::new();
    let tree = parse(Text::whole(file, text, "parts"), &mut out).expect("reads");
    let fields = check(&tree, &Schema { fields: &[OWN, COMMON], entries: None }, &Values, &mut out);
    (fields, out, text.to_owned())
}

fn good(text: &str) -> Fields {
    let (fields, out, _) = run(&format!("frequency: 80 MHz\n{text}"));
    assert!(out.is_empty(), "{text}: {out:#?}");
    fields
}

/// The one fault of a text: its message, the text it points at, the label and the hints.
fn fault(line: &str) -> (String, String, String) {
    let (_, out, text) = run(&format!("frequency: 80 MHz\n{line}"));
    assert_eq!(out.len(), 1, "{line}: {out:#?}");
    let span = out[0].span.expect("a place");
    let said = [out[0].label.as_str()].into_iter().chain(out[0].hints.iter().map(String::as_str));
    (out[0].message.clone(), text[span.start..span.end].to_owned(), said.collect::<Vec<_>>().join(" | "))
}

#[test]
fn good_values_come_out_in_base_units() {
    let fields = good(
        "level: -110 dBc/Hz\nnoise: {1 kHz: -90, 10 kHz: -110.5, 1 MHz: -140 dBc/Hz}\nover: 100 Hz .. 10 MHz\n\
         outputs: 2.7 GHz .. 2.9 GHz step 2.5 MHz\nc1: 4.7 nF +- 5 %\ndivider: [1, 1/2]\nratio: 0.3\n\
         limit: \"<= 150 fs\"\nfile: x.csv\nrevision: 1.10\ncorners: true\nof: lo\n\
         detector: {max_frequency: 100 MHz, floor: -228 dBc/Hz}\nrecord: {supply_current: 95 mA}\n",
    );
    assert_eq!(fields.quantity("frequency"), Some(80e6));
    let rows: Vec<(f64, f64)> =
        fields.table("noise").expect("rows").iter().map(|r| (r.at, r.value)).collect();
    assert_eq!(rows, [(1e3, -90.0), (1e4, -110.5), (1e6, -140.0)]);
    assert_eq!(fields.range("over"), Some((100.0, 1e7)));
    assert_eq!(fields.range_full("outputs").and_then(|(.., step)| step).map(|q| q.value), Some(2.5e6));
    assert_eq!(fields.tolerance("c1"), Some(crate::units::Tolerance::Relative(0.05)));
    assert!(
        matches!(fields.list("divider")[1].value, Item::Fraction(f) if f == num_rational::Ratio::new(1, 2))
    );
    assert_eq!(fields.text("file"), Some("parts/x.csv"));
    assert_eq!(fields.text("revision"), Some("1.10"));
    assert_eq!(fields.flag("corners"), Some(true));
    assert_eq!(fields.group("detector").and_then(|g| g.quantity("floor")), Some(-228.0));
    assert_eq!(fields.entries("record")[0].1.number(), Some(0.095));
}

#[test]
fn defaults_are_read_as_if_written_and_marked() {
    let fields = good("");
    assert_eq!(fields.integer("runs"), Some(2000));
    assert_eq!(fields.quantity("temperature"), Some(298.15));
    assert_eq!(fields.list("show").len(), 2);
    assert!(!fields.written("runs") && fields.written("frequency"));
    assert_eq!(fields.span("runs"), fields.place.span());
}

#[test]
fn names_stand_for_quantities_and_are_recorded() {
    let fields = good(
        "bandwidth: optimum\nover: 100 Hz .. f_clock\nlimit: \"<= clock_jitter\"\nruns: lo.feedback_divider\n\
         noise: {lo.bandwidth: -90}\n",
    );
    assert_eq!(fields.word("bandwidth"), Some("optimum"));
    assert_eq!(fields.range("over"), Some((100.0, 2e9)));
    assert_eq!(fields.integer("runs"), Some(1120));
    assert!(matches!(fields.get("noise").map(|c| &c.value), Some(Item::Pending(_))));
    let names: Vec<&str> = fields.names.iter().map(|used| used.name.as_str()).collect();
    assert_eq!(names, ["f_clock", "clock_jitter", "lo.feedback_divider", "lo.bandwidth"]);
}

#[test]
fn each_fault_says_what_was_expected() {
    for (line, message, at, said) in [
        ("level: -110", "`-110` has no unit", "-110", "did you mean `-110 dBc/Hz`?"),
        (
            "bandwidth: \"80\"",
            "`80` has no unit",
            "80",
            "expected frequency, e.g. 80 MHz | did you mean `80 MHz`?",
        ),
        ("bandwidth: 80", "`80` has no unit", "80", "frequency, e.g. 80 MHz"),
        ("bandwidth: 80 mhz", "there is no unit `mhz`", "mhz", "did you mean `MHz`?"),
        ("bandwidth: 80 KHz", "there is no unit `KHz`", "KHz", "did you mean `kHz`?"),
        ("bandwidth: 80 kH", "there is no unit `kH`", "kH", "did you mean `kHz`?"),
        ("bandwidth: 80 ms", "`ms` is a unit of time", "ms", "frequency, e.g. 80 MHz"),
        ("bandwidth: 1,000 Hz", "`1,000 Hz` has a separator between its digits", ",", "all digits together"),
        ("bandwidth: inf", "`inf` can't stand here", "inf", "frequency"),
        ("level: nan dBc/Hz", "`nan dBc/Hz` is not a finite number", "nan dBc/Hz", "phase noise"),
        ("bandwidth: optimun", "there is no value `optimun`", "optimun", "did you mean `optimum`?"),
        ("level: clock_jitter", "`clock_jitter` is a time", "clock_jitter", "phase noise"),
        ("bandwith: 1 kHz", "there is no field `bandwith` here", "bandwith", "did you mean `bandwidth`?"),
        ("colour: red", "there is no field `colour` here", "colour", "fields here: `frequency`"),
        ("over: 1 kHz", "`1 kHz` is not a range", "1 kHz", "A .. B"),
        ("over: 1 MHz .. 1 kHz", "the range ends below its start", "1 MHz .. 1 kHz", "lower end"),
        ("over: 1 kHz .. 5", "`5` has no unit", "5", "did you mean `5 MHz`?"),
        ("outputs: 1 GHz .. 2 GHz step 5 s", "`s` is a unit of time", "s", "frequency"),
        ("noise: -90 dBc/Hz", "a text stands here", "-90 dBc/Hz", "table"),
        ("noise: {1 kHz: -90, 1000 Hz: -91}", "the table has `1000 Hz` twice", "1000 Hz", ""),
        ("noise: {1000: -90}", "`1000` has no unit", "1000", "frequency"),
        ("tuning: {0.5 V: 2.7}", "`2.7` has no unit", "2.7", "did you mean `2.7 MHz`?"),
        ("runs: 5 kHz", "`5 kHz` has a unit", "5 kHz", "plain whole number"),
        ("runs: many things", "`many things` is not a plain number", "many things", "plain whole number"),
        ("divider: 5 .. 1", "the range ends below its start", "5 .. 1", ""),
        ("divider: [1/0]", "`1/0` is not a divider", "1/0", "1/2"),
        ("limit: about 5", "`about 5` is not a limit", "about 5", "<= 150 fs"),
        ("limit: \"<= clok_jitter\"", "there is no value `clok_jitter`", "clok_jitter", "`clock_jitter`"),
        ("file: ../../x.csv", "`../../x.csv` leaves the folder of the note", "../../x.csv", ""),
        ("file: /etc/passwd", "`/etc/passwd` leaves the folder of the note", "/etc/passwd", ""),
        ("corners: maybe", "`maybe` can't stand here", "maybe", "`true` or `false`"),
        ("audience: intern", "`intern` can't stand here", "intern", "did you mean `internal`?"),
        ("show: [fig]", "`fig` can't stand here", "fig", "`figure` or `table`"),
        (
            "detector: {floor: -228 dBc/Hz}",
            "`max_frequency` is missing",
            "detector",
            "write e.g. `max_frequency: 80 MHz`",
        ),
        ("detector: 5", "a plain number stands where fields are expected", "5", "`max_frequency`"),
        ("level:", "`level` has no value", "level", "phase noise"),
        ("outputs: []", "the list is empty", "[]", ""),
    ] {
        let (got, place, words) = fault(line);
        assert_eq!((got.as_str(), place.trim_matches('"')), (message, at), "{line}");
        assert!(words.contains(said), "{line}: {words}");
    }
}

#[test]
fn all_faults_of_a_block_come_at_once() {
    let (fields, out, _) = run("level: -110\nover: x\nruns: 1.5\n");
    let messages: Vec<&str> = out.iter().map(|d| d.message.as_str()).collect();
    assert_eq!(out.len(), 4, "{messages:?}");
    assert!(messages.contains(&"`frequency` is missing"));
    assert!(fields.get("level").is_none());
    let (_, out, _) = run("[1, 2]");
    assert_eq!(out[0].message, "a list stands where fields are expected");
}

#[test]
fn paths_stay_below_the_folder_of_the_note() {
    assert_eq!(resolve_path("parts", "../data/x.csv").as_deref(), Some("data/x.csv"));
    assert_eq!(resolve_path("parts", "/x.csv"), None);
    assert_eq!(resolve_path("", "../x.csv"), None);
}
