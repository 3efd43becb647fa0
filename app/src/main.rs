//! The program landfit: see the library of the same name.

fn main() -> std::process::ExitCode {
    landfit::run()
}
