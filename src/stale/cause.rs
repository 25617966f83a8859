//! What made a frame necessary, in a few words for the ledger.
//!
//! Knows what its last render was made of and what it is made of now. Does not know how long anything took.

use std::sync::Arc;

use super::explain::{Setting, is_assembly};
use super::words::differing;
use crate::base::made::MadeOf;
use crate::graph::{FROM, Graph, Ingredient, NodeId};

/// Named settings as they are remembered of a render.
pub fn settings(ingredients: &[Ingredient]) -> Vec<Setting> {
    ingredients.iter().map(|i| (i.name.clone(), i.digest, i.text.clone())).collect()
}

/// In a few words for the ledger, what made a frame necessary when nothing above it did. `old` is what its last render
/// was made of and `then` the settings of that render.
pub fn cause(
    graph: &Graph,
    id: NodeId,
    old: Option<&MadeOf>,
    then: Option<&[Setting]>,
    now: &MadeOf,
) -> Arc<str> {
    let node = &graph.nodes[id];
    let Some(old) = old else { return "first render".into() };
    let own = old.identity != now.identity || old.parameters != now.parameters;
    let of_stage = own || is_assembly(&node.work);
    let Some(then) = then else {
        return if of_stage { "changed settings" } else { "changed input frames" }.into();
    };
    let now = settings(&node.ingredients);
    let changes = differing(then, &now);
    // Where only inputs changed, settings play no part, but where the inputs come from may.
    let is_told = |name: &&str| of_stage || name.starts_with(FROM);
    let names: Vec<&str> = changes.iter().map(|change| change.name).filter(is_told).collect();
    match (names.is_empty(), node.source()) {
        (false, _) => names.join(", ").into(),
        (true, Some(source)) if of_stage => {
            let source = &graph.sources[source];
            format!("{} {}", if source.by_hand { "hands" } else { "plate" }, source.name).into()
        }
        (true, None) if own => "changed settings".into(),
        _ => "changed input frames".into(),
    }
}
