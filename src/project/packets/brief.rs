//! The brief of a packet: one page for a person who has never seen the film's folder, as plain text and as HTML.
//!
//! Knows what such a person asks: what to do, to which frames, with which files, what to send back and how, by when, and whom to
//! ask. Does not know the disk.

use jiff::civil::Date;

/// What a page says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Page {
    /// Its title.
    pub title: String,
    /// What stands under it.
    pub lead: Vec<String>,
    /// The rest.
    pub sections: Vec<Section>,
}

/// A part of a page.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Section {
    /// Its title.
    pub title: String,
    /// Paragraphs.
    pub text: Vec<String>,
    /// Points.
    pub points: Vec<String>,
}

/// What one shot of a packet has and wants.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// Its name.
    pub shot: String,
    /// The frames to be made.
    pub frames: String,
    /// How many.
    pub count: usize,
    /// Why, frames by frames.
    pub why: Vec<(String, String)>,
    /// What is here to look at and to work on: a path with `####`, its frames and what it is.
    pub inputs: Vec<(String, String, String)>,
    /// Paths of earlier work and of shapes, and what they are.
    pub besides: Vec<(String, String)>,
    /// The path that each file is to have, with `####`.
    pub wanted: String,
    /// The first one as it is spelled out.
    pub example: String,
    /// What each file is to hold.
    pub holds: String,
}

/// All that a brief says.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// The film.
    pub film: String,
    /// Frames a second, as a person says it.
    pub rate: String,
    /// The packet.
    pub packet: String,
    /// The stage.
    pub stage: String,
    /// To whom, by whom.
    pub person: String,
    /// Who handed it out.
    pub by: String,
    /// When.
    pub today: Date,
    /// By when.
    pub due: Option<Date>,
    /// In the words of whoever handed it out.
    pub words: String,
    /// The shots.
    pub shots: Vec<Shot>,
}

/// Writes the page.
pub fn page(told: &Told) -> Page {
    let due = match told.due {
        Some(day) => format!("Please send it back by {day}."),
        None => "Please send it back when you can; no day is set.".into(),
    };
    let lead = vec![
        format!("For {}. Handed out by {} on {}. {due}", told.person, told.by, told.today),
        format!("Packet {}, stage {}.", told.packet, told.stage),
    ];
    let words = told.words.split("\n\n").map(|part| part.trim().to_string());
    let text: Vec<String> = words.filter(|part| !part.is_empty()).collect();
    let mut sections = Vec::new();
    if !text.is_empty() {
        sections.push(Section { title: "What to do".into(), text, points: Vec::new() });
    }
    for shot in &told.shots {
        sections.push(of_shot(told, shot));
    }
    sections.push(Section {
        title: "Your hours".into(),
        text: vec![
            "Fill in return/hours.csv; any spreadsheet opens it. A line for each sitting: the date (YYYY-MM-DD), the shot, the \
             frames when you like, the hours (1.5 or 1:30) and a note. Send it along each time; nothing is counted twice."
                .into(),
        ],
        points: Vec::new(),
    });
    let name = &told.packet;
    sections.push(Section {
        title: "How to send it back".into(),
        text: vec!["You may send some frames now and the rest later, or send a frame again that you made better.".into()],
        points: vec![
            "Put your files into the folder return, as said above for each shot.".into(),
            "Leave the name of every file as it is asked for. Leave everything outside of return as it is.".into(),
            format!(
                "Zip the whole folder {name}, or only the folder return inside it, and send that. No password. Do not put a zip into it."
            ),
            format!("Leave return/packet.txt where it is: it tells which packet this is ({name})."),
        ],
    });
    sections.push(Section {
        title: "Questions".into(),
        text: vec![format!("Ask {}, and name the packet: {name}.", told.by)],
        points: Vec::new(),
    });
    Page { title: format!("{}: {}", told.film, told.packet), lead, sections }
}

