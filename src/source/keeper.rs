//! Where what took long to compute outlives the program.

/// Keeps what took long to compute from one run of the program to the next.
///
/// Under a name there is just what was put there, or nothing: what was lost or damaged is not there, and is computed again.
/// The name has to tell everything that the content depends on.
pub trait Keeper: Send + Sync {
    /// What was put under this name, where it is still there.
    fn get(&self, name: &str) -> Option<Vec<u8>>;
    /// Puts something under a name; it may be lost.
    fn put(&self, name: &str, content: &[u8]);
}
