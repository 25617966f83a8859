//! The rules of the code as tests: layers, purity, file openings, file lengths, the code map.
//!
//! Knows the text of the source tree only: it compiles nothing and runs nothing of the crate.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Modules in order of dependence, and the modules that each may import. A row names rows above it only,
/// so that no knot can form.
const LAYERS: &[(&str, &[&str])] = &[
    ("base", &[]),
    ("events", &[]),
    ("media", &["base"]),
    ("operators", &["base", "media"]),
    ("declare", &["base"]),
    ("cut", &["base"]),
    ("graph", &["base", "media", "operators", "declare"]),
    ("stale", &["base", "graph"]),
    ("plan", &["base", "declare", "graph", "stale"]),
    ("store", &["base", "media"]),
    ("bucket", &["base", "store"]),
    ("observe", &["base", "media", "declare", "graph", "stale", "store"]),
    ("ledger", &["base"]),
    ("crew", &["base", "ledger"]),
    ("forecast", &["base", "ledger", "crew"]),
    ("programs", &[]),
    (
        "execute",
        &[
            "base",
            "events",
            "media",
            "operators",
            "declare",
            "graph",
            "stale",
            "plan",
            "store",
            "observe",
            "ledger",
            "crew",
            "programs",
        ],
    ),
    ("deliver", &["base", "media", "programs"]),
    ("packet", &["deliver"]),
    ("inspect", &["base", "media"]),
    ("report", &["base", "ledger", "crew", "forecast"]),
    ("demo", &["base", "media"]),
    (
        "project",
        &[
            "base",
            "bucket",
            "events",
            "media",
            "operators",
            "declare",
            "cut",
            "graph",
            "stale",
            "plan",
            "store",
            "observe",
            "ledger",
            "crew",
            "packet",
            "programs",
            "execute",
            "inspect",
            "deliver",
            "report",
            "demo",
            "forecast",
        ],
    ),
    ("serve", &["project", "report"]),
    (
        "cli",
        &[
            "base",
            "bucket",
            "declare",
            "cut",
            "events",
            "operators",
            "graph",
            "stale",
            "store",
            "observe",
            "ledger",
            "crew",
            "programs",
            "execute",
            "packet",
            "inspect",
            "report",
            "project",
            "forecast",
            "serve",
        ],
    ),
];

/// Rows that take values and give values: no disk, no processes, no environment, no clock, no printing.
const PURE: &[&str] = &[
    "base",
    "events",
    "operators",
    "declare",
    "cut",
    "graph",
    "stale",
    "plan",
    "crew",
    "forecast",
    "inspect",
    "report",
    "demo",
];

/// What a pure row must not name.
const IMPURE: &[&str] = &[
    "std::fs",
    "std::process",
    "std::env",
    "std::net",
    "SystemTime",
    "Instant",
    "Timestamp::now",
    "Zoned::now",
    "println!",
    "print!",
    "dbg!",
    "tracing::",
    "tokio",
];

/// The most lines of a file, its tests not counted.
const LINES: usize = 400;

struct File {
    /// Path below the crate's root.
    path: String,
    /// Whole text.
    text: String,
}

impl File {
    /// The lines that ship, without comments: everything before the file's tests.
    fn shipped(&self) -> Vec<&str> {
        let lines: Vec<&str> = self.text.lines().collect();
        let tests = |i: usize| {
            lines[i] == "#[cfg(test)]"
                && lines
                    .get(i + 1)
                    .is_some_and(|next| next.trim_start_matches("pub ").starts_with("mod tests"))
        };
        let end = (0..lines.len()).find(|&i| tests(i)).unwrap_or(lines.len());
        lines[..end].to_vec()
    }

    /// Code of the shipped lines, comments cut away.
    fn code(&self) -> String {
        let cut = |line: &str| match line.find("//") {
            Some(at) if !line[..at].contains('"') => line[..at].to_string(),
            _ => line.to_string(),
        };
        self.shipped().into_iter().map(cut).collect::<Vec<_>>().join("\n")
    }

    /// The top-level module that the file belongs to.
    fn module(&self) -> &str {
        let below = self.path.strip_prefix("src/").expect("a source file");
        below.split('/').next().expect("a first part").trim_end_matches(".rs")
    }

    /// True for the file that is the top-level module itself, where `super` is the crate.
    fn is_root(&self) -> bool {
        let module = self.module();
        self.path == format!("src/{module}.rs") || self.path == format!("src/{module}/mod.rs")
    }

    /// Code with its tests, comments cut away.
    fn imports(&self) -> BTreeSet<String> {
        let code = self.code();
        let mut found = BTreeSet::new();
        for (at, _) in code.match_indices("crate::") {
            let rest = &code[at + 7..];
            let end = rest.find(|c: char| !c.is_ascii_alphanumeric() && c != '_').unwrap_or(rest.len());
            found.insert(rest[..end].to_string());
        }
        found
    }
}

