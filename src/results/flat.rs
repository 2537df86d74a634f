//! Results as bytes, for what is kept from one run to the next.

use super::store::{Group, Metric, Node, Number, State};
use crate::num::flat::{Flat, flat_either, flat_words};
use crate::units::Unit;

flat_words!(State: Met, NotMet, NotJudged);

impl Flat for Unit {
    fn lay(&self, out: &mut Vec<u8>) {
        let place = Self::ALL.iter().position(|unit| unit == self);
        place.unwrap_or(Self::ALL.len()).lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Self::ALL.get(usize::pick(from)?).copied()
    }
}

flat_either!(Number: Real, Integer);

/// Without its second route: trials have none.
impl Flat for Metric {
    fn lay(&self, out: &mut Vec<u8>) {
        let Self { value, unit, why, unbounded, second: _, all, exact } = self;
        value.lay(out);
        unit.lay(out);
        why.lay(out);
        unbounded.lay(out);
        all.lay(out);
        exact.lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some(Self {
            value: Flat::pick(from)?,
            unit: Flat::pick(from)?,
            why: Flat::pick(from)?,
            unbounded: Flat::pick(from)?,
            second: None,
            all: Flat::pick(from)?,
            exact: Flat::pick(from)?,
        })
    }
}

impl Flat for Node {
    fn lay(&self, out: &mut Vec<u8>) {
        let mut tagged = |tag: u8, lay: &dyn Fn(&mut Vec<u8>)| {
            tag.lay(out);
            lay(out);
        };
        match self {
            Node::Metric(metric) => tagged(0, &|out| metric.lay(out)),
            Node::Text(text) => tagged(1, &|out| text.lay(out)),
            Node::Flag(flag) => tagged(2, &|out| flag.lay(out)),
            Node::List(list) => tagged(3, &|out| list.lay(out)),
            Node::Group(group) => tagged(4, &|out| group.lay(out)),
            Node::Series { unit, values } => tagged(5, &|out| {
                unit.lay(out);
                values.lay(out);
            }),
        }
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some(match u8::pick(from)? {
            0 => Node::Metric(Flat::pick(from)?),
            1 => Node::Text(Flat::pick(from)?),
            2 => Node::Flag(Flat::pick(from)?),
            3 => Node::List(Flat::pick(from)?),
            4 => Node::Group(Flat::pick(from)?),
            5 => Node::Series { unit: Flat::pick(from)?, values: Flat::pick(from)? },
            _ => return None,
        })
    }
}

impl Flat for Group {
    fn lay(&self, out: &mut Vec<u8>) {
        self.0.lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Flat::pick(from).map(Self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;

    #[test]
    fn results_come_back() {
        let mut inner = Group::new();
        inner.metric(
            "level",
            Metric::real(-81.25, Unit::DecibelCarrierPerHertz).with_all(vec![-81.25, f64::NAN]),
        );
        inner.metric("none", Metric::none(Unit::Second, "it never settles"));
        inner.metric("open", Metric::unbounded(Unit::Decibel, ""));
        inner.metric("count", Metric::count(-3));
        inner.metric("exact", Metric::exact(0.1, Unit::One));
        let mut group = Group::new();
        group.put("inner", Node::Group(inner));
        group.put("text", Node::Text("\u{3a9}".to_owned()));
        group.put("list", Node::List(vec![Node::Flag(true), Node::Flag(false), Node::List(Vec::new())]));
        group.put("curve", Node::Series { unit: Unit::Hertz, values: vec![1.0, f64::INFINITY, -0.0] });
        // Not a number is not even itself: the text of both is compared.
        assert_eq!(format!("{:?}", comes_back(&group)), format!("{group:?}"));
        for unit in Unit::ALL {
            assert_eq!(comes_back(&unit), unit);
        }
        for state in [State::Met, State::NotMet, State::NotJudged] {
            assert_eq!(comes_back(&state), state);
        }
    }
}
