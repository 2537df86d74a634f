//! The key table of the summary, and the table of every number twice.

use crate::results::{BlockResult, Metric, Store};
use crate::units::{Digits, print};

/// One line of the key table.
#[derive(Clone, Debug, PartialEq)]
pub struct KeyFigure {
    /// What it is; with the block, where several of its kind are shown.
    pub name: String,
    /// As printed.
    pub value: String,
    /// Dotted name of the metric.
    pub metric: String,
}

/// One result with its second route.
#[derive(Clone, Debug, PartialEq)]
pub struct TwiceRow {
    /// Dotted name of the metric.
    pub metric: String,
    /// First value, printed.
    pub first: String,
    /// Second value, printed.
    pub second: String,
    /// Name of the second route.
    pub route: &'static str,
    /// What agreement means.
    pub within: &'static str,
    /// Whether they agree.
    pub agrees: bool,
}

/// What the summary asks of each kind, in its order.
const KEY: [(&str, &[(&str, &str)]); 4] = [
    (
        "loop",
        &[
            ("Output frequency", "output_frequency"),
            ("Detector frequency", "detector_frequency"),
            ("Feedback divider N", "feedback_divider"),
            ("Charge-pump current", "pump_current"),
            ("Loop bandwidth", "bandwidth"),
            ("Phase margin", "phase_margin"),
            ("Gain margin", "gain_margin"),
            ("Phase margin, sampled", "sampled_phase_margin"),
        ],
    ),
    ("phase_noise", &[("RMS jitter", "jitter"), ("Integrated phase noise", "integrated")]),
    ("spurs", &[("Reference spur", "reference_spur")]),
    ("settling", &[("Settling time", "total_time")]),
];

/// Key figures of the blocks this reader sees; kinds in the order of the table, blocks in that of the note.
pub(super) fn key_figures(store: &Store) -> Vec<KeyFigure> {
    let mut out = Vec::new();
    for (kind, wanted) in KEY {
        let several = store.blocks.iter().filter(|block| block.kind == kind).count() > 1;
        for block in store.blocks.iter().filter(|block| block.kind == kind) {
            for (name, metric) in wanted {
                if let Some(value) = metric_of(block, metric) {
                    out.push(KeyFigure {
                        name: if several {
                            format!("{name} of \u{201c}{}\u{201d}", block.name)
                        } else {
                            (*name).to_owned()
                        },
                        value: value.print(),
                        metric: format!("{}.{metric}", block.name),
                    });
                }
            }
        }
    }
    out
}

fn metric_of(block: &BlockResult, name: &str) -> Option<Metric> {
    match block.find(&[name.to_owned()], None) {
        Ok(crate::results::Node::Metric(metric)) => Some(metric),
        _ => None,
    }
}

/// Every result that was computed twice.
pub(super) fn twice(store: &Store) -> Vec<TwiceRow> {
    let rows = store.second_routes().into_iter().filter_map(|(block, name, metric)| {
        let second = metric.second.as_ref()?;
        let digits = Digits::Significant(7);
        Some(TwiceRow {
            metric: format!("{block}.{name}"),
            first: metric.number().map_or_else(|| metric.print(), |value| print(value, metric.unit, digits)),
            second: print(second.value, metric.unit, digits),
            route: second.route,
            within: second.within,
            agrees: second.agrees,
        })
    });
    rows.collect()
}
