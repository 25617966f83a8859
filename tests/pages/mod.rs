//! The guide and its pages as text: their examples, their links, and the names of their headings.
//!
//! Knows as much of Markdown as these pages use. What a page should say it does not know.

use std::path::{Component, Path, PathBuf};

pub fn path(page: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(page)
}

pub fn text(page: &str) -> String {
    std::fs::read_to_string(path(page)).unwrap_or_else(|e| panic!("{page}: {e}"))
}

/// All pages by their paths in the repository.
pub fn all() -> Vec<String> {
    let fixed = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "benches/README.md"].map(String::from);
    let docs = std::fs::read_dir(path("docs")).unwrap().map(|entry| entry.unwrap().file_name());
    let docs = docs.filter_map(|name| name.into_string().ok()).filter(|name| name.ends_with(".md"));
    let mut all: Vec<String> = fixed.into_iter().chain(docs.map(|name| format!("docs/{name}"))).collect();
    all.sort();
    all
}

/// Lines of a page, each with the word of the fence that it stands in; fences themselves are left out.
fn lines(text: &str) -> impl Iterator<Item = (Option<&str>, &str)> {
    let mut fence = None;
    text.lines().filter_map(move |line| {
        if let Some(word) = line.trim_start().strip_prefix("```") {
            fence = if fence.is_some() { None } else { Some(word) };
            return None;
        }
        Some((fence, line))
    })
}

/// Lines of examples for a shell.
pub fn shell(text: &str) -> impl Iterator<Item = &str> {
    lines(text).filter(|(fence, _)| *fence == Some("sh")).map(|(_, line)| line)
}

/// Where the links and pictures of a page lead, but for other sites.
pub fn links(text: &str) -> Vec<String> {
    let prose: Vec<&str> = lines(text).filter(|(fence, _)| fence.is_none()).map(|(_, line)| line).collect();
    // What stands in code is no link; a span of code may go on over a line's end.
    let prose = prose.join("\n");
    let plain: String = prose.split('`').step_by(2).collect();
    let targets = plain.split("](").skip(1).map(|rest| rest.split(')').next().unwrap_or_default());
    targets.filter(|target| !target.contains("://")).map(str::to_string).collect()
}

/// Names by which links call the headings of a page, as hosts of repositories make them (common practice, no source).
pub fn anchors(text: &str) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for (_, line) in lines(text).filter(|(fence, line)| fence.is_none() && line.starts_with('#')) {
        let title = line.trim_start_matches('#').trim().to_lowercase();
        let kept = title.chars().filter(|c| c.is_alphanumeric() || " -_".contains(*c));
        let name: String = kept.map(|c| if c == ' ' { '-' } else { c }).collect();
        let same = |at: usize| if at == 0 { name.clone() } else { format!("{name}-{at}") };
        let free = (0..).map(same).find(|name| !all.contains(name)).unwrap();
        all.push(free);
    }
    all
}

/// What is wrong with a link of a page.
pub fn trouble(page: &str, link: &str) -> Option<String> {
    let (file, anchor) = link.split_once('#').map_or((link, None), |(file, anchor)| (file, Some(anchor)));
    let target = match file.is_empty() {
        true => page.to_string(),
        false => joined(Path::new(page).parent().unwrap(), file)?,
    };
    if !path(&target).exists() {
        return Some(format!("{link}: no {target}"));
    }
    let anchor = anchor?;
    let is_there = target.ends_with(".md") && anchors(&text(&target)).iter().any(|name| name == anchor);
    (!is_there).then(|| format!("{link}: {target} has no #{anchor}"))
}

/// A path within the repository, written from a folder of it.
fn joined(folder: &Path, file: &str) -> Option<String> {
    let mut all = PathBuf::new();
    for part in folder.join(file).components() {
        match part {
            Component::ParentDir => {
                if !all.pop() {
                    return Some(format!("{file}, which leads out of the repository"));
                }
            }
            other => all.push(other),
        }
    }
    all.to_str().map(str::to_string)
}
