//! Figures drawn before, for who draws a document again and again.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use super::{DrawFault, Figure, Svg, draw};

/// Figures by name, each with its drawing: one that did not change is not drawn again. Holds the figures of one
/// document.
#[derive(Debug, Default)]
pub struct Drawings {
    drawn: Mutex<BTreeMap<String, (Arc<Figure>, Svg)>>,
}

impl Drawings {
    /// The drawing of a figure of that name.
    ///
    /// # Errors
    /// As [`draw()`].
    pub fn draw(&self, name: &str, figure: &Arc<Figure>) -> Result<Svg, DrawFault> {
        let before = || self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, svg)) =
            before().get(name).filter(|(known, _)| Arc::ptr_eq(known, figure) || known == figure)
        {
            return Ok(svg.clone());
        }
        let svg = draw(figure)?;
        before().insert(name.to_owned(), (Arc::clone(figure), svg.clone()));
        Ok(svg)
    }

    /// Forgets all but the figures of these names.
    pub fn retain(&self, names: &[&str]) {
        let mut drawn = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        drawn.retain(|name, _| names.contains(&name.as_str()));
    }
}
