//! Who may read what: a mark on every node of the prose, and the edition chosen from the marks.

use super::{Block, Edition};
use crate::results::{Group, MetricPath, Results, Store};

/// For whom a node is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Audience {
    Everyone,
    House,
}

impl Audience {
    fn reads(self, edition: Edition) -> bool {
        self == Audience::Everyone || edition == Edition::Review
    }
}

/// What stands for the name of a block that the reader does not see.
const WITHHELD: &str = "withheld";

/// Marks each node: what stands under an `.internal` heading, up to the next of its level or above, and the
/// exhibits of internal blocks, are for the house.
fn mark(blocks: Vec<Block>, internal: &[String]) -> Vec<(Audience, Block)> {
    let mut under: Option<u8> = None;
    blocks
        .into_iter()
        .map(|block| {
            if let Block::Heading { level, classes, .. } = &block {
                if under.is_some_and(|outer| *level <= outer) {
                    under = None;
                }
                if under.is_none() && classes.iter().any(|class| class == "internal") {
                    under = Some(*level);
                }
            }
            let solved_inside = matches!(&block, Block::Solved(name, _) if internal.contains(name));
            let mark = if under.is_some() || solved_inside { Audience::House } else { Audience::Everyone };
            (mark, block)
        })
        .collect()
}

/// The prose that readers of this edition see, down into lists, quotations and footnotes.
pub(super) fn choose(blocks: Vec<Block>, internal: &[String], edition: Edition) -> Vec<Block> {
    let inner = |blocks| choose(blocks, internal, edition);
    mark(blocks, internal)
        .into_iter()
        .filter(|(audience, _)| audience.reads(edition))
        .map(|(_, block)| match block {
            Block::List { start, tight, items } => Block::List {
                start,
                tight,
                items: items.into_iter().map(|(task, blocks)| (task, inner(blocks))).collect(),
            },
            Block::Quote(kind, blocks) => Block::Quote(kind, inner(blocks)),
            Block::Footnote(name, blocks) => Block::Footnote(name, inner(blocks)),
            Block::Definitions(terms) => Block::Definitions(
                terms
                    .into_iter()
                    .map(|(term, texts)| (term, texts.into_iter().map(inner).collect()))
                    .collect(),
            ),
            other => other,
        })
        .collect()
}

/// The results that readers of this edition see. Names of internal blocks go too where public results cite them.
pub(super) fn choose_results(mut store: Store, internal: &[String], edition: Edition) -> Store {
    if edition == Edition::Review {
        return store;
    }
    store.blocks.retain(|block| !internal.contains(&block.name));
    let withheld: Vec<String> = store
        .requirements
        .iter()
        .filter(|verdict| verdict.internal)
        .map(|verdict| verdict.id.clone())
        .collect();
    store.requirements.retain(|verdict| !verdict.internal);
    for remedy in store.requirements.iter_mut().flat_map(|verdict| &mut verdict.would_take) {
        remedy.costs.retain(|id| !withheld.contains(id));
    }
    store.warnings.retain(|warning| !warning.internal && !internal.contains(&warning.block));
    let cites = |text: &str| {
        text.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
            .any(|word| internal.iter().any(|name| name == word))
    };
    for verdict in &mut store.requirements {
        let hidden = |path: &MetricPath| internal.contains(&path.block);
        if verdict
            .metric
            .as_deref()
            .and_then(MetricPath::parse)
            .is_some_and(|path| hidden(&path) || path.names.iter().any(|n| internal.contains(n)))
        {
            verdict.metric = Some(WITHHELD.to_owned());
        }
        if cites(&verdict.judged) {
            let kind = verdict.judged.split_whitespace().next().unwrap_or_default().to_owned();
            verdict.judged = kind;
        }
        if verdict.shown_by.as_ref().is_some_and(|name| internal.contains(name)) {
            verdict.shown_by = None;
        }
    }
    // `band` and `tolerance` repeat the blocks of a loop, the internal ones among them, below their own names.
    for block in &mut store.blocks {
        let (mut metrics, mut beside) = (block.results.metrics.clone(), block.results.beside.clone());
        prune(&mut metrics, internal);
        prune(&mut beside, internal);
        let Results { fields, functions, .. } = &*block.results;
        block.results = Results::new(fields.clone(), metrics, functions.clone(), beside);
    }
    store
}

fn prune(group: &mut Group, internal: &[String]) {
    group
        .0
        .retain(|(name, node)| !(internal.contains(name) && matches!(node, crate::results::Node::Group(_))));
    for (_, node) in &mut group.0 {
        if let crate::results::Node::Group(inner) = node {
            prune(inner, internal);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::ast::Inline;

    fn heading(level: u8, internal: bool) -> Block {
        let classes = if internal { vec!["internal".to_owned()] } else { Vec::new() };
        Block::Heading { level, id: format!("h{level}"), classes, text: Vec::new(), line: 1 }
    }

    fn text(word: &str) -> Block {
        Block::Paragraph(vec![Inline::Text(word.to_owned())], 1)
    }

    #[test]
    fn an_internal_heading_hides_all_under_it_and_no_more() {
        let blocks = vec![
            heading(2, true),
            text("a"),
            heading(3, false),
            text("b"),
            heading(2, false),
            text("c"),
            Block::Quote(None, vec![heading(1, true), text("d")]),
            Block::Solved("secret".to_owned(), 9),
        ];
        let internal = vec!["secret".to_owned()];
        assert_eq!(choose(blocks.clone(), &internal, Edition::Review), blocks);
        assert_eq!(
            choose(blocks, &internal, Edition::Customer),
            [heading(2, false), text("c"), Block::Quote(None, Vec::new())]
        );
    }
}
