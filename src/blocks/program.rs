//! `program`: register words for the chosen channel or the whole band.

use super::fields::{COMMON, optional};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::registers::{BitField, Encoding, Layout, WordLayout, fitting, unfit};
use super::support::{model_of, needs_of};
use super::synthesizer::Synthesizer;
use crate::exhibit::{Cell, Column, Table};
use crate::physics::plan::{Channel, Rational, channels, to_f64};
use crate::template::{self, Scope, Unknown};

/// The kind.
pub struct ProgramKind;

static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop whose synthesizer is programmed; absent: the only one"),
    optional(
        "outputs",
        Type::Either(&[
            Type::Word(&["all"]),
            Type::SteppedRange(Unit::Hertz),
            Type::List(&Type::Quantity(Unit::Hertz)),
        ]),
        "channels besides the loop's own: `all` that the loop serves, a range with a step, or a list",
    ),
];
static METRICS: &[MetricDoc] = &[MetricDoc {
    name: "words",
    unit: Unit::One,
    says: "register words of the loop's channel, by name",
    route: Route::None("read off the plan, which is exact"),
}];

/// Words of one channel: each with the values of its fields.
#[derive(Clone)]
struct Programmed {
    output: Rational,
    words: Vec<(u64, Vec<u64>)>,
}

/// What the document shows.
struct SolvedProgram {
    layout: Layout,
    own: Programmed,
    others: Vec<Programmed>,
}

/// A channel as the encodings see it.
struct Setting<'a> {
    solved: &'a SolvedLoop,
    synthesizer: &'a Synthesizer,
    channel: &'a Channel,
}

impl Scope for Setting<'_> {
    fn value(&self, name: &str) -> Result<(f64, Unit), Unknown> {
        let channel = self.channel;
        let case = &self.solved.case;
        let swallow = |pick: fn(&crate::physics::plan::SwallowSetting) -> u64| {
            channel.swallow.as_ref().map(|setting| pick(setting) as f64).ok_or_else(|| {
                (format!("`{name}` is of a swallow divider, which this synthesizer has not"), Vec::new())
            })
        };
        let step = || {
            let near = |step: &f64| (step - case.pump.current).abs() <= 1e-9 * step;
            self.synthesizer.currents.iter().position(near).map_or(f64::NAN, |index| index as f64)
        };
        let (numerator, denominator) = channel.fraction.unwrap_or((0, 1));
        let number = match name {
            "N" => channel.feedback_divider as f64,
            "numerator" => numerator as f64,
            "denominator" => denominator as f64,
            "prescaler" => swallow(|s| s.prescaler)?,
            "a" => swallow(|s| s.a)?,
            "b" => swallow(|s| s.b)?,
            "P" => self.solved.plan.dividers.fixed_prescaler as f64,
            "R" => self.solved.plan.reference_divider as f64,
            "O" => to_f64(&channel.output_divider),
            "doubler" => f64::from(u8::from(self.solved.plan.doubled)),
            "pump_step" => step(),
            "pump_current" => case.pump.current,
            "polarity" => f64::from(u8::from(self.solved.polarity() > 0)),
            "detector_frequency" => to_f64(&self.solved.plan.detector_frequency),
            "oscillator_frequency" => to_f64(&channel.oscillator_frequency),
            "output_frequency" => to_f64(&channel.output),
            _ => return Err((format!("a register field can't be made from `{name}`"), Vec::new())),
        };
        Ok((number, Unit::One))
    }
}

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for ProgramKind {
    fn name(&self) -> &'static str {
        "program"
    }
    fn about(&self) -> &'static str {
        "register words of the synthesizer"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        needs_of(given, catalog, "loop")
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let found = program(given, inputs, &mut faults);
        faults.done()?;
        let found = found.ok_or_else(Vec::new)?;
        let mut metrics = Group::new();
        metrics.put("words", Node::Group(words_group(&found.layout, &found.own)));
        let mut beside = Group::new();
        let rows = found.others.iter().map(|one| {
            let mut row = Group::new();
            row.metric("output", Metric::exact(to_f64(&one.output), Unit::Hertz));
            row.put("words", Node::Group(words_group(&found.layout, one)));
            Node::Group(row)
        });
        beside.put("channels", Node::List(rows.collect()));
        let mut answer = Solved::new(found).with_metrics(metrics);
        answer.beside = beside;
        Ok(answer)
    }
    fn show(&self, _given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let Some(found) = solved.model.downcast_ref::<SolvedProgram>() else { return Vec::new() };
        let mut shown = vec![fields_table(found)];
        if !found.others.is_empty() {
            shown.push(channels_table(found));
        }
        shown
    }
}

