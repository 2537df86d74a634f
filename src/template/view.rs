//! Results as the template sees them.

use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use minijinja::value::{Enumerator, Object, ObjectRepr, Value};
use minijinja::{Error, ErrorKind, State};

use crate::results::{Group, LookupFault, Metric, MetricPath, Node, Store, Verdict};

/// Results, and the names that were asked for in vain.
#[derive(Clone, Debug)]
pub(super) struct Lookup {
    pub store: Arc<Store>,
    pub faults: Arc<Mutex<Vec<LookupFault>>>,
}

impl Lookup {
    fn miss(&self, fault: LookupFault) -> Option<Value> {
        self.faults.lock().unwrap_or_else(PoisonError::into_inner).push(fault);
        None
    }
}

/// The names at the top: blocks, values, `requirements`.
#[derive(Debug)]
pub(super) struct Root(pub Lookup);

impl Object for Root {
    fn get_value(self: &Arc<Self>, key: &Value) -> Option<Value> {
        let name = key.as_str()?;
        let store = &self.0.store;
        if name == "requirements" && !store.requirements.is_empty() {
            return Some(Value::from_object(Requirements(self.0.clone())));
        }
        if let Some(node) = store.value(name) {
            return Some(node_value(node, &self.0, name));
        }
        if store.block(name).is_some() {
            return Some(Value::from_object(BlockView { lookup: self.0.clone(), name: name.to_owned() }));
        }
        let path = MetricPath { block: name.to_owned(), names: Vec::new(), argument: None };
        match store.find(&path) {
            Err(fault) => {
                self.0.miss(LookupFault { message: format!("there is no block or value `{name}`"), ..fault })
            }
            Ok(_) => None,
        }
    }
}

/// A block.
#[derive(Debug)]
struct BlockView {
    lookup: Lookup,
    name: String,
}

impl BlockView {
    fn find(&self, name: &str, argument: Option<&str>) -> Result<Node, LookupFault> {
        self.lookup.store.find(&MetricPath {
            block: self.name.clone(),
            names: vec![name.to_owned()],
            argument: argument.map(str::to_owned),
        })
    }
}

impl Object for BlockView {
    fn get_value(self: &Arc<Self>, key: &Value) -> Option<Value> {
        let name = key.as_str()?;
        match self.find(name, None) {
            Ok(node) => Some(node_value(&node, &self.lookup, &format!("{}.{name}", self.name))),
            Err(fault) => self.lookup.miss(fault),
        }
    }

    fn call_method(
        self: &Arc<Self>,
        _: &mut State<'_, '_>,
        method: &str,
        args: &[Value],
    ) -> Result<Value, Error> {
        let [argument] = args else {
            return Err(Error::new(ErrorKind::InvalidOperation, format!("`{method}` takes one text")));
        };
        let argument = argument.as_str().ok_or_else(|| {
            Error::new(ErrorKind::InvalidOperation, format!("`{method}` takes a text, e.g. \"10 kHz\""))
        })?;
        match self.find(method, Some(argument)) {
            Ok(node) => Ok(node_value(&node, &self.lookup, &self.name)),
            Err(fault) => {
                let error = Error::new(ErrorKind::UndefinedError, fault.message.clone());
                self.lookup.miss(fault);
                Err(error)
            }
        }
    }

    fn render(self: &Arc<Self>, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)
    }
}

/// A group of results.
#[derive(Debug)]
struct GroupView {
    lookup: Lookup,
    name: String,
    group: Group,
}

impl Object for GroupView {
    fn get_value(self: &Arc<Self>, key: &Value) -> Option<Value> {
        let name = key.as_str()?;
        match self.group.get(name) {
            Some(node) => Some(node_value(node, &self.lookup, &format!("{}.{name}", self.name))),
            None => self.lookup.miss(LookupFault {
                wrong: name.to_owned(),
                known: self.group.names().map(str::to_owned).collect(),
                message: format!("`{}` has no `{name}`", self.name),
            }),
        }
    }

    fn enumerate(self: &Arc<Self>) -> Enumerator {
        Enumerator::Values(self.group.names().map(Value::from).collect())
    }
}

/// All requirements, by identifier.
#[derive(Debug)]
struct Requirements(Lookup);

impl Object for Requirements {
    fn get_value(self: &Arc<Self>, key: &Value) -> Option<Value> {
        let id = key.as_str()?;
        let all = &self.0.store.requirements;
        match all.iter().find(|verdict| verdict.id == id) {
            Some(verdict) => Some(Value::from_object(GroupView {
                lookup: self.0.clone(),
                name: id.to_owned(),
                group: verdict_group(verdict),
            })),
            None => self.0.miss(LookupFault {
                wrong: id.to_owned(),
                known: all.iter().map(|verdict| verdict.id.clone()).collect(),
                message: format!("there is no requirement `{id}`"),
            }),
        }
    }

    fn enumerate(self: &Arc<Self>) -> Enumerator {
        Enumerator::Values(self.0.store.requirements.iter().map(|v| Value::from(v.id.as_str())).collect())
    }
}

fn verdict_group(verdict: &Verdict) -> Group {
    let number = |value: Option<f64>| match value {
        Some(value) => Metric::real(value, verdict.unit),
        None => Metric::none(verdict.unit, verdict.why.clone().unwrap_or_else(|| "none".to_owned())),
    };
    let mut group = Group::new();
    group.put("verdict", Node::Text(verdict.state.word().to_owned()));
    group.metric("value", number(verdict.value));
    group.put("limit", Node::Text(verdict.limit.clone()));
    group.metric("margin", number(verdict.margin));
    group.put("text", Node::Text(verdict.text.clone()));
    group.put("source", Node::Text(verdict.source.clone()));
    group.put("judged", Node::Text(verdict.judged.clone()));
    group
}

/// A number with its unit.
#[derive(Debug)]
pub(super) struct MetricView(pub Metric);

impl Object for MetricView {
    fn repr(self: &Arc<Self>) -> ObjectRepr {
        ObjectRepr::Plain
    }

    fn is_true(self: &Arc<Self>) -> bool {
        self.0.number().is_some_and(|number| number != 0.0)
    }

    fn render(self: &Arc<Self>, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.print())
    }
}

fn node_value(node: &Node, lookup: &Lookup, name: &str) -> Value {
    match node {
        Node::Metric(metric) => Value::from_object(MetricView(metric.clone())),
        Node::Text(text) => Value::from(text.as_str()),
        Node::Flag(flag) => Value::from(*flag),
        Node::List(nodes) => nodes.iter().map(|node| node_value(node, lookup, name)).collect(),
        Node::Group(group) => Value::from_object(GroupView {
            lookup: lookup.clone(),
            name: name.to_owned(),
            group: group.clone(),
        }),
        Node::Series { unit, values } => {
            values.iter().map(|value| Value::from_object(MetricView(Metric::real(*value, *unit)))).collect()
        }
    }
}
