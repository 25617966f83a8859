//! `handout`, `takeback` and `outstanding`: work that goes to people and comes back.

use std::path::Path;

use jiff::Zoned;
use jiff::civil::Date;
use serde_json::{Value, json};

use super::arguments::packets::{FrameForm, Handout, Outstanding, Takeback};
use super::arguments::{self, Arguments};
use super::rebuild::writer;
use super::{Answer, Exit, Failure, packets_shared, people, show, today};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::crew::twice::twice;
use crate::graph::Graph;
use crate::packet::Fault;
use crate::project::packets::Outstanding as Out;
use crate::project::packets::handing::{self, Form, HandedOut};
use crate::project::packets::taken::{self, Came, TakeError, Taken};
use crate::project::packets::taking;
use crate::project::{Project, ProjectError, Status};
use crate::report::words;

mod planned;
mod several;

/// Longest brief that is read from a file, in bytes.
const BRIEF_LIMIT: u64 = 1 << 20;

/// Hands out.
pub fn handout(project: &Project, arguments: &Arguments, options: &Handout) -> Answer {
    let declared = project.read();
    if !declared.is_sound() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    let selection = arguments::selection(&options.selectors, Some(&declared.graph))?;
    let words = match &options.brief_file {
        Some(path) => brief(path)?,
        None => options.brief.clone(),
    };
    let now = Zoned::now();
    let given = handing::Order {
        selection: &selection,
        person: &options.to,
        due: options.due,
        words: words.trim(),
        form: match options.form {
            FrameForm::Exr => Form::Exr,
            FrameForm::Png => Form::Png,
            FrameForm::Jpeg => Form::Jpeg,
        },
        as_zip: options.zip || options.shared,
        out: options.out.clone(),
        around: options.around,
        as_it_is: options.as_it_is,
        plan: options.plan,
        writer: &writer(),
        now: now.timestamp(),
        today: now.date(),
    };
    if let Some(due) = options.due.filter(|due| *due < given.today) {
        return Err(Failure::Usage(format!("--due {due} is over already; today is {}", given.today)));
    }
    // Where it goes is opened first, so that nothing is handed out which then cannot be sent.
    let open = || packets_shared::open(project, &declared, None, arguments.json);
    let way = (options.shared && !options.plan).then(open).transpose()?;
    let handed = project.hand_out(&given)?;
    let sent = way.as_ref().map(|way| packets_shared::send(way, &handed.place)).transpose()?;
    if arguments.json {
        let mut json = handed_json(&handed, options);
        json["shared"] =
            json!(way.as_ref().zip(sent.as_ref()).map(|(way, sent)| packets_shared::json(way, sent)));
        say!("{json:#}");
        return Ok(Exit::Done);
    }
    for (place, who) in &handed.overlaps {
        tell!("CAUTION: {place}: {}", show::clean(who));
    }
    handed.remarks.iter().for_each(|remark| tell!("CAUTION: {}", show::clean(remark)));
    for lack in &handed.as_it_is {
        tell!("CAUTION: {} is {}, and goes out as it is", lack.place, lack.why);
    }
    let due = options.due.map_or(String::new(), |day| format!(", due {day}"));
    let would = if options.plan { " would go" } else { "" };
    for (place, count) in &handed.parts {
        flow!("{place}: {}{would} to {}{due}", show::frames(*count), show::clean(&options.to));
    }
    let Some(packet) = &handed.packet else {
        planned::say(&handed, options);
        return Ok(Exit::Done);
    };
    flow!("packet {packet}: {}", handed.place.display());
    match way.as_ref().zip(sent.as_ref()) {
        Some((way, sent)) => packets_shared::tell(way, sent, packet),
        None => flow!("send it, and take what comes back with `endboard takeback PATH`"),
    }
    Ok(Exit::Done)
}

fn brief(path: &Path) -> Result<String, Failure> {
    let refused = |why: String| Failure::Usage(format!("--brief-file {}: {why}", path.display()));
    let size = std::fs::metadata(path).map_err(|why| refused(why.to_string()))?.len();
    if size > BRIEF_LIMIT {
        return Err(refused("it is larger than 1 MiB".into()));
    }
    std::fs::read_to_string(path).map_err(|why| refused(why.to_string()))
}