fn words_group(layout: &Layout, one: &Programmed) -> Group {
    let mut group = Group::new();
    for (word, (value, _)) in layout.words.iter().zip(&one.words) {
        group.metric(&word.name, Metric::count(i64::try_from(*value).unwrap_or(i64::MAX)));
    }
    group
}

fn program(given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<SolvedProgram> {
    let solved = model_of::<SolvedLoop>(given, inputs, "loop", faults)?;
    let name = inputs.of(given, "loop")?;
    let whole = inputs.solved.get(name)?;
    let core = whole.given.fields.block("synthesizer")?;
    let synthesizer = inputs.model::<Synthesizer>(core)?;
    let Some(layout) = synthesizer.program.clone() else {
        let text = format!("the synthesizer `{core}` has no `program`, which says what its registers hold");
        faults.place(given.fields.place("of"), "registers", text);
        return None;
    };
    let mut told = Vec::new();
    let own =
        programmed(&Setting { solved, synthesizer, channel: &solved.channel }, &layout, &mut told, faults)?;
    let mut others = Vec::new();
    for output in outputs(given, &whole.given, faults)? {
        match solved.plan.channel(&output) {
            Ok(channel) => {
                let setting = Setting { solved, synthesizer, channel: &channel };
                others.extend(programmed(&setting, &layout, &mut told, faults));
            }
            Err(error) => {
                faults.place(given.fields.place("outputs"), "plan", error.to_string());
                return None;
            }
        }
    }
    faults.sound()?;
    Some(SolvedProgram { layout, own, others })
}

/// Channels asked for besides the loop's own.
fn outputs(given: &Given, of: &Given, faults: &mut Faults) -> Option<Vec<Rational>> {
    let place = given.fields.place("outputs");
    let (low, high, step) = match given.fields.get("outputs").map(|checked| &checked.value) {
        None => return Some(Vec::new()),
        Some(Item::List(items)) => {
            return Some(items.iter().filter_map(Checked::quantity).map(Quantity::rational).collect());
        }
        Some(Item::Range(low, high, step)) => (low, high, step.as_ref()),
        Some(_) => match of.fields.range_full("outputs") {
            Some((low, high, _)) => (low, high, None),
            None => {
                let text = format!("the loop `{}` has no `outputs`: it serves one channel", of.name);
                faults.place(place, "field-missing", text);
                return None;
            }
        },
    };
    let Some(step) = step.or_else(|| of.fields.quantity_full("step")) else {
        let text = match given.fields.word("outputs") {
            Some(_) => format!("the loop `{}` has no `step`: it serves one channel", of.name),
            None => "a band needs a step: `A .. B step C`".to_owned(),
        };
        faults.place(place, "field-missing", text);
        return None;
    };
    match channels(&low.rational(), &high.rational(), &step.rational()) {
        Ok(list) => Some(list),
        Err(error) => {
            faults.place(place, "plan", error.to_string());
            None
        }
    }
}

/// The words of a channel. A field whose fault has been `told` for another channel is passed over.
fn programmed(
    setting: &Setting<'_>,
    layout: &Layout,
    told: &mut Vec<(usize, usize)>,
    faults: &mut Faults,
) -> Option<Programmed> {
    let mut words = Vec::new();
    let mut whole = true;
    for (w, word) in layout.words.iter().enumerate() {
        let mut bits = 0;
        let mut values = Vec::new();
        for (k, field) in word.fields.iter().enumerate() {
            if told.contains(&(w, k)) {
                whole = false;
                continue;
            }
            match value(setting, field, word, faults) {
                Some(value) => {
                    bits |= value << field.low;
                    values.push(value);
                }
                None => {
                    told.push((w, k));
                    whole = false;
                }
            }
        }
        words.push((bits, values));
    }
    whole.then(|| Programmed { output: setting.channel.output.clone(), words })
}

fn value(setting: &Setting<'_>, field: &BitField, word: &WordLayout, faults: &mut Faults) -> Option<u64> {
    let (text, codes) = match &field.encoding {
        Encoding::Fixed(value) => return Some(*value),
        Encoding::Formula(text, codes) => (text, codes),
    };
    let number = match template::formula(text, setting) {
        Ok(number) => number,
        Err(fault) => {
            faults.formula(&field.place, &fault);
            return None;
        }
    };
    let channel = || {
        let output = print(to_f64(&setting.channel.output), Unit::Hertz, Digits::Written);
        format!("register word {}, channel {output}: ", word.name)
    };
    match codes {
        Some(codes) => {
            let near = |at: f64| (at - number).abs() <= 1e-9 * number.abs().max(1.0);
            let code = codes.iter().find(|(at, _)| near(*at)).map(|(_, code)| *code);
            if code.is_none() {
                let known: Vec<String> =
                    codes.iter().map(|(at, _)| print(*at, Unit::One, Digits::All)).collect();
                let text = format!(
                    "{}`{}` has no code for {}; `codes` has {}",
                    channel(),
                    field.name,
                    print(number, Unit::One, Digits::All),
                    known.join(", ")
                );
                faults.place(&field.place, "register-value", text);
            }
            code
        }
        None => {
            let code = fitting(number, field);
            if code.is_none() {
                faults.place(&field.place, "register-value", channel() + &unfit(number, field));
            }
            code
        }
    }
}

/// As many hexadecimal digits as the bits need.
fn hex(value: u64, bits: u32) -> String {
    format!("0x{value:0digits$X}", digits = bits.div_ceil(4) as usize)
}

fn count(value: u64) -> Cell {
    Cell::Number { value: value as f64, unit: Unit::One, text: value.to_string() }
}

/// Every word of the loop's channel, and below it its fields.
fn fields_table(found: &SolvedProgram) -> Exhibit {
    let mut rows = Vec::new();
    for (word, (value, values)) in found.layout.words.iter().zip(&found.own.words) {
        rows.push(vec![
            Cell::Text(word.name.clone()),
            Cell::Text("whole word".to_owned()),
            Cell::Text(format!("{}..0", word.width - 1)),
            count(*value),
            Cell::Text(hex(*value, word.width)),
            Cell::Empty,
        ]);
        rows.extend(word.fields.iter().zip(values).map(|(field, value)| {
            vec![
                Cell::Text(word.name.clone()),
                Cell::Text(field.name.clone()),
                Cell::Text(field.bits()),
                count(*value),
                Cell::Text(hex(*value, field.high - field.low + 1)),
                Cell::Text(field.says.clone()),
            ]
        }));
    }
    let output = print(to_f64(&found.own.output), Unit::Hertz, Digits::Written);
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: format!("Register words for {output}, field by field"),
        columns: vec![
            Column::text("Word", "word"),
            Column::text("Field", "field"),
            Column::text("Bits", "bits"),
            Column::number("Value", "value"),
            Column::text("Hex", "hex"),
            Column::text("Meaning", "meaning"),
        ],
        rows,
        note: "Words are written from top to bottom; bits that no field covers are 0.".to_owned(),
    })
}

