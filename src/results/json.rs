//! results.json: order as in the note, numbers shortest round trip, no date, path or duration anywhere.

use serde_json::{Map, Value, json};

use super::store::{BlockResult, Group, Metric, Node, Number, Remedy, Results, Store, Verdict};

/// Version of the tool as results.json and the document state it.
pub const TOOL: &str = concat!("loopcase ", env!("CARGO_PKG_VERSION"));

/// The whole store as JSON.
pub fn to_json(store: &Store) -> Value {
    let mut root = head(store);
    let blocks = store.blocks.iter().map(|b| (b.name.clone(), block(b))).collect::<Map<_, _>>();
    root.insert("blocks".into(), Value::Object(blocks));
    root.append(&mut tail(store));
    Value::Object(root)
}

/// The same as the text of results.json. The lines of a block are made once: of a curve there are hundreds.
pub fn to_text(store: &Store) -> String {
    let mut out = String::from("{");
    let entries = |map: Map<String, Value>, out: &mut String| {
        for (name, value) in map {
            out.push_str(&format!("\n  {}: {},", json!(name), lines(&value, 1)));
        }
    };
    entries(head(store), &mut out);
    out.push_str("\n  \"blocks\": {");
    for (index, block) in store.blocks.iter().enumerate() {
        let comma = if index == 0 { "" } else { "," };
        out.push_str(&format!("{comma}\n    {}: {{", json!(block.name)));
        for (name, value) in title(block) {
            out.push_str(&format!("\n      {}: {},", json!(name), lines(&value, 3)));
        }
        out.push_str(block.results.lines.get_or_init(|| {
            let entry = |(name, value)| format!("\n      {}: {}", json!(name), lines(&value, 3));
            content(&block.results).into_iter().map(entry).collect::<Vec<_>>().join(",")
        }));
        out.push_str("\n    }");
    }
    out.push_str(if store.blocks.is_empty() { "}," } else { "\n  }," });
    entries(tail(store), &mut out);
    out.pop();
    out.push_str("\n}\n");
    out
}

/// The text of the results of several notes, an array of [`to_text`].
pub fn to_texts<'a>(stores: impl Iterator<Item = &'a Store>) -> String {
    let texts: Vec<String> = stores.map(|store| to_text(store).trim_end().replace('\n', "\n  ")).collect();
    if texts.is_empty() { "[]\n".to_owned() } else { format!("[\n  {}\n]\n", texts.join(",\n  ")) }
}

/// A value as lines that stand `depth` levels in.
fn lines(value: &Value, depth: usize) -> String {
    format!("{value:#}").replace('\n', &format!("\n{}", "  ".repeat(depth)))
}

/// What stands before the blocks.
fn head(store: &Store) -> Map<String, Value> {
    let mut root = Map::new();
    root.insert("note".into(), json!(store.note));
    if let Some(revision) = &store.revision {
        root.insert("revision".into(), json!(revision));
    }
    root.insert("tool".into(), json!(TOOL));
    if !store.what_if.is_empty() {
        root.insert("what_if".into(), json!(store.what_if));
    }
    root
}

/// What stands behind them.
fn tail(store: &Store) -> Map<String, Value> {
    let mut root = Map::new();
    root.insert("requirements".into(), store.requirements.iter().map(verdict).collect());
    let warnings =
        store.warnings.iter().map(|w| json!({"block": w.block, "line": w.line, "text": w.text})).collect();
    root.insert("warnings".into(), warnings);
    root
}

fn block(block: &BlockResult) -> Value {
    let mut map = title(block);
    map.append(&mut content(&block.results));
    Value::Object(map)
}

fn title(block: &BlockResult) -> Map<String, Value> {
    let mut map = Map::new();
    map.insert("kind".into(), json!(block.kind));
    map.insert("line".into(), json!(block.line));
    map.insert("digest".into(), json!(block.digest));
    map
}

fn content(results: &Results) -> Map<String, Value> {
    let mut map = Map::new();
    if let Some(fields) = &results.fields {
        map.insert("fields".into(), group_json(fields));
    }
    map.insert("metrics".into(), group_json(&results.metrics));
    for (name, node) in &results.beside.0 {
        map.insert(name.clone(), self::node(node));
    }
    map
}

/// A group as JSON.
pub fn group_json(group: &Group) -> Value {
    Value::Object(group.0.iter().map(|(name, node)| (name.clone(), self::node(node))).collect())
}

fn node(node: &Node) -> Value {
    match node {
        Node::Metric(metric) => self::metric(metric),
        Node::Text(text) => json!(text),
        Node::Flag(flag) => json!(flag),
        Node::List(list) => list.iter().map(self::node).collect(),
        Node::Group(inner) => group_json(inner),
        Node::Series { unit, values } => json!({"unit": unit.symbol(), "values": values}),
    }
}