fn handed_json(handed: &HandedOut, options: &Handout) -> Value {
    let parts: Vec<Value> =
        handed.parts.iter().map(|(place, count)| json!({ "place": place, "frames": count })).collect();
    let overlaps: Vec<Value> =
        handed.overlaps.iter().map(|(place, who)| json!({ "place": place, "who": who })).collect();
    let as_it_is: Vec<Value> =
        handed.as_it_is.iter().map(|lack| json!({ "place": lack.place, "says": lack.why })).collect();
    json!({ "format": "endboard handout 1", "packet": handed.packet, "place": handed.place, "person": options.to,
        "due": options.due, "parts": parts, "files": handed.files, "bytes": handed.bytes, "contents": planned::json(handed),
        "overlaps": overlaps, "as_it_is": as_it_is, "remarks": handed.remarks })
}

/// Takes back.
pub fn takeback(project: &Project, arguments: &Arguments, options: &Takeback) -> Answer {
    if options.go_back {
        return use_return(project, arguments, options);
    }
    let [path] = &options.what[..] else {
        return Err(Failure::Usage("takeback takes one folder or zip; or, with --go-back, selectors".into()));
    };
    let fetched = match options.shared {
        true => Some(packets_shared::fetch(project, path, arguments.json)?),
        false => None,
    };
    let path = fetched.as_ref().map_or(Path::new(path), |fetched| fetched.path());
    let now = Zoned::now();
    let order = taking::Order {
        path,
        packet: options.packet.as_deref(),
        note: &options.note,
        plan: options.plan,
        writer: &writer(),
        now: now.timestamp(),
        today: now.date(),
        zone: now.time_zone(),
        changed: &|_| Ok(()),
    };
    match project.take_back(&order) {
        Ok(taken) if arguments.json => say!("{:#}", taken_json(&taken, options.plan)),
        Ok(taken) => told(&taken, options.plan),
        Err(TakeError::Look(error)) => return Err(error.into()),
        Err(TakeError::Refused(mut faults)) => {
            if let Some(fetched) = &fetched {
                faults.iter_mut().for_each(|fault| fault.place = fetched.named(&fault.place));
            }
            refused(&faults, arguments.json);
            return Ok(Exit::Unsound);
        }
    }
    Ok(Exit::Done)
}

fn refused(faults: &[Fault], as_json: bool) {
    if as_json {
        let all: Vec<Value> = faults
            .iter()
            .map(|fault| json!({ "place": fault.place, "says": fault.why, "way": fault.way }))
            .collect();
        say!("{:#}", json!({ "format": "endboard takeback 1", "taken": false, "faults": all }));
        return;
    }
    faults.iter().for_each(|fault| tell!("{}", show::clean(&fault.to_string())));
    tell!("endboard: nothing was taken, and nothing of the film was changed");
}

fn told(taken: &Taken, plan: bool) {
    let would = if plan { "would be " } else { "" };
    let name = show::clean(&taken.packet);
    for came in &taken.came {
        let place = |frames: &FrameSet| format!("{}/{}@{frames}", came.shot, came.stage);
        if !came.frames.is_empty() {
            let count = show::frames(came.frames.len());
            flow!("{}: {count} {would}taken back, return {}", place(&came.frames), came.version);
        }
        let lines = [
            (&came.again, "came before just so"),
            (&came.good, "good: what it was made for is as it was handed out"),
            (
                &came.earlier,
                "made for an earlier picture: the inputs changed meanwhile, so that a person must look at it",
            ),
            (
                &came.unsure,
                "its inputs are to be rendered first; whether it still fits shows after a rebuild",
            ),
            (&came.gone, "the film has no such frame any more; the files are kept"),
            (&came.gaps, "a gap: not among what came"),
        ];
        for (frames, says) in lines.iter().filter(|(frames, _)| !frames.is_empty()) {
            flow!("  {}: {says}", place(frames));
        }
    }
    let (new, corrected, micros) = taken.hours;
    if new + corrected > 0 {
        let time = words::time(std::time::Duration::from_micros(micros));
        let rows = words::count((new + corrected) as u64, "line");
        let corrected =
            if corrected > 0 { format!(", {corrected} of them put right") } else { String::new() };
        flow!(
            "hours: {time} of {} {would}noted ({rows} of the time sheet{corrected})",
            show::clean(&taken.person)
        );
    }
    taken.kept.iter().for_each(|(from, to)| flow!("{}", show::clean(&taken::kept(from, to))));
    taken.remarks.iter().for_each(|remark| flow!("{}", show::clean(remark)));
    let left: usize = taken.came.iter().map(|came| came.left.len()).sum();
    match (taken.is_open, left) {
        (true, n) => flow!("{name}: {} still to come", show::frames(n)),
        (false, 0) if plan => flow!("{name}: with this, all of it would be back"),
        (false, 0) => flow!("{name}: all of it is back"),
        (false, n) => {
            flow!("{name}: it was closed, so that the {} that did not come are not expected", show::frames(n))
        }
    }
    if !plan && taken.came.iter().any(|came| !came.frames.is_empty()) {
        flow!("next: `endboard rebuild` takes the files in");
    }
}

