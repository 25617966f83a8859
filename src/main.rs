//! The `endboard` command.

fn main() -> std::process::ExitCode {
    endboard::cli::main()
}
