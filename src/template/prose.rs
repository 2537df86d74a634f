//! Live prose: the template pass over protected text.

use std::fmt::{self, Write as _};
use std::sync::{Arc, Mutex, PoisonError};

use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Value, ValueKind};
use minijinja::{Environment, Error, ErrorKind, UndefinedBehavior};

use super::bounds::{LONGEST, beyond};
use super::operands::{FILTER, plain_operands};
use super::view::{Lookup, MetricView, Root};
use super::{FUEL, guards};
use crate::diag::{Diagnostic, Misplaced};
use crate::results::{LookupFault, Store};
use crate::units::{Digits, Unit, print, print_fixed};

/// Filters that a misspelt one may mean.
const FILTERS: [&str; 9] = ["to", "abs", "round", "join", "length", "first", "last", "min", "max"];

/// Fills prose from the results of a note.
pub struct Prose {
    store: Arc<Store>,
}

impl Prose {
    /// For these results.
    pub fn new(store: &Store) -> Self {
        Self { store: Arc::new(store.clone()) }
    }

    /// Renders a template: the text, with `mark N mark` for the value of number N, and the values, printed.
    ///
    /// # Errors
    /// The fault with its line in the template.
    pub fn fill(&self, template: &str, mark: char) -> Result<(String, Vec<String>), Misplaced> {
        if let Some((line, message)) = beyond(template) {
            return Err(Misplaced {
                line,
                word: String::new(),
                diagnostic: Diagnostic::error("template", message),
            });
        }
        let values: Arc<Mutex<Vec<String>>> = Arc::default();
        let lookup = Lookup { store: Arc::clone(&self.store), faults: Arc::default() };
        let mut env = Environment::new();
        env.set_undefined_behavior(UndefinedBehavior::Strict);
        let mut syntax = SyntaxConfig::builder();
        // `{#` opens the identifier of a heading.
        syntax
            .comment_delimiters("{##", "##}")
            .trim_blocks(true)
            .lstrip_blocks(true)
            .keep_trailing_newline(true);
        let template = plain_operands(template);
        let fault = |error: &Error| misplaced(error, &template, &lookup);
        env.set_syntax(syntax.build().map_err(|error| fault(&error))?);
        env.set_fuel(Some(FUEL));
        env.set_auto_escape_callback(|_| minijinja::AutoEscape::None);
        env.add_filter("to", to);
        env.add_filter(FILTER, plain);
        env.add_filter(guards::FILTER, guards::held);
        env.add_filter("abs", |value: &Value| Ok::<_, Error>(number(value)?.abs()));
        env.add_filter("round", |value: &Value, digits: Option<i32>| {
            let scale = 10f64.powi(digits.unwrap_or(0));
            Ok::<_, Error>((number(value)? * scale).round() / scale)
        });
        let list = Arc::clone(&values);
        env.set_formatter(move |out, _, value| {
            let text = shown(value, mark)?;
            let mut list = list.lock().unwrap_or_else(PoisonError::into_inner);
            out.write_str(&format!("{mark}{}{mark}", list.len()))?;
            list.push(text);
            Ok(())
        });
        let text = env
            .template_from_str(&template)
            .and_then(|template| template.render(Value::from_object(Root(lookup.clone()))))
            .map_err(|error| fault(&error))?;
        let values = values.lock().unwrap_or_else(PoisonError::into_inner).clone();
        Ok((text, values))
    }
}

/// Text up to a length: a few lists that hold one another twice print as more than any memory holds.
struct Short(String);

impl fmt::Write for Short {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.0.push_str(text);
        if self.0.len() > LONGEST { Err(fmt::Error) } else { Ok(()) }
    }
}

/// A value as text.
fn shown(value: &Value, mark: char) -> Result<String, Error> {
    if value.is_undefined() {
        return Err(Error::from(ErrorKind::UndefinedError));
    }
    let text = if value.is_number() {
        // A computed number has lost its unit; six digits are more than any plot or table resolves.
        let number = number(value)?;
        let rounded: f64 = format!("{number:.5e}").parse().unwrap_or(number);
        print(rounded, Unit::One, Digits::All)
    } else if value.kind() == ValueKind::Bool {
        if value.is_true() { "yes" } else { "no" }.to_owned()
    } else if value.is_none() {
        "none".to_owned()
    } else if let Some(text) = value.as_str() {
        text.to_owned()
    } else {
        let mut short = Short(String::new());
        write!(short, "{value}").map_err(|_| {
            let text = format!("a list or mapping of more than {LONGEST} bytes can't be printed");
            Error::new(ErrorKind::InvalidOperation, text)
        })?;
        short.0
    };
    if text.contains(mark) {
        return Err(Error::new(
            ErrorKind::InvalidOperation,
            "captured text with live values can't be printed again",
        ));
    }
    Ok(text)
}

