use super::*;
use crate::results::{BlockResult, Group, Metric, MetricFunction, Node, Results, State, Verdict};
use crate::source::{SourceMap, Span};

const MARK: char = '\u{e001}';

fn store() -> Store {
    let sources = SourceMap::new();
    let span = Span::new(sources.add("n.md", "x"), 0, 1);
    let block = |name: &str, kind: &'static str, results: Arc<Results>| BlockResult {
        name: name.into(),
        kind,
        span,
        line: 1,
        digest: String::new(),
        internal: false,
        results,
    };
    let mut lo = Group::new();
    lo.metric("bandwidth", Metric::real(28123.0, Unit::Hertz));
    lo.metric("phase_margin", Metric::real(52.34, Unit::Degree));
    lo.metric("feedback_divider", Metric::count(1120));
    lo.metric("gain_margin", Metric::unbounded(Unit::Decibel, "never crosses"));
    let mut share = Group::new();
    share.metric("R2", Metric::real(0.12, Unit::One));
    share.metric("total", Metric::real(1.0, Unit::One));
    let mut spot = Group::new();
    spot.metric("offset", Metric::exact(1e4, Unit::Hertz));
    spot.metric("level", Metric::real(-102.1, Unit::DecibelCarrierPerHertz));
    let mut noise = Group::new();
    noise.put("share", Node::Group(share));
    noise.put("spot", Node::List(vec![Node::Group(spot)]));
    noise.put("total", Node::Series { unit: Unit::Hertz, values: vec![1e3, 2e3] });
    let at = MetricFunction(Arc::new(|text| match text {
        "10 kHz" => Ok(Metric::real(-102.1, Unit::DecibelCarrierPerHertz)),
        other => Err(format!("`{other}` is not an offset")),
    }));
    let noise = Results::new(None, noise, vec![("at".into(), at)], Group::new());
    let noise = block("noise", "phase_noise", noise);
    let mut record = Group::new();
    record.metric("supply_current", Metric::exact(0.095, Unit::Ampere));
    let mut fields = Group::new();
    fields.put("record", Node::Group(record));
    fields.put("source", Node::Text("bench | *log*".into()));
    let vco = Results::new(Some(fields), Group::new(), Vec::new(), Group::new());
    let vco = block("vco", "oscillator", vco);
    let mut values = Group::new();
    values.metric("f_if", Metric::exact(70e6, Unit::Hertz));
    let verdict = Verdict {
        id: "LO-1".into(),
        text: "jitter".into(),
        source: "spec".into(),
        metric: Some("noise.jitter".into()),
        value: Some(1.4e-13),
        why: None,
        unit: Unit::Second,
        limit: "<= 150 fs".into(),
        limit_stands_for: String::new(),
        margin: Some(1e-14),
        at: None,
        reserve: None,
        reserve_kept: None,
        state: State::Met,
        judged: "nominal".into(),
        decided_by: None,
        shown_by: None,
        method: None,
        evidence: None,
        internal: false,
        span,
        would_take: Vec::new(),
    };
    Store {
        blocks: vec![
            block("lo", "loop", Results::new(None, lo, Vec::new(), Group::new())),
            noise,
            vco,
            block("values", "values", Results::new(None, values, Vec::new(), Group::new())),
        ],
        requirements: vec![verdict],
        ..Store::default()
    }
}

/// The text with each value in `<..>`.
fn fill(template: &str) -> Result<String, Misplaced> {
    let (mut text, values) = Prose::new(&store()).fill(template, MARK)?;
    for (number, value) in values.iter().enumerate() {
        text = text.replace(&format!("{MARK}{number}{MARK}"), &format!("<{}>", crate::units::ascii(value)));
    }
    Ok(text)
}

#[test]
fn results_print_with_their_units() {
    for (template, expected) in [
        ("{{ lo.bandwidth }}", "<28.1 kHz>"),
        ("{{ lo.bandwidth | to(\"kHz\", 1) }}", "<28.1 kHz>"),
        ("{{ lo.bandwidth | to('Hz', 0) }}", "<28123 Hz>"),
        ("{{ lo.feedback_divider }}", "<1120>"),
        ("{{ (lo.bandwidth / 2) }}", "<14061.5>"),
        ("{{ -lo.phase_margin | round(1) }}", "<-52.3>"),
        ("{{ lo.gain_margin }}", "<never crosses>"),
        ("{{ noise.share.R2 }}", "<0.120>"),
        ("{{ noise.spot[0].level }}", "<-102 dBc/Hz>"),
        ("{{ noise.at(\"10 kHz\") }}", "<-102 dBc/Hz>"),
        ("{{ vco.record.supply_current }}", "<95 mA>"),
        ("{{ vco.source }}", "<bench | *log*>"),
        ("{{ f_if }}", "<70 MHz>"),
        ("{{ requirements[\"LO-1\"].verdict }}", "<met>"),
        ("{{ requirements['LO-1'].value }} {{ requirements['LO-1'].margin }}", "<140 fs> <10.0 fs>"),
        ("{{ 'a' ~ lo.phase_margin }}", "<a52.3 deg>"),
        ("{% set x = lo.bandwidth %}\n{{ x }}", "<28.1 kHz>"),
        ("{{ noise.total[1] }}", "<2.00 kHz>"),
    ] {
        assert_eq!(
            fill(template).unwrap_or_else(|fault| panic!("{template}: {fault:?}")),
            expected,
            "{template}"
        );
    }
}

