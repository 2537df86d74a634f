//! What takes long inside a block, found again where the same block was solved before.

use crate::num::flat::{self, Flat};
use crate::source::Keeper;

/// Where the long computations of one block are kept from one run of the program to the next; nowhere but in `follow`.
#[derive(Clone, Copy, Default)]
pub struct Keep<'a>(Option<(&'a dyn Keeper, &'a str)>);

impl<'a> Keep<'a> {
    /// With a key that tells all that the block is solved from; without a keeper nothing is kept.
    pub fn new(keeper: Option<&'a dyn Keeper>, key: &'a str) -> Self {
        Self(keeper.map(|keeper| (keeper, key)))
    }

    /// What `make` comes to. It is not called where this part of this block is kept; what it comes to follows from the
    /// block's key and the name of the part alone.
    pub fn recall<T: Flat>(self, part: &str, make: impl FnOnce() -> T) -> T {
        let Some((keeper, key)) = self.0 else { return make() };
        let name = format!("{key} {part}");
        if let Some(known) = keeper.get(&name).and_then(|bytes| flat::value(&bytes)) {
            return known;
        }
        let made = make();
        keeper.put(&name, &flat::bytes(&made));
        made
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::sync::Mutex;

    use super::*;

    #[derive(Default)]
    struct Kept(Mutex<BTreeMap<String, Vec<u8>>>);

    impl Keeper for Kept {
        fn get(&self, name: &str) -> Option<Vec<u8>> {
            self.0.lock().expect("whole").get(name).cloned()
        }
        fn put(&self, name: &str, content: &[u8]) {
            self.0.lock().expect("whole").insert(name.to_owned(), content.to_vec());
        }
    }

    #[test]
    fn a_part_is_made_once_for_a_key() {
        let kept = Kept::default();
        let part = |key: &str, part: &str, made: f64| Keep::new(Some(&kept), key).recall(part, || made);
        assert!([part("a", "x", 1.0), part("a", "x", 2.0)].iter().all(|x| x.to_bits() == 1f64.to_bits()));
        assert!(part("a", "y", 3.0) > 2.0 && part("b", "x", 4.0) > 3.0);
        // What is no value of the type wanted is made again.
        kept.put("a x", b"?");
        assert!(part("a", "x", 5.0) > 4.0 && part("a", "x", 6.0) < 6.0);
        assert!(Keep::default().recall("x", || 7.0) > 6.0);
    }
}