/// The number of a solved or plain value, in the base of its unit.
fn number(value: &Value) -> Result<f64, Error> {
    if let Some(view) = value.downcast_object_ref::<MetricView>() {
        return view.0.number().ok_or_else(|| {
            let why = view.0.why.clone().unwrap_or_default();
            Error::new(ErrorKind::InvalidOperation, format!("there is no value to calculate with: {why}"))
        });
    }
    if value.is_undefined() {
        return Err(Error::from(ErrorKind::UndefinedError));
    }
    f64::try_from(value.clone())
        .map_err(|_| Error::new(ErrorKind::InvalidOperation, format!("`{value}` is not a number")))
}

/// The filter of operands: solved numbers as plain ones, anything else as it is.
fn plain(value: &Value) -> Result<Value, Error> {
    if value.downcast_object_ref::<MetricView>().is_some() || value.is_undefined() {
        return number(value).map(Value::from);
    }
    Ok(value.clone())
}

/// `{{ lo.bandwidth | to("kHz", 1) }}`.
fn to(value: &Value, unit: &str, decimals: Option<usize>) -> Result<String, Error> {
    let invalid = |text: String| Error::new(ErrorKind::InvalidOperation, text);
    if value.is_undefined() {
        return Err(Error::from(ErrorKind::UndefinedError));
    }
    let Some(view) = value.downcast_object_ref::<MetricView>() else {
        return Err(invalid(format!("`to` needs a solved number, and `{value}` has no unit")));
    };
    let Some(number) = view.0.number() else { return Ok(view.0.print()) };
    let decimals = decimals.unwrap_or(1).min(15);
    print_fixed(number, view.0.unit, unit, decimals).ok_or_else(|| {
        let wanted = view.0.unit.described();
        invalid(format!("`{unit}` does not fit: the number is {wanted}"))
    })
}

/// An error of the engine in our words.
fn misplaced(error: &Error, template: &str, lookup: &Lookup) -> Misplaced {
    let line = error.line().unwrap_or(1);
    let blamed = error.range().and_then(|range| template.get(range)).unwrap_or("");
    let faults = lookup.faults.lock().unwrap_or_else(PoisonError::into_inner);
    let fault: Option<&LookupFault> =
        faults.iter().rev().find(|fault| blamed.contains(&fault.wrong)).or_else(|| faults.last());
    if let (ErrorKind::UndefinedError, Some(fault)) = (error.kind(), fault) {
        let mut diagnostic = Diagnostic::error("unknown-name", fault.message.clone())
            .nearest(&fault.wrong, fault.known.iter().map(String::as_str));
        if diagnostic.hints.is_empty() && !fault.known.is_empty() && fault.known.len() <= 20 {
            diagnostic = diagnostic.hint(format!("there are: {}", fault.known.join(", ")));
        }
        return Misplaced { line, word: fault.wrong.clone(), diagnostic };
    }
    let detail = error.detail().unwrap_or_default();
    if error.kind() == ErrorKind::UnknownFilter {
        let name = detail.strip_prefix("filter ").and_then(|rest| rest.split(' ').next()).unwrap_or(blamed);
        let diagnostic = Diagnostic::error("template", format!("there is no filter `{name}`"))
            .nearest(name, FILTERS)
            .hint("`| to(\"kHz\", 1)` prints a number in a unit of your choice");
        return Misplaced { line, word: name.to_owned(), diagnostic };
    }
    let message = match error.kind() {
        ErrorKind::OutOfFuel => "the template runs too long".to_owned(),
        ErrorKind::TemplateNotFound => "a note can't include other files".to_owned(),
        ErrorKind::UndefinedError => format!("a name here has no value {detail}").trim_end().to_owned(),
        ErrorKind::InvalidOperation if !detail.is_empty() => detail.to_owned(),
        kind if detail.is_empty() => kind.to_string(),
        kind => format!("{kind}: {detail}"),
    };
    let word = if blamed.contains('\n') { "" } else { blamed.trim() };
    Misplaced { line, word: word.to_owned(), diagnostic: Diagnostic::error("template", message) }
}

#[cfg(test)]
mod tests;
