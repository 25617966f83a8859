//! The scripts of this folder, asked by tests.
//!
//! Knows how a script is started and fed. Does not know what it judges.

use std::io::Write;
use std::process::{Command, Stdio};

/// What the script `name` writes when it is started with `arguments` and given `input`; nothing when no Python was named.
pub fn outside(name: &str, arguments: &[&str], input: &[u8]) -> Option<Vec<u8>> {
    let Some(python) = std::env::var_os("ENDBOARD_PYTHON") else {
        eprintln!("ENDBOARD_PYTHON is not set: nothing compared");
        return None;
    };
    let mut child = Command::new(python)
        .arg(format!("{}/tests/outside/{name}", env!("CARGO_MANIFEST_DIR")))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the Python that ENDBOARD_PYTHON names");
    child.stdin.take().expect("a pipe").write_all(input).expect("the script reads all of it");
    let out = child.wait_with_output().expect("the script ends");
    assert!(out.status.success());
    Some(out.stdout)
}
