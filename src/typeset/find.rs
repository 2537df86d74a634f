//! Which typst to use.

use std::env;
use std::ffi::OsString;
use std::fmt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use super::run::run;
use super::{PINNED, SERIES};

/// Time for `typst --version`.
const ASK: Duration = Duration::from_secs(20);

/// Name of the program on this system.
const PROGRAM: &str = if cfg!(windows) { "typst.exe" } else { "typst" };

/// What of the environment decides which typst is used and where one is built.
#[derive(Clone, Debug, Default)]
pub struct Surroundings {
    /// `LOOPCASE_TYPESETTER`, where it is set and not empty.
    pub variable: Option<PathBuf>,
    /// The folder that the pinned typst is built into; `None` without a home.
    pub cache: Option<PathBuf>,
    /// `PATH`.
    pub path: Option<OsString>,
}

impl Surroundings {
    /// As this process finds them.
    pub fn of_process() -> Self {
        let set = |name| env::var_os(name).filter(|value| !value.is_empty());
        let absolute = |path: OsString| Some(PathBuf::from(path)).filter(|path| path.is_absolute());
        let caches = set("XDG_CACHE_HOME")
            .and_then(absolute)
            .or_else(|| set("HOME").and_then(absolute).map(|home| home.join(".cache")));
        Self {
            variable: set("LOOPCASE_TYPESETTER").map(PathBuf::from),
            cache: caches.map(|caches| caches.join(format!("loopcase/typst-{PINNED}"))),
            path: set("PATH"),
        }
    }

    /// The places of a program on the PATH, in order. Relative entries are left out: they would mean whatever the
    /// current folder holds.
    pub(super) fn on_path(&self, program: &str) -> Vec<PathBuf> {
        let folders = self.path.iter().flat_map(env::split_paths).filter(|folder| folder.is_absolute());
        folders.map(|folder| folder.join(program)).filter(|path| executable(path)).collect()
    }

    /// Where the pinned typst is, once built.
    pub(super) fn built(&self) -> Option<PathBuf> {
        self.cache.as_ref().map(|cache| cache.join("bin").join(PROGRAM))
    }
}

/// Where a typst was named or found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// `--typesetter`.
    Option,
    /// `LOOPCASE_TYPESETTER`.
    Variable,
    /// Built by this tool.
    Cache,
    /// Found on the PATH.
    Path,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Origin::Option => "named by --typesetter",
            Origin::Variable => "named by LOOPCASE_TYPESETTER",
            Origin::Cache => "built by loopcase",
            Origin::Path => "found on PATH",
        })
    }
}

/// A typst of a fitting version.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Typesetter {
    /// The program.
    pub path: PathBuf,
    /// Its version, as `0.15.1`.
    pub version: String,
    /// Where it was named or found.
    pub origin: Origin,
}

/// There is no typst to use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// What was looked at, and why it does not fit.
    pub rejected: Vec<(PathBuf, Origin, String)>,
}

impl Missing {
    /// Whether a path that was named explicitly is at fault; then building one does not help.
    pub fn is_named(&self) -> bool {
        self.rejected.iter().any(|(_, origin, _)| matches!(origin, Origin::Option | Origin::Variable))
    }
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "no typst {SERIES}* to typeset with")?;
        for (path, origin, why) in &self.rejected {
            write!(f, "; `{}`, {origin}, {why}", path.display())?;
        }
        Ok(())
    }
}

impl std::error::Error for Missing {}

/// The typst to use: the one named by the option, else by the variable, else the one built into the cache, else the
/// first that fits on the PATH. One that is named must fit.
///
/// # Errors
/// [`Missing`], with all that was looked at.
pub fn find(option: Option<&Path>, around: &Surroundings) -> Result<Typesetter, Missing> {
    let named = option
        .map(|path| (path.to_owned(), Origin::Option))
        .or_else(|| around.variable.clone().map(|path| (path, Origin::Variable)));
    let places = match named {
        Some(named) => vec![named],
        None => {
            let built = around.built().filter(|path| path.exists()).map(|path| (path, Origin::Cache));
            built.into_iter().chain(around.on_path(PROGRAM).into_iter().map(|p| (p, Origin::Path))).collect()
        }
    };
    let mut rejected = Vec::new();
    for (path, origin) in places {
        match version(&path) {
            Ok(version) => return Ok(Typesetter { path, version, origin }),
            Err(why) => rejected.push((path, origin, why)),
        }
    }
    Err(Missing { rejected })
}

