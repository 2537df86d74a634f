//! Figures inside the page, and what the script reads values off from.

use serde_json::{Map, Value, json};

use super::escape::{escaped, id};
use super::look::Colours;
use crate::document::PlacedFigure;
use crate::exhibit::{ChartAxis, ChartCurve, ChartPanel, DrawFault, draw_for_screen};
use crate::units::{Unit, habit};

/// Points of a curve that a reader can step through at most.
const POINTS: usize = 2000;

/// The figure, its caption finished.
pub(super) fn figure(
    placed: &PlacedFigure,
    caption: &str,
    colours: &mut Colours,
) -> Result<String, DrawFault> {
    let screen = draw_for_screen(&placed.figure)?;
    colours.add(&screen.colours);
    let data = match &screen.chart {
        Some(chart) => {
            let panels: Vec<Value> = chart.panels.iter().map(panel).collect();
            let data = json!({"x": axis(&chart.x), "panels": panels});
            format!(" data-chart=\"{}\"", escaped(&data.to_string()))
        }
        None => String::new(),
    };
    let (width, height) = screen.size;
    Ok(format!(
        "<figure class=\"drawn\" id=\"{}\"{data}>\n<div class=\"plot\"><svg viewBox=\"0 0 {width:.1} {height:.1}\" \
         role=\"img\" aria-label=\"{}\">{}</svg></div>\n<figcaption><b>Figure\u{a0}{}</b> {caption}</figcaption></figure>\n",
        escaped(&id(&placed.label)),
        escaped(&placed.figure.alt),
        screen.content,
        placed.number,
    ))
}

fn axis(axis: &ChartAxis) -> Value {
    let (least, most, unit) = habit(axis.unit);
    json!({
        "label": axis.label,
        "unit": unit,
        "powers": [least, most],
        "log": axis.log,
        "from": axis.from,
        "to": axis.to,
    })
}

fn panel(panel: &ChartPanel) -> Value {
    let thin: Vec<Vec<(f64, f64)>> = panel.curves.iter().map(thinned).collect();
    let curves: Vec<Value> = panel
        .curves
        .iter()
        .enumerate()
        .map(|(index, curve)| {
            let mut out = Map::new();
            out.insert("name".into(), curve.name.clone().into());
            out.insert("group".into(), curve.group.clone().into());
            out.insert("colour".into(), curve.colour.clone().into());
            out.insert("dash".into(), curve.dash.clone().into());
            let own: Vec<f64> = thin[index].iter().map(|p| p.0).collect();
            // Curves of one panel mostly share their abscissas.
            let same = thin[..index].iter().position(|other| {
                other.len() == own.len() && other.iter().zip(&own).all(|(a, b)| a.0.to_bits() == b.to_bits())
            });
            out.insert("x".into(), same.map_or_else(|| numbers(own.iter().copied()), Value::from));
            out.insert("y".into(), numbers(thin[index].iter().map(|p| p.1)));
            Value::Object(out)
        })
        .collect();
    let mut y = axis(&panel.y);
    // Counts are read off as counts.
    let whole = panel.y.unit == Unit::One && thin.iter().flatten().all(|(_, y)| y.fract() == 0.0);
    y["whole"] = whole.into();
    json!({"frame": panel.frame, "y": y, "curves": curves})
}

/// At most [`POINTS`] points, the last among them.
fn thinned(curve: &ChartCurve) -> Vec<(f64, f64)> {
    let step = curve.points.len().div_ceil(POINTS).max(1);
    let last = curve.points.len().saturating_sub(1);
    let chosen = curve.points.iter().enumerate().filter(|(index, _)| index % step == 0 || *index == last);
    chosen.map(|(_, point)| *point).collect()
}

/// Seven significant digits: more than anyone reads off.
fn numbers(values: impl Iterator<Item = f64>) -> Value {
    Value::Array(values.map(|value| format!("{value:.6e}").parse::<f64>().unwrap_or(value).into()).collect())
}