fn files(folder: &str) -> Vec<File> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut out = Vec::new();
    let mut folders: Vec<PathBuf> = vec![root.join(folder)];
    while let Some(next) = folders.pop() {
        for entry in std::fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let name = path.strip_prefix(root).unwrap().to_string_lossy().replace('\\', "/");
                out.push(File { path: name, text: std::fs::read_to_string(&path).unwrap() });
            }
        }
    }
    assert!(!out.is_empty(), "no files in {folder}");
    out.sort_by(|a, b| a.path.cmp(&b.path));
    out
}

/// Source files of modules; `lib.rs` and `main.rs` stand apart.
fn modules() -> Vec<File> {
    files("src").into_iter().filter(|f| !matches!(&*f.path, "src/lib.rs" | "src/main.rs")).collect()
}

fn none(wrong: &[String]) {
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

#[test]
fn rows_name_only_rows_above_them() {
    for (i, (name, allowed)) in LAYERS.iter().enumerate() {
        for other in *allowed {
            assert!(LAYERS[..i].iter().any(|(above, _)| above == other), "{name} names {other}");
        }
    }
    assert!(PURE.iter().all(|name| LAYERS.iter().any(|(row, _)| row == name)));
}

#[test]
fn modules_import_only_what_their_row_lists() {
    let rows: BTreeMap<&str, &[&str]> = LAYERS.iter().copied().collect();
    let mut wrong = Vec::new();
    let mut used: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for file in modules() {
        let Some(allowed) = rows.get(file.module()) else {
            wrong.push(format!("{}: module '{}' has no row", file.path, file.module()));
            continue;
        };
        for import in file.imports() {
            if import != file.module() && !allowed.contains(&&*import) {
                wrong.push(format!("{} imports '{import}', which its row does not list", file.path));
            }
            used.entry(file.module().to_string()).or_default().insert(import);
        }
        if file.is_root() && file.code().contains("super::") {
            wrong.push(format!("{}: 'super' of a top module is the crate", file.path));
        }
    }
    // A row must not allow what nobody needs, or the table would stop telling how the parts hang together.
    for (name, allowed) in LAYERS {
        let used = used.remove(*name).unwrap_or_default();
        wrong.extend(
            allowed.iter().filter(|a| !used.contains(**a)).map(|a| format!("{name} does not need {a}")),
        );
    }
    none(&wrong);
}

#[test]
fn every_row_is_a_module_and_the_other_way_round() {
    let rows: BTreeSet<&str> = LAYERS.iter().map(|(name, _)| *name).collect();
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/lib.rs")).unwrap();
    let declared: BTreeSet<&str> = text
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pub mod ").or(line.trim().strip_prefix("mod ")))
        .filter_map(|rest| rest.strip_suffix(';'))
        .collect();
    assert_eq!(rows, declared);
}

#[test]
fn pure_rows_touch_nothing_outside() {
    let mut wrong = Vec::new();
    // Samples made for tests are compiled for tests only.
    for file in modules().iter().filter(|f| PURE.contains(&f.module()) && !f.path.ends_with("/tests.rs")) {
        let code = file.code();
        wrong
            .extend(IMPURE.iter().filter(|w| code.contains(**w)).map(|w| format!("{} names {w}", file.path)));
    }
    none(&wrong);
}

#[test]
fn no_imports_that_hide_where_a_name_comes_from() {
    let mut wrong = Vec::new();
    for file in files("src") {
        let code = file.code();
        for pattern in ["pub use crate::", "use crate::*", "crate::{", "super::super"] {
            if code.contains(pattern) {
                wrong.push(format!("{} has '{pattern}'", file.path));
            }
        }
    }
    none(&wrong);
}

#[test]
fn every_file_opens_with_what_it_knows() {
    let all = ["src", "tests", "benches"].into_iter().flat_map(files);
    let wrong: Vec<String> = all
        .filter(|f| !f.text.starts_with("//! "))
        .map(|f| format!("{} opens with no '//!'", f.path))
        .collect();
    none(&wrong);
}

#[test]
fn files_are_short() {
    let wrong: Vec<String> = files("src")
        .iter()
        .filter(|f| f.shipped().len() > LINES)
        .map(|f| format!("{}: {} lines without its tests", f.path, f.shipped().len()))
        .collect();
    none(&wrong);
}

#[test]
fn the_code_map_is_this_table() {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md")).unwrap();
    let map: Vec<(String, Vec<String>)> = text
        .lines()
        .skip_while(|line| !line.starts_with("| module | owns | may import |"))
        .skip(2)
        .take_while(|line| line.starts_with('|'))
        .map(|line| {
            let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
            let imports = cells[2].split(',').map(|w| w.trim().to_string()).filter(|w| w != "nothing");
            (cells[0].trim_matches('`').to_string(), imports.collect())
        })
        .collect();
    let table: Vec<(String, Vec<String>)> = LAYERS
        .iter()
        .map(|(name, allowed)| ((*name).to_string(), allowed.iter().map(|a| (*a).to_string()).collect()))
        .collect();
    assert_eq!(map, table);
}
