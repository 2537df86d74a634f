//! Some blocks solved again with changes: for regions, alternatives and what a requirement would take.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::draft::{Draft, Known, family, fields, owner_of};
use crate::blocks::{self, Again, Change, Given, Inputs, Keep, Looked, Solution, Solutions, Trial};
use crate::diag::{Diagnostic, Severity};
use crate::results::MetricPath;

/// The drafts of a note, in the order of solving.
pub(super) struct Trials<'a> {
    pub drafts: &'a [Draft<'a>],
    pub order: &'a [usize],
}

impl Again for Trials<'_> {
    fn family(&self, of: &str) -> Vec<String> {
        family(self.drafts, of)
    }

    fn requirements(&self, inputs: &Inputs<'_>) -> Vec<Given> {
        let drafts = self.drafts.iter().filter(|draft| draft.kind.name() == "requirements");
        drafts.map(|draft| given(draft, inputs).unwrap_or_else(|_| draft.given.clone())).collect()
    }

    fn looked(&self, requirements: &[Given], of: &str, family: &[String], inputs: &Inputs<'_>) -> Looked {
        let mut looked = Looked::default();
        let mut blocks: Vec<String> = Vec::new();
        let on_family =
            |metric: &str| MetricPath::parse(metric).is_some_and(|path| family.contains(&path.block));
        let entries = requirements.iter().flat_map(|given| &given.fields.entries);
        let asked: Vec<_> = entries
            .filter_map(|(key, one)| Some((key, one.group()?)))
            .filter(|(_, one)| one.text("metric").is_some_and(on_family))
            .collect();
        let names = asked.iter().flat_map(|(_, one)| blocks::requirement_names(one));
        for path in names.map(|needed| needed.path) {
            blocks.push(self.owner(&path).unwrap_or_else(|| path.block.clone()));
            looked.metrics.extend(path.names.into_iter().next().map(|name| (path.block, name)));
        }
        while let Some(name) = blocks.pop() {
            let draft = self.drafts.iter().find(|draft| draft.name() == name);
            let Some(draft) = draft.filter(|_| !looked.blocks.contains(&name)) else { continue };
            looked.blocks.insert(name);
            blocks.extend(draft.needs.iter().map(|(need, _)| need.clone()));
            let written = draft.given.fields.names.iter().filter_map(|used| MetricPath::parse(&used.name));
            let needed = draft.kind.needs(&draft.given, inputs.catalog).into_iter().map(|needed| needed.path);
            for path in written.chain(needed) {
                looked.metrics.extend(path.names.into_iter().next().map(|name| (path.block, name)));
            }
        }
        let mut touched = BTreeSet::from([of]);
        for draft in self.order.iter().map(|&index| &self.drafts[index]) {
            let name = draft.name();
            if looked.blocks.contains(name) && (name == of || draft.follows(family, &touched)) {
                if self.any_moves(draft, &touched) {
                    looked.moved.insert(name.to_owned());
                }
                touched.insert(name);
            }
        }
        let moves = |needed: blocks::Needed| {
            touched.contains(self.owner(&needed.path).as_deref().unwrap_or(&needed.path.block))
        };
        let unsteady =
            asked.iter().filter(|(_, one)| blocks::limit_names(one, "limit").into_iter().any(moves));
        looked.unsteady = unsteady.map(|(key, _)| key.name.clone()).collect();
        looked
    }

    fn solve(
        &self,
        change: &Change,
        family: &[String],
        looked: Option<&Looked>,
        inputs: &Inputs<'_>,
    ) -> Result<Solutions, Vec<Diagnostic>> {
        let mut solved = inputs.solved.clone();
        let mut touched = BTreeSet::from([change.of.as_str()]);
        for draft in self.order.iter().map(|&index| &self.drafts[index]) {
            let name = draft.name();
            let own = name == change.of;
            let repeated = own || draft.follows(family, &touched);
            let seen = looked.is_none_or(|looked| looked.blocks.contains(name));
            let Some((key, before)) = inputs.solved.get_key_value(name).filter(|_| repeated && seen) else {
                continue;
            };
            let moved = match looked {
                Some(looked) => looked.moved.contains(name),
                None => self.any_moves(draft, &touched),
            };
            touched.insert(name);
            let inputs = Inputs {
                solved: &solved,
                again: None,
                trial: Some(Trial { change, base: inputs.solved, looked }),
                keep: Keep::default(),
                ..*inputs
            };
            // Its own names, looked up before, still stand for the same where nothing touched them.
            let given = match (own, moved) {
                (false, false) => Arc::clone(&before.given),
                (true, false) => Arc::new(changed((*before.given).clone(), draft, change)),
                (_, true) => {
                    let given = given(draft, &inputs)?;
                    Arc::new(if own { changed(given, draft, change) } else { given })
                }
            };
            let answer = draft.kind.solve(&given, &inputs)?;
            solved.insert(Arc::clone(key), Arc::new(Solution { given, solved: Arc::new(answer) }));
        }
        Ok(solved)
    }
}

