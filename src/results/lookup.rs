//! Finding a result by its dotted name.

use super::store::{BlockResult, Group, Metric, MetricFunction, Node, Results, Store};

/// A dotted name as written in `metric:`, `limit:` or where a quantity may stand: `lo.bandwidth`, `noise.at("10 kHz")`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MetricPath {
    /// The block.
    pub block: String,
    /// Names below it.
    pub names: Vec<String>,
    /// The argument of a metric that takes one.
    pub argument: Option<String>,
}

/// Why a name leads nowhere.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LookupFault {
    /// The part of the name that is not there.
    pub wrong: String,
    /// What is there in its place.
    pub known: Vec<String>,
    /// A sentence.
    pub message: String,
}

impl MetricPath {
    /// Reads a dotted name; `None` where the text is not one.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let (dotted, argument) = match text.split_once('(') {
            Some((dotted, rest)) => {
                let inner = rest.strip_suffix(')')?.trim();
                let quote = inner.chars().next().filter(|c| matches!(c, '"' | '\''))?;
                let inner = inner.strip_prefix(quote)?.strip_suffix(quote)?;
                (dotted, Some(inner.to_owned()))
            }
            None => (text, None),
        };
        let mut names: Vec<String> = dotted.split('.').map(str::to_owned).collect();
        let first = names.first()?;
        let valid =
            |name: &String| !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
        if !names.iter().all(valid) || !first.starts_with(|c: char| c.is_ascii_lowercase()) {
            return None;
        }
        let block = names.remove(0);
        Some(Self { block, names, argument })
    }
}

impl Store {
    /// The node a name leads to. A name of one word is looked for in the `values` blocks.
    ///
    /// # Errors
    /// [`LookupFault`] with what is there instead.
    pub fn find(&self, path: &MetricPath) -> Result<Node, LookupFault> {
        if path.names.is_empty() {
            return self.value(&path.block).cloned().ok_or_else(|| {
                let known = self.values().flat_map(|b| b.results.metrics.names());
                LookupFault::no_value(&path.block, known, self.names())
            });
        }
        let Some(block) = self.block(&path.block) else {
            return Err(LookupFault::no_block(&path.block, self.names()));
        };
        block.find(&path.names, path.argument.as_deref())
    }

    /// The value of that name, in whichever `values` block.
    pub fn value(&self, name: &str) -> Option<&Node> {
        self.values().find_map(|block| block.results.metrics.get(name))
    }

    fn values(&self) -> impl Iterator<Item = &BlockResult> {
        self.blocks.iter().filter(|block| block.kind == "values")
    }

    /// The number a name leads to.
    ///
    /// # Errors
    /// [`LookupFault`], also where it leads to something other than one number.
    pub fn metric(&self, path: &MetricPath) -> Result<Metric, LookupFault> {
        one_number(self.find(path)?, path)
    }

    /// Names of all blocks, in the order of the note.
    fn names(&self) -> impl Iterator<Item = &str> + Clone {
        self.blocks.iter().map(|block| block.name.as_str())
    }
}

/// The number that a name has led to.
///
/// # Errors
/// [`LookupFault`] where it is something other than one number.
pub fn one_number(node: Node, path: &MetricPath) -> Result<Metric, LookupFault> {
    let known = match node {
        Node::Metric(metric) => return Ok(metric),
        Node::Group(group) => group.names().map(str::to_owned).collect(),
        _ => Vec::new(),
    };
    let word = path.names.last().unwrap_or(&path.block);
    Err(LookupFault { wrong: word.clone(), known, message: format!("`{word}` is not one number") })
}

impl LookupFault {
    /// A word that is no value, of these values and blocks.
    pub fn no_value<'a>(
        word: &str,
        values: impl Iterator<Item = &'a str>,
        blocks: impl Iterator<Item = &'a str> + Clone,
    ) -> Self {
        let message = if blocks.clone().any(|name| name == word) {
            format!("`{word}` is a block, not a number")
        } else {
            format!("there is no value `{word}`")
        };
        Self { wrong: word.to_owned(), known: values.chain(blocks).map(str::to_owned).collect(), message }
    }

    /// A word that is none of these blocks.
    pub fn no_block<'a>(word: &str, blocks: impl Iterator<Item = &'a str>) -> Self {
        let message = format!("there is no block `{word}`");
        Self { wrong: word.to_owned(), known: blocks.map(str::to_owned).collect(), message }
    }
}

impl BlockResult {
    /// The node below this block.
    ///
    /// # Errors
    /// [`LookupFault`] with what is there instead.
    pub fn find(&self, names: &[String], argument: Option<&str>) -> Result<Node, LookupFault> {
        let Results { metrics, fields, beside, functions, .. } = &*self.results;
        find_below(&self.name, &[Some(metrics), fields.as_ref(), Some(beside)], functions, names, argument)
    }
}

/// The node that `names` lead to below a block, looked for in each of `roots`.
///
/// # Errors
/// [`LookupFault`] with what is there instead.
pub fn find_below(
    block: &str,
    roots: &[Option<&Group>],
    functions: &[(String, MetricFunction)],
    names: &[String],
    argument: Option<&str>,
) -> Result<Node, LookupFault> {
    if let (Some(argument), [name]) = (argument, names) {
        let function = functions.iter().find(|(n, _)| n == name);
        let Some((_, function)) = function else {
            return Err(LookupFault {
                wrong: name.clone(),
                known: functions.iter().map(|(n, _)| n.clone()).collect(),
                message: format!("`{block}` has no metric `{name}` that takes an argument"),
            });
        };
        return (function.0)(argument).map(Node::Metric).map_err(|message| LookupFault {
            wrong: argument.to_owned(),
            known: Vec::new(),
            message,
        });
    }
    let mut known = Vec::new();
    for root in roots.iter().copied().flatten() {
        let mut here = root;
        for (depth, name) in names.iter().enumerate() {
            match here.get(name) {
                Some(Node::Group(group)) if depth + 1 < names.len() => here = group,
                Some(node) if depth + 1 == names.len() => return Ok(node.clone()),
                _ => {
                    known.push((depth, name.clone(), here.names().map(str::to_owned).collect::<Vec<_>>()));
                    break;
                }
            }
        }
    }
    // The root that led furthest knows best what was meant; equals are put together.
    let depth = known.iter().map(|(depth, ..)| *depth).max().unwrap_or(0);
    let wrong = known.iter().find(|(d, ..)| *d == depth).map(|(_, name, _)| name.clone()).unwrap_or_default();
    let mut names: Vec<String> =
        known.into_iter().filter(|(d, ..)| *d == depth).flat_map(|(_, _, names)| names).collect();
    names.extend(functions.iter().filter(|_| depth == 0).map(|(n, _)| format!("{n}(..)")));
    Err(LookupFault { message: format!("`{block}` has no `{wrong}`"), wrong, known: names })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_dotted_names() {
        let path = MetricPath::parse("noise.at(\"10 kHz\")").expect("a path");
        assert_eq!((path.block.as_str(), path.argument.as_deref()), ("noise", Some("10 kHz")));
        assert_eq!(MetricPath::parse("band.worst.noise.jitter").map(|p| p.names.len()), Some(3));
        for bad in ["", "80 MHz", "Lo.x", "lo..x", "lo.x(", "lo.x(1)"] {
            assert_eq!(MetricPath::parse(bad), None, "{bad}");
        }
    }
}
