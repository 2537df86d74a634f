//! Identifiers that are each given once.

use std::collections::BTreeMap;

/// What is taken, and for each of them the last number that was put behind it.
#[derive(Clone, Debug, Default)]
pub struct Ids(BTreeMap<String, usize>);

impl Ids {
    /// Whether it is taken.
    pub fn has(&self, id: &str) -> bool {
        self.0.contains_key(id)
    }

    /// That identifier, or the first free one of `ID-2`, `ID-3`, ..; taken from now on.
    pub fn take(&mut self, wanted: &str) -> String {
        let Some(mut number) = self.0.get(wanted).copied() else {
            self.0.insert(wanted.to_owned(), 1);
            return wanted.to_owned();
        };
        let free = loop {
            number += 1;
            let id = format!("{wanted}-{number}");
            if !self.has(&id) {
                break id;
            }
        };
        self.0.insert(wanted.to_owned(), number);
        self.0.insert(free.clone(), 1);
        free
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_free_one_is_taken_and_found_without_trying_all_again() {
        let mut ids = Ids::default();
        let taken: Vec<String> = ["a", "a-3", "a", "a", "a-3", "a"].iter().map(|id| ids.take(id)).collect();
        assert_eq!(taken, ["a", "a-3", "a-2", "a-4", "a-3-2", "a-5"]);
        assert!(ids.has("a-5") && !ids.has("a-6"));
        // One try for each: a search from the start would make 2e8 names here.
        assert_eq!((0..20_000).map(|_| ids.take("b")).last().as_deref(), Some("b-20000"));
    }
}