impl Trials<'_> {
    /// Whether a name in a block may stand for something else when these blocks are solved again.
    fn any_moves(&self, draft: &Draft<'_>, touched: &BTreeSet<&str>) -> bool {
        draft.given.fields.names.iter().any(|used| {
            MetricPath::parse(&used.name)
                .is_none_or(|path| touched.contains(self.owner(&path).as_deref().unwrap_or(&path.block)))
        })
    }

    /// The `values` block of a name that is one word.
    fn owner(&self, path: &MetricPath) -> Option<String> {
        if path.names.is_empty() { owner_of(self.drafts, &path.block) } else { None }
    }
}

/// A block as given, its names looked up.
fn given(draft: &Draft<'_>, inputs: &Inputs<'_>) -> Result<Given, Vec<Diagnostic>> {
    let mut given = draft.given.clone();
    if !given.fields.names.is_empty() {
        let mut faults = Vec::new();
        given.fields = fields(&given.name, &draft.raw.tree, draft.kind, &Known(inputs), &mut faults);
        faults.retain(|fault| fault.severity == Severity::Error);
        if !faults.is_empty() {
            return Err(faults);
        }
    }
    Ok(given)
}

/// With the change laid over it.
fn changed(mut given: Given, draft: &Draft<'_>, change: &Change) -> Given {
    for name in &change.without {
        given.fields.remove(name);
    }
    for (name, item) in &change.fields {
        let field = draft.kind.fields().iter().copied().flatten().find(|field| field.name == *name);
        if let Some(field) = field {
            given.fields.set(field, item.clone());
        }
    }
    given
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blocks::{Bench, Catalog};
    use crate::graph::{self, Vertex};
    use crate::note::{self, Item};
    use crate::results::State;
    use crate::source::{Memory, SourceMap};
    use crate::units::{Unit, parse_as};

    const NOTE: &str = r#"---
title: Trials
---

```yaml values
least: {formula: "lo.bandwidth / 4", unit: Hz, says: moves with the loop}
gate: 30 us
```

```yaml reference standard
frequency: 10 MHz
phase_noise: {100 Hz: -135, 1 kHz: -150, 10 kHz: -158}
```

```yaml oscillator vco
gain: 20 MHz/V
control: 1 V .. 4 V
range: 470 MHz .. 530 MHz
pushing: 2 MHz/V
input_capacitance: 15 pF
phase_noise: {1 kHz: -70, 100 kHz: -115, 1 MHz: -136, 10 MHz: -155}
```

```yaml synthesizer core
detector: {max_frequency: 10 MHz, floor: -222 dBc/Hz}
pump: {currents: {from: 1 mA, to: 4 mA, step: 1 mA}, leakage: 5 nA}
reference_divider: 1 .. 100
feedback_divider: 1 .. 5000
```

```yaml supply rail
ripple: [{frequency: 100 kHz, amplitude: 20 uV}]
```

```yaml loop lo
reference: standard
oscillator: vco
synthesizer: core
supply: rail
output: 500 MHz
filter: passive 3
bandwidth: 20 kHz
phase_margin: 50 deg
```

```yaml response response
of: lo
```

```yaml phase_noise noise
over: 1 kHz .. 10 MHz
delay: gate
spots: [7 kHz]
spurs: lines
```

```yaml spurs lines
of: lo
```

```yaml requirements
R-1: {text: A., metric: noise.jitter, limit: "<= 900 fs", reserve: 5 %}
R-2: {text: A., metric: noise.delayed_rms_phase, limit: "<= 5 mrad"}
R-3: {text: A., metric: noise.total, limit: {1 kHz: -90, 100 kHz: -110, 10 MHz: -140}}
R-4: {text: A., metric: lo.sampled_phase_margin, limit: "40 deg .. 60 deg"}
R-5: {text: A., metric: response.gain_margin, limit: ">= 10 dB", reserve: 1 dB}
R-6: {text: A., metric: response.peaking, limit: "<= 3 dB"}
R-7: {text: A., metric: response.sampled.gain_margin, limit: ">= 10 dB"}
R-8: {text: A., metric: lines.worst_spur, limit: "<= -60 dBc"}
R-9: {text: A., metric: lines.lines, limit: {10 kHz: -50 dBc, 50 MHz: -70 dBc}}
R-10: {text: A., metric: lo.bandwidth, limit: ">= least"}
R-11: {text: A., metric: noise.jitter_with_spurs, limit: "<= 900 fs"}
R-12: {text: A., metric: 'noise.at("30 kHz")', limit: "<= -95 dBc/Hz"}
R-13: {text: A., metric: response.closed_bandwidth, limit: "<= 100 kHz"}
SHARE
```
"#;

    fn quantity(text: &str, unit: Unit) -> Item {
        Item::Quantity(parse_as(text, unit).expect("a quantity"))
    }

    /// A trial that finds only what is looked at comes out as one that finds all.
    #[test]
    fn a_trial_that_is_only_judged_is_judged_as_one_in_full() {
        let share = r#"R-14: {text: A., metric: noise.share.oscillator, limit: "<= 50 %"}"#;
        for (with, count) in [("", 13), (share, 14)] {
            let files = Memory::new([("n.md", NOTE.replace("SHARE", with))]);
            let (sources, mut out) = (Arc::new(SourceMap::new()), Vec::new());
            let bytes = NOTE.replace("SHARE", with).into_bytes();
            let input = note::Input { bytes: &bytes, shown: "n.md", folder: "", files: &files, with: &[] };
            let note = note::read(&input, &blocks::kind_infos(), &sources, &mut out).expect("a note");
            let mut kept = crate::solve::Kept::default();
            let done = crate::solve::solve(&note.blocks, &files, &sources, "", false, &mut kept, &mut out);
            assert!(out.iter().all(|fault| fault.severity != Severity::Error), "{out:?}");
            let catalog: &Catalog = &done.catalog;
            let drafts = crate::solve::draft::draft(&note.blocks, catalog, &mut out);
            let vertex = |d: &Draft<'_>| Vertex {
                name: d.given.name.clone(),
                span: d.given.span,
                needs: d.needs.clone(),
            };
            let order = graph::order(&drafts.iter().map(vertex).collect::<Vec<_>>()).indices;
            let trials = Trials { drafts: &drafts, order: &order };
            let inputs = Inputs {
                solved: &done.solved,
                catalog,
                files: &files,
                sources: &sources,
                shown: "",
                again: Some(&trials),
                thorough: false,
                trial: None,
                keep: Keep::default(),
            };
            let bench = Bench::new(&inputs, "lo", &[]).expect("a loop");
            let base = Change::of("lo");
            let louder =
                Change { levels: blocks::Levels { oscillator: -3.0, ..Default::default() }, ..base.clone() };
            let changes = [
                base.clone(),
                base.clone().with("bandwidth", quantity("60 kHz", Unit::Hertz)),
                base.clone()
                    .with("bandwidth", quantity("300 kHz", Unit::Hertz))
                    .with("series", Item::Word("ideal")),
                base.clone().with("phase_margin", quantity("30 deg", Unit::Degree)),
                base.clone().with("detector_frequency", quantity("2.5 MHz", Unit::Hertz)),
                base.clone().with("temperature", quantity("85 degC", Unit::Kelvin)),
                louder,
            ];
            let (mut met, mut refused) = (0, 0);
            for change in changes.into_iter().flat_map(|change| [change.clone(), change.coarsely()]) {
                let full = bench.solve(&Change { coarse: false, ..change.clone() });
                let (full, found) = match (full.map(|solved| bench.verdicts(&solved)), bench.judge(&change)) {
                    (Ok(full), Ok(found)) => (full, found),
                    (Err(why), Err(same)) => {
                        assert_eq!(why, same);
                        refused += 1;
                        continue;
                    }
                    (full, found) => panic!("{change:?}: {full:?} {found:?}"),
                };
                assert_eq!((full.len(), found.len()), (count, count));
                for (full, found) in full.iter().zip(&found) {
                    assert_eq!(
                        (full.id.as_str(), full.state, full.reserve_kept),
                        (&*found.id, found.state, found.reserve_kept)
                    );
                    met += usize::from(found.state == State::Met);
                    let scale = full.value.unwrap_or(1.0).abs();
                    let (a, b) = (full.margin.unwrap_or(f64::NAN), found.margin.unwrap_or(f64::NAN));
                    let within = if change.coarse { 1e-3 } else { 1e-9 } * scale;
                    assert!(
                        (a - b).abs() <= within || a.is_nan() && b.is_nan(),
                        "{change:?} {}: {a} {b}",
                        full.id
                    );
                }
            }
            assert!(met > 50 && refused <= 4, "{met} {refused}");
        }
    }
}
