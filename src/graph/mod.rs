//! References between blocks, turned into an order; cycles and names that lead nowhere are faults.

use std::collections::{BTreeMap, BTreeSet};

use crate::diag::Diagnostic;
use crate::note::place::Place;
use crate::source::Span;

/// A block and what it needs.
#[derive(Clone, Debug)]
pub struct Vertex {
    /// Name.
    pub name: String,
    /// Where it opens.
    pub span: Span,
    /// Blocks it needs, each with the place that says so.
    pub needs: Vec<(String, Place)>,
}

/// The order in which to solve, by index into the list given; blocks on a cycle are left out.
#[derive(Clone, Debug, PartialEq)]
pub struct Order {
    /// Indices, each after all it needs; among those that are free, in the order of the note.
    pub indices: Vec<usize>,
    /// Faults: one per cycle, naming its members.
    pub faults: Vec<Diagnostic>,
}

/// Orders the blocks by their needs. A need that names no block is not an edge: who reads it reports it.
pub fn order(vertices: &[Vertex]) -> Order {
    let index: BTreeMap<&str, usize> =
        vertices.iter().enumerate().map(|(i, v)| (v.name.as_str(), i)).collect();
    let needs: Vec<BTreeSet<usize>> = vertices
        .iter()
        .map(|v| v.needs.iter().filter_map(|(name, _)| index.get(name.as_str()).copied()).collect())
        .collect();
    let mut done = vec![false; vertices.len()];
    let mut indices = Vec::with_capacity(vertices.len());
    // The earliest block in the note whose needs are all done comes next: the order is stable under rereading.
    while let Some(next) = (0..vertices.len()).find(|&i| !done[i] && needs[i].iter().all(|&n| done[n])) {
        done[next] = true;
        indices.push(next);
    }
    let mut faults = Vec::new();
    let mut reported: BTreeSet<usize> = BTreeSet::new();
    for start in (0..vertices.len()).filter(|&i| !done[i]) {
        let cycle = cycle_from(start, &needs, &done);
        if cycle.iter().any(|i| reported.contains(i)) {
            continue;
        }
        reported.extend(&cycle);
        faults.push(fault(&cycle, vertices));
    }
    Order { indices, faults }
}

/// Follows undone needs until a block comes up again; what lies between is the cycle.
fn cycle_from(start: usize, needs: &[BTreeSet<usize>], done: &[bool]) -> Vec<usize> {
    let mut path = vec![start];
    loop {
        let here = path[path.len() - 1];
        let Some(next) = needs[here].iter().copied().find(|&n| !done[n]) else { return path };
        if let Some(at) = path.iter().position(|&i| i == next) {
            return path.split_off(at);
        }
        path.push(next);
    }
}

fn fault(cycle: &[usize], vertices: &[Vertex]) -> Diagnostic {
    let first = &vertices[cycle[0]];
    let mut names: Vec<String> = cycle.iter().map(|&i| format!("`{}`", vertices[i].name)).collect();
    names.push(format!("`{}`", first.name));
    let message = if cycle.len() == 1 {
        format!("`{}` needs itself", first.name)
    } else {
        format!("these blocks need each other: {}", names.join(" -> "))
    };
    let mut diagnostic = Diagnostic::error("circular", message);
    for (position, &i) in cycle.iter().enumerate() {
        let next = &vertices[cycle[(position + 1) % cycle.len()]].name;
        let need = vertices[i].needs.iter().find(|(name, _)| name == next);
        let span = need.map_or(vertices[i].span, |(_, place)| place.span());
        diagnostic = if position == 0 {
            diagnostic.at(span).expected(format!("needs `{next}`"))
        } else {
            diagnostic.also(span, format!("needs `{next}`"))
        };
    }
    diagnostic
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::place::Text;
    use crate::note::yaml::parse;
    use crate::source::SourceMap;

    fn vertices(list: &[(&str, &[&str])]) -> Vec<Vertex> {
        let file = SourceMap::new().add("note.md", "text");
        let span = Span::new(file, 0, 1);
        let tree = parse(Text::whole(file, "text", ""), &mut Vec::new()).expect("reads");
        list.iter()
            .map(|(name, needs)| Vertex {
                name: (*name).to_owned(),
                span,
                needs: needs.iter().map(|n| ((*n).to_owned(), tree.place.known(span))).collect(),
            })
            .collect()
    }

    #[test]
    fn needs_come_first_and_else_the_order_of_the_note() {
        let order = order(&vertices(&[
            ("noise", &["lo"]),
            ("x", &[]),
            ("lo", &["vco", "ref"]),
            ("vco", &[]),
            ("ref", &[]),
        ]));
        assert_eq!(order.indices, [1, 3, 4, 2, 0]);
        assert!(order.faults.is_empty());
    }

    #[test]
    fn a_cycle_names_its_members_and_leaves_the_rest_solvable() {
        let order =
            order(&vertices(&[("a", &["b"]), ("b", &["c"]), ("c", &["a"]), ("d", &[]), ("e", &["a"])]));
        assert_eq!(order.indices, [3]);
        assert_eq!(order.faults.len(), 1);
        assert!(order.faults[0].message.contains("`a` -> `b` -> `c` -> `a`"), "{}", order.faults[0].message);
    }

    #[test]
    fn a_block_that_needs_itself() {
        let order = order(&vertices(&[("a", &["a"])]));
        assert_eq!(order.faults[0].message, "`a` needs itself");
    }
}
