//! The man page: one page, with every command and its options in it.
//!
//! Knows the layout of a man page. What the commands and options are comes from `arguments`.

use std::io::{Result, Write};

use clap::{Arg, Command, CommandFactory};

use super::arguments::Arguments;

/// Writes the page in roff.
pub fn page(out: &mut dyn Write) -> Result<()> {
    let mut text = Vec::new();
    sections(&mut text)?;
    // Every part repeats the definition of the apostrophe; one at the head is enough.
    let lines = text.split_inclusive(|&byte| byte == b'\n').enumerate();
    let wanted =
        |(at, line): &(usize, &[u8])| *at < 2 || !(line.starts_with(b".ie ") || line.starts_with(b".el "));
    for (_, line) in lines.filter(wanted) {
        out.write_all(line)?;
    }
    Ok(())
}

fn sections(out: &mut dyn Write) -> Result<()> {
    let mut command =
        Arguments::command().override_usage("endboard [-C FOLDER] [--json] COMMAND [ARGUMENTS]");
    command.build();
    let page = clap_mangen::Man::new(command.clone());
    page.render_title(out)?;
    page.render_name_section(out)?;
    page.render_synopsis_section(out)?;
    page.render_description_section(out)?;
    page.render_options_section(out)?;
    writeln!(out, ".SH COMMANDS")?;
    for verb in command.get_subcommands_mut().filter(|verb| verb.get_name() != "help" && !verb.is_hide_set())
    {
        section(out, verb)?;
    }
    writeln!(out, ".SH NOTES")?;
    for line in command.get_after_help().map(ToString::to_string).unwrap_or_default().lines() {
        writeln!(out, ".PP\n{}", plain(line))?;
    }
    page.render_version_section(out)
}

/// One command: how it is called, what it does, its own arguments.
fn section(out: &mut dyn Write, verb: &mut Command) -> Result<()> {
    let usage = verb.render_usage().to_string();
    let usage = usage.trim_start_matches("Usage:").trim();
    writeln!(out, ".SS {}", plain(usage))?;
    writeln!(out, "{}", plain(&verb.get_about().map(ToString::to_string).unwrap_or_default()))?;
    let own = |arg: &&Arg| !arg.is_global_set() && !matches!(arg.get_id().as_str(), "help" | "version");
    for arg in verb.get_arguments().filter(own) {
        let shown = arg.to_string();
        let short = arg.get_short().map_or(String::new(), |short| format!("\\-{short}, "));
        let mut help = arg.get_help().map(ToString::to_string).unwrap_or_default();
        let usual = arg.get_default_values().first().filter(|_| arg.get_action().takes_values());
        if let Some(usual) = usual.filter(|_| !arg.is_hide_default_value_set()) {
            help += &format!(" [default: {}]", usual.display());
        }
        writeln!(out, ".TP\n\\fB{short}{}\\fR\n{}", plain(&shown), plain(&help))?;
    }
    Ok(())
}

/// Text that roff takes as it is: no escapes, no requests, hyphens that can be copied.
fn plain(text: &str) -> String {
    let text = text.replace('\\', "\\e").replace('-', "\\-");
    if text.starts_with(['.', '\'']) { format!("\\&{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_is_on_the_page_and_no_other_page_is_named() {
        let mut bytes = Vec::new();
        page(&mut bytes).unwrap();
        let text = String::from_utf8(bytes).unwrap().replace("\\-", "-");
        for verb in Arguments::command().get_subcommands().filter(|verb| !verb.is_hide_set()) {
            assert!(text.contains(&format!(".SS endboard {}", verb.get_name())), "{text}");
        }
        for told in ["Safety: ", "[default: sheet.png]", "[default: compare.png]"] {
            assert!(text.contains(told), "{told}: {text}");
        }
        assert!(!text.contains("[default: false]"), "{text}");
        assert!(text.contains("--only-plates") && text.contains("[-C FOLDER]"), "{text}");
        assert!(!text.contains("(1)") && !text.contains("[-C ]"), "{text}");
    }
}
