//! Building the pinned typst.

use std::env;
use std::fmt;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use super::PINNED;
use super::check::{Lack, Ready, check};
use super::find::{Origin, Surroundings, Typesetter, version};
use crate::disk::{DiskError, Lock};

/// How long to wait for another run that builds the same.
const PATIENCE: Duration = Duration::from_hours(1);

/// Why nothing was built.
#[derive(Debug)]
pub enum InstallError {
    /// There is no folder to build into.
    NoCache,
    /// What the build needs is not there: each with its remedy.
    Lacking(Vec<(String, &'static str)>),
    /// The cache folder can't be used.
    Disk(DiskError),
    /// Cargo could not be started.
    System(io::Error),
    /// Cargo ended with an error; its output told which.
    Failed,
    /// What was built does not answer as it should.
    Unfit(PathBuf, String),
}

impl fmt::Display for InstallError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            InstallError::NoCache => {
                f.write_str("no folder to build into: neither HOME nor XDG_CACHE_HOME is set")
            }
            InstallError::Lacking(lacks) => {
                f.write_str("typst can't be built here, missing:")?;
                lacks.iter().try_for_each(|(what, remedy)| write!(f, "\n  {what} ({remedy})"))
            }
            InstallError::Disk(error) => error.fmt(f),
            InstallError::System(error) => write!(f, "cargo could not be run: {error}"),
            InstallError::Failed => f.write_str("cargo could not build typst; see its messages above"),
            InstallError::Unfit(path, why) => write!(f, "`{}` was built but {why}", path.display()),
        }
    }
}

impl std::error::Error for InstallError {}

impl From<DiskError> for InstallError {
    fn from(error: DiskError) -> Self {
        InstallError::Disk(error)
    }
}

/// Builds the pinned typst into the cache, unless it is there; cargo's output is passed on to standard error.
/// `say` is told what is about to happen.
///
/// # Errors
/// [`InstallError`]. After a failure or a stop the next call starts from the beginning.
pub fn install(around: &Surroundings, mut say: impl FnMut(&str)) -> Result<Typesetter, InstallError> {
    let (Some(cache), Some(program)) = (&around.cache, around.built()) else {
        return Err(InstallError::NoCache);
    };
    fs::create_dir_all(cache).map_err(|error| DiskError::new("could not create", cache, error))?;
    let _lock = Lock::take(&cache.join("building.lock"), PATIENCE, || {
        say("waiting for another run that is building typst");
    })?;
    let built = |version| Typesetter { path: program.clone(), version, origin: Origin::Cache };
    if let Ok(version) = version(&program) {
        return Ok(built(version));
    }
    let lacking = |lacks: Vec<Lack>| {
        InstallError::Lacking(lacks.into_iter().map(|lack| (lack.what, lack.remedy)).collect())
    };
    let ready = check(around, cache).map_err(lacking)?;
    let target = cache.join("build");
    remove(&target)?;
    say(&format!(
        "building typst {PINNED} into {} (about 11 minutes on two cores, 1.1 GB while it lasts, crates.io only)",
        cache.display()
    ));
    let status = command(&ready, cache, &target).status().map_err(InstallError::System)?;
    remove(&target)?;
    if !status.success() {
        return Err(InstallError::Failed);
    }
    version(&program).map(built).map_err(|why| InstallError::Unfit(program.clone(), why))
}

fn remove(target: &Path) -> Result<(), DiskError> {
    match fs::remove_dir_all(target) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(DiskError::new("could not remove", target, error))
        }
        _ => Ok(()),
    }
}

fn command(ready: &Ready, cache: &Path, target: &Path) -> Command {
    let mut command = Command::new(&ready.cargo);
    command.args([
        "install",
        "typst-cli",
        "--locked",
        "--version",
        &format!("={PINNED}"),
        "--force",
        "--root",
    ]);
    command.arg(cache);
    if ready.vendor_openssl {
        command.args(["--features", "vendor-openssl"]);
    }
    // From the top folder, since cargo reads the settings of all folders above the one it runs in.
    command.current_dir(cache.ancestors().last().unwrap_or(cache));
    for (name, _) in env::vars_os() {
        if name.to_str().is_some_and(of_our_build) {
            command.env_remove(name);
        }
    }
    command.env("CARGO_TARGET_DIR", target);
    // Products alone go to standard output.
    command.stdin(Stdio::null()).stdout(io::stderr());
    command
}

