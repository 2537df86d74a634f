//! Preferred values. Source: IEC 60063:2015, clause 4 tables.

use loopcase::physics::series::Series;

use crate::support::{close, number, row};

fn series(name: &serde_json::Value) -> Series {
    name.as_str().and_then(Series::from_name).unwrap_or_else(|| panic!("no series {name}"))
}

/// Check value E-LIST.
#[test]
fn complete_lists() {
    for case in row("E-LIST").cases {
        let (_, name) = case.id.split_once(' ').expect("row and case");
        let listed: Vec<f64> = case.expected["values"]
            .as_array()
            .expect("values")
            .iter()
            .filter_map(serde_json::Value::as_f64)
            .collect();
        assert_eq!(Series::from_name(name).expect("a series").values(), listed, "{name}");
    }
}

/// Check value E-DEV: where the printed list departs from the rounding rule.
#[test]
fn departures_from_the_rule() {
    for case in row("E-DEV").cases {
        let (_, place) = case.id.split_once(' ').expect("row and case");
        let (name, rest) = place.split_once('[').expect("a place");
        let index: usize = rest.trim_end_matches(']').parse().expect("an index");
        let values = Series::from_name(name).expect("a series").values();
        let exact = 10f64.powf(index as f64 / values.len() as f64);
        close(exact, number(&case.inputs, "exact"), 1e-12, &case.id);
        close(values[index], number(&case.expected, "printed"), f64::EPSILON, &case.id);
        assert!((values[index] - number(&case.expected, "rounded_rule")).abs() > 5e-3, "{place}");
    }
}

/// Check value E-NEAR.
#[test]
fn nearest_values() {
    for case in row("E-NEAR").cases {
        let (value, series) = (number(&case.inputs, "value"), series(&case.inputs["series"]));
        for (key, found) in [
            ("nearest", series.nearest(value)),
            ("nearest_geometric", series.nearest(value)),
            ("nearest", series.nearest_arithmetic(value)),
            ("nearest_arithmetic", series.nearest_arithmetic(value)),
            ("error_percent", 100.0 * (series.nearest(value) - value) / value),
        ] {
            if case.expected.get(key).is_some() {
                close(found, number(&case.expected, key), 1e-9, &format!("{} {key}", case.id));
            }
        }
    }
}

/// Check value E-GAP: derived from the lists of IEC 60063.
#[test]
fn widest_gaps() {
    for case in row("E-GAP").cases {
        let values = series(&case.inputs["series"]).values();
        let error = |pair: &(f64, f64)| (pair.1 - pair.0) / (pair.1 + pair.0);
        let next = values[1..].iter().copied().chain([10.0]);
        let worst = values.iter().copied().zip(next).max_by(|a, b| error(a).total_cmp(&error(b)));
        let worst = worst.expect("values");
        close(100.0 * error(&worst), number(&case.expected, "worst_error_percent"), 1e-9, &case.id);
        let between = &case.expected["between"];
        assert_eq!((between[0].as_f64(), between[1].as_f64()), (Some(worst.0), Some(worst.1)), "{}", case.id);
    }
}