fn taken_json(taken: &Taken, plan: bool) -> Value {
    let of = |came: &Came| {
        let text =
            |frames: &FrameSet| if frames.is_empty() { Value::Null } else { json!(frames.to_string()) };
        json!({ "shot": came.shot, "stage": came.stage, "version": came.version, "frames": text(&came.frames),
            "again": text(&came.again), "good": text(&came.good), "earlier": text(&came.earlier),
            "unsure": text(&came.unsure), "gone": text(&came.gone), "gaps": text(&came.gaps), "left": text(&came.left) })
    };
    let kept = kept_json(&taken.kept);
    json!({ "format": "endboard takeback 1", "taken": !plan, "packet": taken.packet, "person": taken.person,
        "came": taken.came.iter().map(of).collect::<Vec<_>>(), "open": taken.is_open, "kept": kept, "remarks": taken.remarks,
        "hours": { "new": taken.hours.0, "corrected": taken.hours.1, "seconds": taken.hours.2 as f64 / 1e6 } })
}

fn kept_json(kept: &[(String, String)]) -> Vec<Value> {
    kept.iter().map(|(from, to)| json!({ "place": from, "kept": to })).collect()
}

/// Refuses a number behind `--go-back`, where the return stood once, in a film that has no shot of that name.
fn numbered_before(graph: &Graph, what: &[String]) -> Result<(), Failure> {
    let Some((number, more)) = what.split_first() else { return Ok(()) };
    if graph.has_shot(number)
        || more.is_empty()
        || number.is_empty()
        || !number.bytes().all(|b| b.is_ascii_digit())
    {
        return Ok(());
    }
    Err(Failure::Usage(format!(
        "--go-back takes no number; say `endboard takeback --go-back {} --return {number}`",
        show::clean(&more.join(" "))
    )))
}

fn use_return(project: &Project, arguments: &Arguments, options: &Takeback) -> Answer {
    let declared = project.read();
    if !declared.is_sound() {
        return Err(ProjectError::Unsound(Box::new(declared)).into());
    }
    numbered_before(&declared.graph, &options.what)?;
    let selection = arguments::selection(&options.what, Some(&declared.graph))?;
    let now = Zoned::now().timestamp();
    let used = project.use_return(options.version, &selection, &options.note, &writer(), now)?;
    let remarks: Vec<&String> = used.remarks.iter().chain(&used.placed.left).collect();
    let places = |all: &[(String, u32)]| all.iter().map(|(place, _)| place.clone()).collect::<Vec<_>>();
    if arguments.json {
        say!(
            "{:#}",
            json!({ "format": "endboard takeback 1", "taken": true, "version": used.version(), "places": places(&used.places),
                "already": places(&used.already), "kept": kept_json(&used.placed.kept), "remarks": remarks })
        );
        return Ok(Exit::Done);
    }
    used.places.iter().for_each(|(place, version)| flow!("{place}: return {version} is in use"));
    used.already.iter().for_each(|(place, version)| flow!("{place}: return {version} is in use already"));
    used.placed.kept.iter().for_each(|(from, to)| flow!("{}", show::clean(&taken::kept(from, to))));
    remarks.iter().for_each(|remark| flow!("{}", show::clean(remark)));
    if used.places.is_empty() {
        return Ok(Exit::Done);
    }
    flow!("next: `endboard rebuild` puts back what was rendered of it before");
    Ok(Exit::Done)
}

