//! A delivery's report, as plain text and as one page for a browser that needs nothing else.
//!
//! Knows layout and escapes. Does not know what is told.

use std::fmt::Write;

/// Parts with their lines, in order.
#[derive(Clone, Debug, Default)]
pub struct Paper {
    /// What it is about.
    pub title: String,
    parts: Vec<(String, Vec<(String, String)>)>,
}

impl Paper {
    /// An empty one.
    pub fn new(title: impl Into<String>) -> Self {
        Self { title: title.into(), parts: Vec::new() }
    }

    /// Adds a line to a part, which begins when it is new.
    pub fn add(&mut self, part: &str, label: impl Into<String>, says: impl Into<String>) {
        let line = (plain(&label.into()), plain(&says.into()));
        match self.parts.iter_mut().find(|(name, _)| name == part) {
            Some((_, lines)) => lines.push(line),
            None => self.parts.push((part.into(), vec![line])),
        }
    }

    /// The lines of a part.
    pub fn lines(&self, part: &str) -> &[(String, String)] {
        self.parts.iter().find(|(name, _)| name == part).map_or(&[], |(_, lines)| lines)
    }

    /// All parts with their lines.
    pub fn parts(&self) -> impl Iterator<Item = (&str, &[(String, String)])> {
        self.parts.iter().map(|(part, lines)| (part.as_str(), lines.as_slice()))
    }

    /// As text.
    pub fn text(&self) -> String {
        let mut out = format!("{}\n", plain(&self.title));
        for (part, lines) in &self.parts {
            let _ = write!(out, "\n{part}\n{}\n", "-".repeat(part.chars().count()));
            let wide = lines.iter().map(|(label, _)| label.chars().count()).max().unwrap_or(0).min(40);
            for (label, says) in lines {
                let gap = wide.saturating_sub(label.chars().count());
                let _ = writeln!(out, "{label}{}  {says}", " ".repeat(gap));
            }
        }
        out
    }

    /// As a page.
    pub fn html(&self) -> String {
        let title = escaped(&plain(&self.title));
        let mut out = format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" \
             content=\"width=device-width\">\n<title>{title}</title>\n<style>\n\
             :root {{ color-scheme: light dark }}\nbody {{ font-family: sans-serif; max-width: 60em; margin: 2em auto; \
             padding: 0 1em; line-height: 1.5 }}\ntable {{ border-collapse: collapse; width: 100% }}\nth, td {{ \
             text-align: left; vertical-align: top; padding: 0.2em 0.6em; border-bottom: 1px solid; overflow-wrap: anywhere }}\nth {{ \
             width: 30%; font-weight: normal }}\n</style>\n</head>\n<body>\n<h1>{title}</h1>\n"
        );
        for (part, lines) in &self.parts {
            let _ = writeln!(out, "<h2>{}</h2>\n<table>", escaped(part));
            for (label, says) in lines {
                let (label, says) = (escaped(label), escaped(says));
                let _ = writeln!(out, "<tr><th scope=\"row\">{label}</th><td>{says}</td></tr>");
            }
            out.push_str("</table>\n");
        }
        out.push_str("</body>\n</html>\n");
        out
    }
}

/// Without characters that command a terminal, turn text round or end a line.
fn plain(text: &str) -> String {
    let is_odd = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    text.chars().map(|c| if is_odd(c) { ' ' } else { c }).collect()
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_goes_with_the_colours_that_its_reader_set() {
        let page = Paper::new("The Brine Lamp").html();
        assert!(page.contains("color-scheme: light dark"));
        // Where a page names one of the two colours, the other must be named for either.
        assert!(
            !page.contains("background") && !page.replace("color-scheme", "").contains("color"),
            "{page}"
        );
    }

    #[test]
    fn what_a_film_is_called_commands_nothing() {
        let mut paper = Paper::new("<script>alert('x')</script> & \u{1b}[2J");
        paper.add("What <b>", "a\nb", "\"c\" \u{202e}d");
        let (text, page) = (paper.text(), paper.html());
        assert!(!page.contains("<script>") && page.contains("&lt;script&gt;alert(&#39;x&#39;)"), "{page}");
        assert!(page.contains("What &lt;b&gt;") && page.contains("&quot;c&quot;"));
        for odd in ['\u{1b}', '\u{202e}'] {
            assert!(!text.contains(odd) && !page.contains(odd));
        }
        assert!(text.contains("a b  \"c\""), "{text}");
        assert!(!page.contains("http"), "it needs nothing from elsewhere");
    }
}