fn of_shot(told: &Told, shot: &Shot) -> Section {
    let mut points: Vec<String> = shot.why.iter().map(|(frames, why)| format!("{frames}: {why}")).collect();
    for (path, frames, what) in &shot.inputs {
        let more = if *frames == shot.frames { "" } else { ", more than you are to make" };
        points.push(format!("Look at {path}, frames {frames}{more}: {what}."));
    }
    points.extend(shot.besides.iter().map(|(path, says)| format!("Also here: {path}, {says}")));
    points.push(format!(
        "Send back {}, one file a frame, such as {} (#### stands for the frame's number).",
        shot.wanted, shot.example
    ));
    points.push(format!("Each file: {}.", shot.holds));
    let frames = if shot.count == 1 { "frame" } else { "frames" };
    let text = format!("{} {frames} to make: {}. {} frames a second.", shot.count, shot.frames, told.rate);
    Section { title: format!("Shot {}", shot.shot), text: vec![text], points }
}

/// Most characters of a line.
const WIDTH: usize = 78;

/// As plain text.
pub fn text(page: &Page) -> String {
    let mut out = format!("{}\n{}\n\n", page.title, "=".repeat(page.title.chars().count().min(WIDTH)));
    page.lead.iter().for_each(|line| out += &folded(line, "", ""));
    for section in &page.sections {
        out += &format!("\n{}\n{}\n", section.title, "-".repeat(section.title.chars().count()));
        section.text.iter().for_each(|part| out += &folded(part, "", ""));
        section.points.iter().for_each(|point| out += &folded(point, "- ", "  "));
    }
    out
}

fn folded(text: &str, first: &str, next: &str) -> String {
    let mut out = String::new();
    for line in text.lines() {
        let mut row = if out.is_empty() { first.to_string() } else { next.to_string() };
        let mut begin = row.chars().count();
        for word in line.split_whitespace() {
            let wide = row.chars().count();
            if wide > begin && wide + 1 + word.chars().count() > WIDTH {
                out += &format!("{row}\n");
                row = next.to_string();
                begin = next.chars().count();
            }
            if row.chars().count() > begin {
                row.push(' ');
            }
            row += word;
        }
        out += &format!("{row}\n");
    }
    out
}

const STYLE: &str = ":root{color-scheme:light dark}body{font:1.05rem/1.55 Georgia,serif;max-width:42rem;margin:2.5rem auto;\
padding:0 1.2rem}h1{font-size:1.5rem}h2{font-size:1.1rem;margin:2rem 0 .4rem;border-top:1px solid;padding-top:.8rem}\
li{margin:.35rem 0;overflow-wrap:anywhere}p{margin:.5rem 0}";

/// As a page that needs nothing else.
pub fn html(page: &Page) -> String {
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width\">\n\
         <title>{0}</title>\n<style>{STYLE}</style>\n<h1>{0}</h1>\n",
        escaped(&page.title)
    );
    page.lead.iter().for_each(|line| out += &format!("<p>{}</p>\n", escaped(line)));
    for section in &page.sections {
        out += &format!("<h2>{}</h2>\n", escaped(&section.title));
        section
            .text
            .iter()
            .for_each(|part| out += &format!("<p>{}</p>\n", escaped(part).replace('\n', "<br>\n")));
        if !section.points.is_empty() {
            out += "<ul>\n";
            section.points.iter().for_each(|point| out += &format!("<li>{}</li>\n", escaped(point)));
            out += "</ul>\n";
        }
    }
    out + "</html>\n"
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_folded_and_html_escaped() {
        let page = Page {
            title: "The Brine Lamp: ana-1".into(),
            lead: vec!["word ".repeat(40)],
            sections: vec![Section {
                title: "What to do".into(),
                text: vec!["keep <b> & the \"raker\"".into()],
                points: vec!["long ".repeat(30)],
            }],
        };
        let plain = text(&page);
        assert!(plain.lines().all(|line| line.chars().count() <= WIDTH), "{plain}");
        assert!(plain.contains("\n- long") && plain.contains("\n  long"));
        let html = html(&page);
        assert!(html.contains("keep &lt;b&gt; &amp; the &quot;raker&quot;") && !html.contains("<b>"));
    }
}