#[test]
fn numbers_compare_and_loop() {
    for (template, expected) in [
        ("{% if lo.phase_margin >= 50 %}wide{% endif %}", "wide"),
        ("{% if lo.bandwidth > 20000 and lo.bandwidth < 30000 %}in{% else %}out{% endif %}", "in"),
        ("{% if lo.bandwidth == noise.share.R2 %}a{% else %}b{% endif %}", "b"),
        ("{% if requirements['LO-1'].verdict == 'met' %}yes{% endif %}", "yes"),
        (
            "{% for name in noise.share %}{{ name }} {{ noise.share[name] }};{% endfor %}",
            "<R2> <0.120>;<total> <1.00>;",
        ),
        ("{% for name, part in noise.share | items %}{{ part }};{% endfor %}", "<0.120>;<1.00>;"),
        ("{% for s in noise.spot %}\n| {{ s.offset }} |\n{% endfor %}\n", "| <10 kHz> |\n"),
        ("# Head {#id}\n", "# Head {#id}\n"),
        ("{% raw %}{{ a + b }}{% endraw %}", "{{ a + b }}"),
        ("{{ {'a': {'b': f_if}}['a']['b'] }}", "<70 MHz>"),
    ] {
        assert_eq!(
            fill(template).unwrap_or_else(|fault| panic!("{template}: {fault:?}")),
            expected,
            "{template}"
        );
    }
}

#[test]
fn what_does_not_exist_is_an_error_at_its_line() {
    for (template, line, message, hint) in [
        ("a\n{{ lo.bandwith }}", 2, "`lo` has no `bandwith`", "did you mean `bandwidth`?"),
        ("\n\n{{ l0.bandwidth }}", 3, "there is no block or value `l0`", "did you mean `lo`?"),
        ("{% if lo.margin > 3 %}{% endif %}", 1, "`lo` has no `margin`", "there are: bandwidth"),
        ("{{ noise.share.R22 }}", 1, "`noise.share` has no `R22`", "did you mean `R2`?"),
        ("{{ requirements['LO-2'].verdict }}", 1, "there is no requirement `LO-2`", "did you mean `LO-1`?"),
        ("{{ noise.at('x') }}", 1, "`x` is not an offset", ""),
        ("{{ lo.bandwidth | to('s', 1) }}", 1, "`s` does not fit: the number is a frequency", ""),
        ("{{ lo.bandwidth | tto('kHz') }}", 1, "there is no filter `tto`", "did you mean `to`?"),
        ("{{ (lo.bandwidth / 2) | to('kHz', 1) }}", 1, "`to` needs a solved number", ""),
        ("{{ lo.gain_margin + 1 }}", 1, "there is no value to calculate with: never crosses", ""),
        ("\n{{ 1 + }}", 2, "syntax error", ""),
        ("{% include '/etc/passwd' %}", 1, "a note can't include other files", ""),
        (
            "{% for a in range(9999) %}{% for b in range(9999) %}x{% endfor %}{% endfor %}",
            1,
            "the template runs too long",
            "",
        ),
        ("{% set x %}{{ f_if }}{% endset %}{{ x }}", 1, "captured text", ""),
        // 2^40 times the same.
        (
            format!("{{% set x = [0] %}}{}\n{{{{ x }}}}", "{% set x = [x, x] %}".repeat(40)).as_str(),
            1,
            "a list of more than 10000 entries",
            "",
        ),
        ("{% set x = range(900) %}\n{{ x }}", 2, "a list or mapping of more than 1000 bytes", ""),
        // What overflows the stack does so behind a closing delimiter in quotes and in brackets, too.
        (format!("{{{{ '}}}}' ~ {}1 }}}}", "-".repeat(200_000)).as_str(), 1, "this expression is longer", ""),
        (
            format!("{{{{ {{1: {{2: 3}}}} ~ {}1 }}}}", "-".repeat(200_000)).as_str(),
            1,
            "this expression is longer",
            "",
        ),
    ] {
        let fault = fill(template).expect_err(template);
        assert_eq!(fault.line, line, "{template}");
        assert!(fault.diagnostic.message.starts_with(message), "{template}: {:?}", fault.diagnostic);
        assert!(
            fault.diagnostic.hints.join(" ").starts_with(hint),
            "{template}: {:?}",
            fault.diagnostic.hints
        );
    }
}
