//! Phase noise as a note may state it, turned into one table for a carrier.

use std::sync::Arc;

use super::prelude::*;

/// Phase noise as stated.
#[derive(Clone, Debug)]
pub enum NoiseSpec {
    /// One table.
    Table(Arc<LevelTable>),
    /// Tables at several carriers (Hz), ascending.
    Carriers(Vec<(f64, LevelTable)>),
}

impl NoiseSpec {
    /// From a field of the block, or of a group inside it.
    pub fn read(fields: &Fields, name: &str, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<Self> {
        match fields.get(name).map(|c| &c.value)? {
            Item::Table(_) | Item::Group(_) if fields.group(name).is_none_or(|g| !g.written("of")) => {
                table(fields, name, inputs, faults).map(Arc::new).map(Self::Table)
            }
            Item::Group(group) => {
                let of = group.block("of")?;
                let found = inputs.total_noise(of);
                if found.is_none() {
                    faults.place(
                        group.place("of"),
                        "no-noise",
                        format!("`{of}` has no phase noise to take over"),
                    );
                }
                found.map(|one| Self::Carriers(vec![one]))
            }
            Item::List(items) => {
                let mut carriers = Vec::new();
                for item in items {
                    let Item::Group(one) = &item.value else { continue };
                    positive_in(one, "at", faults);
                    let levels = table(one, "table", inputs, faults);
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
            Self::Table(table) => (Arc::clone(table), None),
            Self::Carriers(list) => {
                let above = list.partition_point(|(at, _)| *at <= carrier);
                match (above.checked_sub(1).map(|i| &list[i]), list.get(above)) {
                    (Some((low, a)), Some((high, b))) => {
                        let share = (carrier / low).ln() / (high / low).ln();
                        let at = common_offsets(a, b);
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

    /// The table for a carrier (Hz), scaled there as 20 log10 of the frequency where it is stated elsewhere.
    pub fn scaled(&self, carrier: f64) -> Arc<LevelTable> {
        let (mut table, at) = self.at(carrier);
        let rise = at.map_or(0.0, |at| 20.0 * (carrier / at).log10());
        if rise != 0.0 {
            Arc::make_mut(&mut table).level.iter_mut().for_each(|level| *level += rise);
        }
        table
    }

    /// What to say of a carrier (Hz) outside those at which the noise is stated; a single one is scaled from anyway.
    pub fn outside(&self, carrier: f64) -> Option<String> {
        let Self::Carriers(list) = self else { return None };
        let [(first, _), .., (last, _)] = list.as_slice() else { return None };
        let hertz = |f: f64| print(f, Unit::Hertz, Digits::Written);
        let nearest = if carrier < *first { *first } else { *last };
        (carrier < *first || carrier > *last).then(|| {
            format!(
                "phase noise is stated at carriers of {} .. {}; at {} that of {} is scaled by {}",
                hertz(*first),
                hertz(*last),
                hertz(carrier),
                hertz(nearest),
                print(20.0 * (carrier / nearest).log10(), Unit::Decibel, Digits::Significant(3))
            )
        })
    }
}

/// Offsets of two tables where both reach, so that what lies beyond the shorter one counts as not stated.
fn common_offsets(a: &LevelTable, b: &LevelTable) -> Vec<f64> {
    let spans = [a.span(), b.span()];
    let low = spans.iter().flatten().map(|span| span.0).fold(0.0, f64::max);
    let high = spans.iter().flatten().map(|span| span.1).fold(f64::INFINITY, f64::min);
    let mut at: Vec<f64> = a.at.iter().chain(&b.at).copied().collect();
    at.sort_by(f64::total_cmp);
    at.dedup();
    if low < high {
        at.retain(|f| (low..=high).contains(f));
    }
    at
}

/// A table written out or read from a CSV file.
fn table(fields: &Fields, name: &str, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<LevelTable> {
    match fields.get(name).map(|c| &c.value)? {
        Item::Table(rows) => level_table_in(fields, name, rows.iter().map(|row| (row.at, row.value)), faults),
        Item::Group(group) => {
            let place = group.place("file");
            let rows = inputs.level_file(group, faults)?;
            if rows.is_empty() {
                faults.place(place, "data-empty", "the file has no rows");
                return None;
            }
            level_table_in(group, "file", rows.into_iter(), faults)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(points: &[(f64, f64)]) -> LevelTable {
        LevelTable::new(points.to_vec()).expect("points")
    }

    /// Half way between carriers on a log scale, half way between levels; beyond the shorter table nothing is stated.
    #[test]
    fn levels_lie_between_those_of_two_carriers() {
        let low = table(&[(1e3, -60.0), (1e5, -100.0), (1e6, -120.0)]);
        let high = table(&[(1e4, -74.0), (1e6, -116.0), (1e7, -140.0)]);
        let spec = NoiseSpec::Carriers(vec![(1e9, low.clone()), (4e9, high)]);
        let (between, at) = spec.at(2e9);
        assert_eq!(at, None);
        assert_eq!(between.span(), Some((1e4, 1e6)));
        for (f, wanted) in [(1e4, -77.0), (1e5, -97.5), (1e6, -118.0)] {
            assert!((between.level_at(f) - wanted).abs() < 1e-9, "{f}: {}", between.level_at(f));
        }
        assert_eq!(spec.outside(2e9), None);
        let (below, at) = spec.at(0.5e9);
        assert_eq!((&*below, at), (&low, Some(1e9)));
        assert!((spec.scaled(0.5e9).level_at(1e3) + 66.020_6).abs() < 1e-4);
        let told = spec.outside(0.5e9).expect("a caution");
        assert!(told.contains("GHz is scaled by \u{2212}6.02"), "{told}");
    }

    #[test]
    fn single_levels_reach_everywhere() {
        let both = NoiseSpec::Carriers(vec![(1e9, table(&[(1e4, -90.0)])), (2e9, table(&[(1e5, -80.0)]))]);
        assert!((both.at(1e9 * 2f64.sqrt()).0.level_at(1e6) + 85.0).abs() < 1e-9);
        assert_eq!(both.outside(1.5e9), None);
    }
}