/// The words of every channel asked for; those that no channel changes stand below.
fn channels_table(found: &SolvedProgram) -> Exhibit {
    let changes = |w: usize| found.others.iter().any(|one| one.words[w].0 != found.own.words[w].0);
    let (moving, still): (Vec<usize>, Vec<usize>) = (0..found.layout.words.len()).partition(|w| changes(*w));
    let mut columns = vec![Column::number("Output", "output_Hz")];
    columns.extend(moving.iter().map(|w| {
        let name = &found.layout.words[*w].name;
        Column::text(name, name)
    }));
    let rows = found.others.iter().map(|one| {
        let output = to_f64(&one.output);
        let text = print(output, Unit::Hertz, Digits::Written);
        let mut row = vec![Cell::Number { value: output, unit: Unit::Hertz, text }];
        row.extend(moving.iter().map(|w| Cell::Text(hex(one.words[*w].0, found.layout.words[*w].width))));
        row
    });
    let same: Vec<String> = still
        .iter()
        .map(|w| {
            format!(
                "{} {}",
                found.layout.words[*w].name,
                hex(found.own.words[*w].0, found.layout.words[*w].width)
            )
        })
        .collect();
    Exhibit::table(Table {
        anchor: "table.2".to_owned(),
        caption: "Register words channel by channel".to_owned(),
        columns,
        rows: rows.collect(),
        note: if same.is_empty() {
            String::new()
        } else {
            format!("The same in every channel: {}.", same.join(", "))
        },
    })
}
