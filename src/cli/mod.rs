//! Arguments in, text and exit code out.
//!
//! What the room is for: the verbs people type. What it may not do: decide
//! anything about a run; a verb calls the room that knows.

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