fn metric(metric: &Metric) -> Value {
    let mut map = Map::new();
    let value = match metric.value {
        Some(Number::Real(value)) => json!(value),
        Some(Number::Integer(count)) => json!(count),
        None => Value::Null,
    };
    map.insert("value".into(), value);
    map.insert("unit".into(), json!(metric.unit.symbol()));
    if let (None, Some(why)) = (metric.value, &metric.why) {
        map.insert("why".into(), json!(why));
    }
    if !metric.all.is_empty() {
        map.insert("all".into(), json!(metric.all));
    }
    if let Some(second) = &metric.second {
        map.insert(
            "second".into(),
            json!({"value": second.value, "route": second.route, "agrees": second.agrees}),
        );
    }
    Value::Object(map)
}

fn verdict(verdict: &Verdict) -> Value {
    let mut map = Map::new();
    map.insert("id".into(), json!(verdict.id));
    if let Some(metric) = &verdict.metric {
        map.insert("metric".into(), json!(metric));
        map.insert("value".into(), json!(verdict.value));
        if let (None, Some(why)) = (verdict.value, &verdict.why) {
            map.insert("why".into(), json!(why));
        }
        map.insert("unit".into(), json!(verdict.unit.symbol()));
        map.insert("limit".into(), json!(verdict.limit));
        map.insert("margin".into(), json!(verdict.margin));
    }
    if let Some(at) = verdict.at {
        map.insert("at".into(), json!({"value": at, "unit": "Hz"}));
    }
    if let Some(kept) = verdict.reserve_kept {
        map.insert("reserve_kept".into(), json!(kept));
    }
    map.insert("verdict".into(), json!(verdict.state.word()));
    map.insert("judged".into(), json!(verdict.judged));
    if let Some(case) = &verdict.decided_by {
        map.insert("decided_by".into(), json!(case));
    }
    if let Some(method) = &verdict.method {
        map.insert("method".into(), json!(method));
    }
    if let Some(evidence) = &verdict.evidence {
        map.insert("evidence".into(), json!(evidence));
    }
    if !verdict.would_take.is_empty() {
        map.insert("would_take".into(), verdict.would_take.iter().map(remedy).collect());
    }
    Value::Object(map)
}

fn remedy(remedy: &Remedy) -> Value {
    let mut map = Map::new();
    map.insert("choice".into(), json!(remedy.choice));
    if let Some(from) = &remedy.from {
        map.insert("from".into(), metric(from));
    }
    match &remedy.to {
        Some(to) => {
            map.insert("to".into(), metric(to));
            map.insert("costs".into(), json!(remedy.costs));
        }
        None => {
            map.insert("to".into(), Value::Null);
            map.insert("why".into(), json!("not by this alone"));
        }
    }
    Value::Object(map)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Warning;
    use crate::source::{SourceMap, Span};
    use crate::units::Unit;

    #[test]
    fn the_text_is_that_of_the_value() {
        let same = |store: &Store| assert_eq!(to_text(store), format!("{:#}\n", to_json(store)));
        let mut store = Store { note: "a \"b\"\n".to_owned(), ..Store::default() };
        same(&store);
        let mut metrics = Group::new();
        metrics.metric("x", Metric::real(1.5, Unit::Hertz).with_all(vec![1.5, 2.0]));
        metrics.put("curve", Node::Series { unit: Unit::One, values: vec![0.1, 1e-30] });
        metrics.put("words", Node::List(vec![Node::Text("{\n}".to_owned()), Node::Flag(true)]));
        metrics.put("none", Node::Group(Group::new()));
        let block = |name: &str, metrics: Group| BlockResult {
            name: name.to_owned(),
            kind: "loop",
            span: Span::new(SourceMap::new().add("a", ""), 0, 0),
            line: 7,
            digest: "0".to_owned(),
            internal: false,
            results: Results::new(Some(Group::new()), metrics.clone(), Vec::new(), metrics),
        };
        store.blocks = vec![block("a", metrics), block("b", Group::new())];
        store.what_if = vec!["a.b = 1".to_owned()];
        let text = "t".to_owned();
        store.warnings = vec![Warning { block: "a".to_owned(), line: 1, text, internal: false }];
        same(&store);
        same(&store);
        for stores in [vec![], vec![store.clone()], vec![Store::default(), store]] {
            let whole: Value = stores.iter().map(to_json).collect();
            assert_eq!(to_texts(stores.iter()), format!("{whole:#}\n"));
        }
    }
}
