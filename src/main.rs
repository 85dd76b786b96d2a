//! Parses the command line, calls, exits.

fn main() -> std::process::ExitCode {
    squarelaw::cli::main()
}
