//! The `tankside` program: arguments in, exit code out. Only this file exits.

fn main() -> std::process::ExitCode {
    tankside::cli::main()
}