/// Lists open packets, or closes one.
pub fn outstanding(project: &Project, arguments: &Arguments, options: &Outstanding) -> Answer {
    let now = Zoned::now();
    if let Some(name) = &options.close {
        let (packet, remarks) = project.close_packet(name, &options.note, &writer(), now.timestamp())?;
        let (all, back) = packet.counts();
        if arguments.json {
            say!(
                "{:#}",
                json!({ "format": "endboard outstanding 1", "closed": packet.name, "frames": all, "back": back, "remarks": remarks })
            );
        } else {
            remarks.iter().for_each(|remark| flow!("{}", show::clean(remark)));
            flow!("{} is closed: {back} of {} came back", packet.name, show::frames(all));
        }
        return Ok(Exit::Done);
    }
    let status = project.status(false, &|_, _| {})?;
    people::tell_ledger(&status.ledger.1);
    let selection = arguments::selection(&options.selectors, Some(&status.declared.graph))?;
    let all = project.outstanding(&status, &selection, now.date());
    if arguments.json {
        let all: Vec<Value> = all.iter().map(out_json).collect();
        say!(
            "{:#}",
            json!({ "format": "endboard outstanding 1", "film": status.declared.graph.film, "packets": all,
                "twice": twice(&status.packets).iter().map(several::json).collect::<Vec<_>>() })
        );
        return Ok(Exit::Done);
    }
    if all.is_empty() {
        flow!("nothing is out");
    }
    for out in &all {
        flow!("{}", show::clean(&line(out)));
        for part in &out.packet.parts {
            let place = format!("{}/{}", part.shot, part.stage);
            let back = match part.back.is_empty() {
                true => "nothing back yet".to_string(),
                false => format!("{} back, {} still to come", part.back, part.left()),
            };
            let gone =
                if out.gone.contains(&place) { "; the film has no such hand stage any more" } else { "" };
            flow!("  {place}@{}: {back}{gone}", part.frames);
        }
    }
    twice(&status.packets).iter().for_each(several::say);
    Ok(Exit::Done)
}

/// Who has a packet, since when, and how its day stands, in one line.
fn line(out: &Out) -> String {
    let Out { packet, .. } = out;
    let (all, back) = packet.counts();
    let brief: String = packet.brief.chars().take(60).collect();
    let brief = if brief.is_empty() { brief } else { format!(": {brief}") };
    let since = today::day_of(packet.since);
    format!(
        "{}: {} has {} since {since}, {back} back; {}{brief}",
        packet.name,
        packet.person,
        show::frames(all),
        due(out.packet.due, out.days_left)
    )
}

fn due(due: Option<Date>, days_left: Option<i64>) -> String {
    let (Some(day), Some(left)) = (due, days_left) else { return "no day is set".into() };
    match left {
        0 => "due today".into(),
        1 => format!("due tomorrow ({day})"),
        -1 => format!("overdue since yesterday ({day})"),
        n if n > 0 => format!("due {day}, in {n} days"),
        n => format!("overdue by {} days ({day})", -n),
    }
}

fn out_json(out: &Out) -> Value {
    let packet = &out.packet;
    let parts: Vec<Value> = packet
        .parts
        .iter()
        .map(|part| {
            json!({ "shot": part.shot, "stage": part.stage, "frames": part.frames.to_string(), "back": part.back.to_string(),
                "left": part.left().to_string() })
        })
        .collect();
    let (all, back) = packet.counts();
    json!({ "packet": packet.name, "person": packet.person, "by": packet.by, "since": packet.since.to_string(),
        "due": packet.due, "days_left": out.days_left, "overdue": out.days_left.is_some_and(|days| days < 0),
        "brief": packet.brief, "frames": all, "back": back, "parts": parts, "gone": out.gone })
}

/// What is out, for `status`.
pub fn standing(project: &Project, status: &Status) -> Vec<Value> {
    project.outstanding(status, &Selection::default(), Zoned::now().date()).iter().map(out_json).collect()
}

/// A line a packet that has something of what is selected, for `status`.
pub fn say_standing(project: &Project, status: &Status, selection: &Selection) {
    for out in project.outstanding(status, selection, Zoned::now().date()) {
        flow!("out: {}", show::clean(&line(&out)));
    }
    let all = twice(&status.packets);
    all.iter().filter(|one| selection.matches(&one.shot, &one.stage).is_some()).for_each(several::say);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_a_day_stands_is_said_in_words() {
        let day: Date = "2026-12-05".parse().unwrap();
        let said = |left| due(Some(day), Some(left));
        assert_eq!(said(0), "due today");
        assert_eq!(said(1), "due tomorrow (2026-12-05)");
        assert_eq!(said(7), "due 2026-12-05, in 7 days");
        assert_eq!(said(-1), "overdue since yesterday (2026-12-05)");
        assert_eq!(said(-12), "overdue by 12 days (2026-12-05)");
        assert_eq!(due(None, None), "no day is set");
    }
}