/// The version of the typst at `path`; else a few words on why it does not fit.
pub(super) fn version(path: &Path) -> Result<String, String> {
    // A name without a folder would be looked for on the PATH.
    let program = if path.components().count() == 1 { Path::new(".").join(path) } else { path.to_owned() };
    let ended =
        run(Command::new(program).arg("--version"), ASK).map_err(|error| format!("does not run: {error}"))?;
    let Some(status) = ended.status else { return Err("does not answer".to_owned()) };
    let mut words = ended.stdout.split_whitespace();
    match (status.success(), words.next(), words.next()) {
        (true, Some("typst"), Some(version)) if version.starts_with(SERIES) => Ok(version.to_owned()),
        (true, Some("typst"), Some(version)) => Err(format!("is version {version}")),
        _ => Err("is no typst".to_owned()),
    }
}

#[cfg(unix)]
fn executable(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    path.metadata().is_ok_and(|metadata| metadata.is_file() && metadata.permissions().mode() & 0o111 != 0)
}

#[cfg(not(unix))]
fn executable(path: &Path) -> bool {
    path.is_file()
}

#[cfg(all(test, unix))]
pub(super) mod tests {
    use std::fs;

    use super::*;

    /// An executable script. Written by a process of its own: while another test starts a program, that program
    /// would hold our open file, and the system refuses to run a file that is open for writing.
    pub fn script(path: &Path, text: &str) {
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        let mut writer = Command::new("/bin/sh");
        writer.args(["-c", r#"printf '#!/bin/sh\n%s\n' "$1" > "$0" && chmod 755 "$0""#]).arg(path).arg(text);
        assert!(writer.status().expect("sh runs").success());
    }

    struct Place {
        dir: tempfile::TempDir,
        around: Surroundings,
    }

    impl Place {
        fn new() -> Self {
            let dir = tempfile::tempdir().expect("a folder");
            let around = Surroundings {
                variable: None,
                cache: Some(dir.path().join("cache")),
                path: Some(format!(".:{0}/a:{0}/b:/bin", dir.path().display()).into()),
            };
            Self { dir, around }
        }

        fn typst(&self, at: &str, version: &str) -> PathBuf {
            let path = self.dir.path().join(at);
            script(&path, &format!("echo 'typst {version} (unknown commit)'"));
            path
        }
    }

    #[test]
    fn the_order_is_option_variable_cache_path() {
        let mut place = Place::new();
        assert_eq!(find(None, &place.around), Err(Missing { rejected: vec![] }));
        place.typst("a/typst", "0.10.0");
        let on_path = place.typst("b/typst", "0.15.0");
        let found = |place: &Place, option: Option<&Path>| {
            find(option, &place.around).map(|found| (found.path, found.version, found.origin))
        };
        assert_eq!(found(&place, None), Ok((on_path, "0.15.0".to_owned(), Origin::Path)));
        let built = place.typst("cache/bin/typst", "0.15.1");
        assert_eq!(found(&place, None), Ok((built, "0.15.1".to_owned(), Origin::Cache)));
        let variable = place.typst("v/typst", "0.15.2");
        place.around.variable = Some(variable.clone());
        assert_eq!(found(&place, None), Ok((variable, "0.15.2".to_owned(), Origin::Variable)));
        let option = place.typst("o/typst", "0.15.3");
        assert_eq!(found(&place, Some(&option)), Ok((option.clone(), "0.15.3".to_owned(), Origin::Option)));
    }

    #[test]
    fn one_that_is_named_must_fit() {
        let mut place = Place::new();
        place.typst("b/typst", "0.15.0");
        let option = place.typst("o/typst", "0.14.2");
        let missing = find(Some(&option), &place.around).expect_err("does not fit");
        assert!(missing.is_named());
        assert!(missing.to_string().contains("named by --typesetter, is version 0.14.2"), "{missing}");
        place.around.variable = Some(place.dir.path().join("none"));
        let missing = find(None, &place.around).expect_err("is not there");
        assert!(missing.to_string().contains("named by LOOPCASE_TYPESETTER, does not run"), "{missing}");
    }

    #[test]
    fn says_what_was_looked_at() {
        let place = Place::new();
        place.typst("a/typst", "0.10.0");
        script(&place.dir.path().join("b/typst"), "echo hello");
        let missing = find(None, &place.around).expect_err("none fits").to_string();
        assert!(missing.contains("is version 0.10.0") && missing.contains("is no typst"), "{missing}");
    }
}
