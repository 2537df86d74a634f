//! Phase noise as a note may state it, turned into one table for a carrier.

use std::sync::Arc;

use super::prelude::*;

/// Phase noise as stated.
#[derive(Clone, Debug)]
pub enum NoiseSpec {
    /// One table.
    Table(LevelTable),
    /// Tables at several carriers (Hz), ascending.
    Carriers(Vec<(f64, LevelTable)>),
}

impl NoiseSpec {
    /// From a field of the block.
    pub fn read(given: &Given, name: &str, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<Self> {
        Self::read_in(given, &given.fields, name, inputs, faults)
    }

    /// From a field of a group inside the block.
    pub fn read_in(
        given: &Given,
        fields: &Fields,
        name: &str,
        inputs: &Inputs<'_>,
        faults: &mut Faults,
    ) -> Option<Self> {
        match fields.get(name).map(|c| &c.value)? {
            Item::Table(_) | Item::Group(_) if fields.group(name).is_none_or(|g| !g.written("of")) => {
                table(given, fields, name, inputs, faults).map(Self::Table)
            }
            Item::Group(group) => {
                let of = group.block("of")?;
                let table = inputs.total_noise(of);
                if table.is_none() {
                    faults.place(
                        group.place("of"),
                        "no-noise",
                        format!("`{of}` has no phase noise to take over"),
                    );
                }
                table.map(Self::Table)
            }
            Item::List(items) => {
                let mut carriers = Vec::new();
                for item in items {
                    let Item::Group(one) = &item.value else { continue };
                    positive_in(one, "at", faults);
                    let levels = table(given, one, "table", inputs, faults);
                    carriers.extend(one.quantity("at").zip(levels));
                }
                carriers.sort_by(|a, b| a.0.total_cmp(&b.0));
                if carriers.is_empty() || carriers.windows(2).any(|pair| pair[0].0 >= pair[1].0) {
                    faults.place(
                        fields.place(name),
                        "value-range",
                        "each carrier is stated once, and there is one",
                    );
                    return None;
                }
                Some(Self::Carriers(carriers))
            }
            _ => None,
        }
    }

    /// The table for a carrier (Hz), and whether it still has to be scaled from the carrier it was stated at.
    ///
    /// Between stated carriers levels are interpolated in dB over the logarithm of the carrier, offset by offset;
    /// outside them the nearest table holds, scaled as 20 log10 of the frequency.
    pub fn at(&self, carrier: f64) -> (Arc<LevelTable>, Option<f64>) {
        match self {
            Self::Table(table) => (Arc::new(table.clone()), None),
            Self::Carriers(list) => {
                let above = list.partition_point(|(at, _)| *at <= carrier);
                match (above.checked_sub(1).map(|i| &list[i]), list.get(above)) {
                    (Some((low, a)), Some((high, b))) => {
                        let share = (carrier / low).ln() / (high / low).ln();
                        let mut at: Vec<f64> = a.at.iter().chain(&b.at).copied().collect();
                        at.sort_by(f64::total_cmp);
                        at.dedup();
                        let level = at
                            .iter()
                            .map(|f| a.level_at(*f) * (1.0 - share) + b.level_at(*f) * share)
                            .collect();
                        (Arc::new(LevelTable { at, level }), None)
                    }
                    (Some((at, table)), None) | (None, Some((at, table))) => {
                        (Arc::new(table.clone()), Some(*at))
                    }
                    (None, None) => {
                        (Arc::new(LevelTable { at: vec![1.0], level: vec![f64::NEG_INFINITY] }), None)
                    }
                }
            }
        }
    }
}

/// A table written out or read from a CSV file.
fn table(
    given: &Given,
    fields: &Fields,
    name: &str,
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<LevelTable> {
    match fields.get(name).map(|c| &c.value)? {
        Item::Table(rows) => level_table_in(fields, name, rows.iter().map(|row| (row.at, row.value)), faults),
        Item::Group(group) => {
            let place = group.place("file");
            let rows = inputs.level_file(given, group, faults)?;
            if rows.is_empty() {
                faults.place(place, "data-empty", "the file has no rows");
                return None;
            }
            level_table_in(group, "file", rows.into_iter(), faults)
        }
        _ => None,
    }
}
