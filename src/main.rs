//! The command `loopcase`.

fn main() -> std::process::ExitCode {
    loopcase::cli::run(std::env::args_os())
}
