//! What must be there before eleven minutes of building begin.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use super::find::Surroundings;
use super::run::run;

/// Room that a build needs, in bytes.
const ROOM: u64 = 1_500_000_000;

/// Time for each question to the system.
const ASK: Duration = Duration::from_secs(20);

/// Something that is missing, and what brings it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Lack {
    /// What is missing.
    pub what: String,
    /// How to get it.
    pub remedy: &'static str,
}

/// What the build can use.
#[derive(Debug)]
pub(super) struct Ready {
    /// The cargo program.
    pub cargo: std::path::PathBuf,
    /// Whether OpenSSL is built along, for want of its headers.
    pub vendor_openssl: bool,
}

/// Looks at everything at once, so that one run names all that is missing.
pub(super) fn check(around: &Surroundings, cache: &Path) -> Result<Ready, Vec<Lack>> {
    let mut lacks = Vec::new();
    let mut lack = |what: &str, remedy| lacks.push(Lack { what: what.to_owned(), remedy });
    let cargo = around.on_path("cargo").into_iter().next();
    if cargo.is_none() {
        lack("cargo on PATH", "install Rust, e.g. by rustup");
    }
    let has = |program: &str| !around.on_path(program).is_empty();
    if !has("cc") {
        lack("a C compiler (cc)", "Debian: apt-get install gcc libc6-dev");
    }
    let openssl = around.on_path("pkg-config").first().is_some_and(|pkg_config| {
        let mut question = Command::new(pkg_config);
        run(question.args(["--exists", "openssl"]), ASK)
            .is_ok_and(|ended| ended.status.is_some_and(|status| status.success()))
    });
    let can_build_it = has("perl") && has("make");
    if !openssl && !can_build_it {
        lack(
            "pkg-config with the headers of OpenSSL, or else perl and make to build it",
            "Debian: apt-get install pkg-config libssl-dev",
        );
    }
    if let Some(free) = free_space(cache).filter(|free| *free < ROOM) {
        let what =
            format!("room in {}: {:.1} GB are free, 1.5 GB are needed", cache.display(), free as f64 / 1e9);
        lacks.push(Lack { what, remedy: "make room, or set XDG_CACHE_HOME to another disk" });
    }
    match cargo {
        Some(cargo) if lacks.is_empty() => Ok(Ready { cargo, vendor_openssl: !openssl }),
        _ => Err(lacks),
    }
}

/// Bytes free on the disk of a folder, as POSIX `df` tells; `None` where it does not.
fn free_space(folder: &Path) -> Option<u64> {
    let ended = run(Command::new("df").arg("-Pk").arg(folder).env("LC_ALL", "C"), ASK).ok()?;
    available(&ended.stdout)
}

/// The fourth column from the left of the second line; a name with blanks shifts it, so it is counted from the `%`.
fn available(table: &str) -> Option<u64> {
    let words: Vec<&str> = table.lines().nth(1)?.split_whitespace().collect();
    let capacity = words.iter().position(|word| word.ends_with('%'))?;
    let blocks: u64 = words.get(capacity.checked_sub(1)?)?.parse().ok()?;
    blocks.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_the_free_space() {
        let table = "Filesystem     1024-blocks     Used Available Capacity Mounted on\n\
                     /dev/my disk     264212084 18138316  77147572      20% /\n";
        assert_eq!(available(table), Some(77_147_572 * 1024));
        assert_eq!(available("df: nothing\n"), None);
        assert!(free_space(&std::env::temp_dir()).is_some_and(|free| free > 0));
    }

    #[test]
    fn names_everything_that_is_missing() {
        let around = Surroundings { path: Some("/nowhere".into()), ..Surroundings::default() };
        let lacks = check(&around, &std::env::temp_dir()).expect_err("nothing is there");
        let text: Vec<&str> = lacks.iter().map(|lack| lack.what.as_str()).collect();
        assert!(text.len() >= 3, "{text:?}");
        assert!(text[0].contains("cargo") && text[1].contains("C compiler") && text[2].contains("OpenSSL"));
    }
}
