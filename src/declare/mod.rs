//! YAML text → the film as declared, all problems at once.
//!
//! Knows the declaration's keys and their meaning. Does not look at the disk, and does not know
//! operators' parameters or what they compute.

pub mod crew;
pub mod deliveries;
pub mod film;
pub mod inspect;
pub mod schema;
pub mod shared;
pub mod slurm;
pub mod sound;

mod across;
mod commands;
mod found;
mod header;
mod names;
mod places;
mod plates;
mod ranges;
mod recipes;
mod references;
mod shots;
mod stages;
mod whole;

use std::collections::{BTreeSet, HashSet};

use indexmap::IndexMap;

use crate::base::problem::{Problem, Problems, SourceId, Sources};
use crate::base::value::{Fields, Map, Node, Value};
use crate::base::yaml;
use crate::declare::film::{At, Film};
use crate::declare::found::Found;

pub use names::path_fault;
pub use places::{DECLARATION, taken};
pub use recipes::{Load, SHIPPED};

/// Reads the film that text `main` of `sources` declares. `load` hands over the text of a recipe file
/// by its path in the project, or says why it cannot; the texts join `sources`, so that problems can
/// point into them.
///
/// Every problem of all texts comes back, in the order of the texts. The film holds what is sound:
/// plates and shots with an error are left out. With an error among the problems it serves for further
/// checks only, never to render. There is no film when its rate, frame size or shots cannot be read.
pub fn read(sources: &mut Sources, main: SourceId, load: Load<'_>) -> (Option<Film>, Problems) {
    let mut found = Found::default();
    let text = sources.get(main).text.clone();
    let (value, problems) = yaml::parse(main, &text);
    found.extend("", problems);
    let film = value.and_then(|value| read_film(&value, sources, load, &mut found));
    (film, found.finish())
}

fn read_film(value: &Value, sources: &mut Sources, load: Load<'_>, found: &mut Found) -> Option<Film> {
    let mut fields = found.keep("", Fields::of(value, "the film"))?;
    let header = header::read(&mut fields, value.span, found);
    let list = fields.get("recipes");
    let plates = fields.get("plates");
    let shots = fields.need("shots");
    let across = fields.get("across");
    let assembly = fields.get("assembly");
    let prints = fields.get("prints");
    let sound = fields.get("sound").filter(|value| value.node != Node::Null);
    let judged = fields.get("inspect");
    let deliveries = fields.get("deliveries");
    let (crew, due) = (fields.get("crew"), fields.get("due"));
    let shared = fields.get("shared");
    let slurm = fields.get("slurm").filter(|value| value.node != Node::Null);
    found.extend("", fields.finish());

    let mut recipes = recipes::Recipes::read(list, sources, &mut *load, &header.pools, found);
    let heard = sound.is_some();
    let sound = sound.and_then(|value| sound::read(value, sources, load, found));
    let (plates, unsound) = plates.map_or_else(Default::default, |value| plates::read(value, found));
    let shots_value = shots?;
    let shots =
        found.keep("shots", shots_value.map().ok_or_else(|| shots_value.wrong("a map of shots by name")))?;
    if shots.entries.is_empty() {
        found.push("", Problem::error(shots_value.span, "the film has no shots"));
    }
    want_recipes(shots, &mut recipes, sources, &header.pools, found);
    let mut across = across::Across::read(across, found);
    let unsound: HashSet<String> = unsound.into_iter().collect();
    let around = shots::Surroundings {
        handles: header.handles,
        plates: &plates,
        unsound_plates: &unsound,
        recipes: &recipes,
        pools: &header.pools,
    };
    let assembly = assembly.and_then(|value| whole::read_assembly(value, &header.pools, found));
    let prints = prints.map_or_else(IndexMap::new, |value| {
        whole::read_prints(value, assembly.is_some(), &header.pools, found)
    });
    let assembled = assembly.is_some();
    let made_of = deliveries::Around { assembled, prints: &prints, heard, sound: sound.as_ref() };
    let deliveries = deliveries.map_or_else(IndexMap::new, |value| deliveries::read(value, &made_of, found));
    let (assembly, assembly_from) = assembly.map_or((None, None), |(stage, from)| (Some(stage), from));
    let mut taken = whole::Taken::new(assembly_from.as_ref());
    let read = shots::read(shots, &around, &mut across, &mut taken, found);
    across.finish(shots.entries.iter().map(|(key, _)| key.text.as_str()), found);
    taken.finish(found);
    whole::check_length(shots_value.span, &read, &plates, found);
    whole::check_hands(&read, &plates, found);
    let inspect = judged.and_then(|value| inspect::read(value, &read, header.frame_size, found));
    let crew = crew.and_then(|value| {
        let stages = stage_names(&read, assembled, &prints, heard);
        crew::read(value, &stages, found)
    });
    let due = due.and_then(|value| crew::due(value, found));
    let shared = shared.and_then(|value| shared::read(value, found));
    let slurm = slurm.and_then(|value| slurm::read(value, &header.pools, found));
    slurm::check_memory(slurm.as_ref(), &read, found);
    let left_out = shots.entries.iter().map(|(key, _)| &key.text).filter(|name| !read.contains_key(*name));
    Some(Film {
        left_out: left_out.cloned().collect(),
        name: header.name,
        rate: header.rate?,
        frame_size: header.frame_size?,
        working_space: header.working_space,
        cut: header.cut,
        plates,
        shots: read,
        pools: header.pools,
        assembly,
        assembly_from,
        prints,
        sound,
        inspect,
        deliveries,
        crew,
        due,
        shared,
        slurm,
    })
}

/// The names of all stages that people may work on.
fn stage_names<'a>(
    shots: &'a IndexMap<String, film::Shot>,
    assembled: bool,
    prints: &'a IndexMap<String, film::Stage>,
    heard: bool,
) -> BTreeSet<&'a str> {
    let stages = shots.values().flat_map(|shot| shot.stages.keys());
    let whole = [(assembled, "assembly"), (heard, "mix")];
    let whole = whole.into_iter().filter_map(|(is_there, name)| is_there.then_some(name));
    stages.chain(prints.keys()).map(String::as_str).chain(whole).collect()
}

/// Reads the shipped recipes that shots name.
fn want_recipes(
    shots: &Map,
    recipes: &mut recipes::Recipes,
    sources: &mut Sources,
    pools: &IndexMap<String, At<u32>>,
    found: &mut Found,
) {
    for (_, value) in &shots.entries {
        if let Some(Ok(name)) = value.map().and_then(|map| map.get("recipe")).map(Value::text) {
            recipes.want(name, sources, pools, found);
        }
    }
}