/// Whether a variable steers or stems from the build of this project. Where cargo keeps its files, how it reaches the
/// registry and which toolchain is installed are the user's and stay.
fn of_our_build(name: &str) -> bool {
    const STAY: [&str; 6] =
        ["CARGO_HOME", "CARGO_HTTP_", "CARGO_NET_", "CARGO_REGISTR", "CARGO_SOURCE_", "CARGO_TERM_"];
    let flags =
        ["RUSTFLAGS", "RUSTDOCFLAGS", "RUSTC_WRAPPER", "RUSTC_WORKSPACE_WRAPPER", "CARGO"].contains(&name);
    flags || (name.starts_with("CARGO_") && !STAY.iter().any(|stay| name.starts_with(stay)))
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use crate::typeset::find::tests::script;

    struct Place {
        dir: tempfile::TempDir,
        around: Surroundings,
    }

    /// A stand-in for cargo: notes its arguments, folder and environment, leaves build files and writes a typst.
    const CARGO: &str = r#"here=$(dirname "$0"); { echo "$@"; pwd; env; } >> "$here/../record"
echo on-stdout; mkdir -p "$CARGO_TARGET_DIR/release"
[ -e "$here/../fail" ] && exit 101
while [ "$1" != --root ]; do shift; done
mkdir -p "$2/bin"; printf '#!/bin/sh\necho typst 0.15.1\n' > "$2/bin/typst"; chmod +x "$2/bin/typst""#;

    impl Place {
        fn new(pkg_config: &str) -> Self {
            let dir = tempfile::tempdir().expect("a folder");
            let bin = dir.path().join("bin");
            script(&bin.join("cargo"), CARGO);
            script(&bin.join("cc"), "exit 1");
            script(&bin.join("pkg-config"), pkg_config);
            let around = Surroundings {
                variable: None,
                cache: Some(dir.path().join("cache/loopcase/typst")),
                path: Some(bin.into_os_string()),
            };
            Self { dir, around }
        }

        fn record(&self) -> String {
            fs::read_to_string(self.dir.path().join("record")).unwrap_or_default()
        }

        fn cache_names(&self) -> Vec<String> {
            let entries = fs::read_dir(self.around.cache.as_ref().expect("set")).expect("a folder");
            entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
        }
    }

    #[test]
    fn builds_once_and_tidies_up() {
        let place = Place::new("exit 0");
        let mut said = Vec::new();
        let built = install(&place.around, |text| said.push(text.to_owned())).expect("built");
        assert_eq!((built.version.as_str(), built.origin), ("0.15.1", Origin::Cache));
        assert_eq!(place.cache_names(), ["bin"]);
        assert_eq!(said.len(), 1);
        let record = place.record();
        let mut lines = record.lines();
        let cache = place.around.cache.as_ref().expect("set").display().to_string();
        let wanted = format!("install typst-cli --locked --version =0.15.1 --force --root {cache}");
        assert_eq!(lines.next(), Some(wanted.as_str()));
        assert_eq!(lines.next(), Some("/"));
        assert!(record.contains(&format!("CARGO_TARGET_DIR={cache}/build\n")));
        // Set by the cargo that runs this test.
        assert!(!record.contains("CARGO_PKG_NAME") && !record.contains("CARGO_MANIFEST_DIR"));
        install(&place.around, |_| panic!("nothing to say")).expect("there");
        assert_eq!(place.record(), record, "not built again");
    }

    #[test]
    fn after_a_failed_or_stopped_build_the_next_starts_cleanly() {
        let place = Place::new("exit 0");
        fs::write(place.dir.path().join("fail"), "").expect("a file");
        let failed = install(&place.around, |_| {});
        assert!(matches!(failed, Err(InstallError::Failed)), "{failed:?}");
        assert!(place.cache_names().is_empty());
        // What a killed run leaves: build files, a lock file that nobody holds, half a program.
        let cache = place.around.cache.as_ref().expect("set");
        fs::create_dir_all(cache.join("build/release")).expect("a folder");
        fs::create_dir_all(cache.join("bin")).expect("a folder");
        fs::write(cache.join("building.lock"), "").expect("a file");
        fs::write(cache.join("bin/typst"), "half").expect("a file");
        fs::remove_file(place.dir.path().join("fail")).expect("removed");
        assert!(install(&place.around, |_| {}).is_ok());
        assert_eq!(place.cache_names(), ["bin"]);
    }

    #[test]
    fn builds_openssl_along_where_its_headers_are_missing() {
        let place = Place::new("exit 1");
        let lacking = install(&place.around, |_| {});
        let Err(InstallError::Lacking(lacks)) = &lacking else { panic!("{lacking:?}") };
        assert_eq!(lacks.len(), 1);
        assert!(lacks[0].1.contains("libssl-dev"), "{lacks:?}");
        assert_eq!(place.record(), "", "nothing was started");
        for tool in ["perl", "make"] {
            script(&place.dir.path().join("bin").join(tool), "exit 0");
        }
        assert!(install(&place.around, |_| {}).is_ok());
        assert!(place.record().contains("--features vendor-openssl"));
    }

    #[test]
    fn two_at_once_build_once() {
        let place = Place::new("exit 0");
        std::thread::scope(|scope| {
            let runs: Vec<_> =
                (0..4).map(|_| scope.spawn(|| install(&place.around, |_| {}).is_ok())).collect();
            assert!(runs.into_iter().all(|run| run.join().expect("ends")));
        });
        assert_eq!(place.record().matches("install typst-cli").count(), 1);
    }

    #[test]
    fn our_own_settings_stay_out_of_the_build() {
        for gone in [
            "CARGO",
            "CARGO_MANIFEST_DIR",
            "CARGO_TARGET_DIR",
            "CARGO_BUILD_RUSTFLAGS",
            "RUSTFLAGS",
            "CARGO_PROFILE_DEV_LTO",
            "CARGO_INSTALL_ROOT",
        ] {
            assert!(of_our_build(gone), "{gone}");
        }
        for stays in [
            "CARGO_HOME",
            "CARGO_HTTP_PROXY",
            "CARGO_REGISTRIES_CRATES_IO_PROTOCOL",
            "CARGO_REGISTRY_TOKEN",
            "CARGO_NET_OFFLINE",
            "RUSTUP_HOME",
            "PATH",
        ] {
            assert!(!of_our_build(stays), "{stays}");
        }
    }
}
