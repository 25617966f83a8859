//! What Slurm refused of a submission → which line of the declaration asks for it, and what shows what there is.
//!
//! Knows the words of its errors (slurm_errno.c and sbatch, 22.05). Asks nothing.

use crate::project::Declared;

/// What asks for something: the key, and how it is told with its place.
pub(super) type Keys = Vec<(String, String)>;

/// The keys of `slurm`, with their places.
pub(super) fn keys(declared: &Declared) -> Keys {
    let slurm = declared.film.as_ref().and_then(|film| film.slurm.as_ref());
    let keys = slurm.into_iter().flat_map(|slurm| &slurm.at);
    let told = |(key, pool, span): &(String, Option<String>, crate::base::problem::Span)| {
        let of = pool.as_ref().map_or(String::new(), |pool| format!(" of pool '{pool}'"));
        let (line, _) = declared.sources.position(*span);
        (key.clone(), format!("'{key}'{of}, {}:{line}", declared.sources.get(span.source).path))
    };
    keys.map(told).collect()
}

/// Where to look, and a way on.
pub(super) fn way(words: &str, keys: &Keys) -> String {
    const CAUSES: [(&[&str], &[&str], &str); 8] = [
        (&["license"], &["licenses"], "scontrol show licenses"),
        (&["gres", "generic resource"], &["gres"], "sinfo --format='%N %G'"),
        (&["cpu count"], &["processors"], "sinfo --format='%N %c'"),
        (&["memory"], &["memory"], "sinfo --format='%N %m'"),
        (&["time limit"], &["time"], "scontrol show partition"),
        (&["account"], &["account"], "sacctmgr show associations"),
        (&["qos"], &["qos"], "sacctmgr show qos"),
        (&["partition"], &["partition"], "sinfo --summarize"),
    ];
    let lower = words.to_ascii_lowercase();
    let cause = CAUSES.iter().find(|(says, ..)| says.iter().any(|word| lower.contains(word)));
    let (wanted, shows): (&[&str], &str) = match cause {
        Some((_, wanted, shows)) => (wanted, shows),
        None if lower.contains("node configuration") => {
            (&["processors", "memory", "gres"], "sinfo --format='%N %c %m %G'")
        }
        None => return "see 'slurm' in the declaration, and what `sinfo` shows".into(),
    };
    let told: Vec<&str> = keys
        .iter()
        .filter(|(key, _)| wanted.contains(&key.as_str()))
        .map(|(_, told)| told.as_str())
        .collect();
    let see = match told.is_empty() {
        // The cluster's own, where nothing is said.
        true => format!("'slurm' in the declaration says nothing of '{}'", wanted.join("', '")),
        false => format!("see {}", told.join(" and ")),
    };
    format!("{see}; `{shows}` shows what there is")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_names_the_line_that_asks_and_what_shows_what_there_is() {
        let keys: Keys = [
            ("memory", "'memory', e:4"),
            ("licenses", "'licenses' of pool 'key', e:5"),
            ("gres", "'gres' of pool 'card', e:6"),
        ]
        .map(|(key, told)| (key.into(), told.into()))
        .into();
        for (words, want) in [
            (
                "Batch job submission failed: Invalid license specification",
                "see 'licenses' of pool 'key', e:5; `scontrol show licenses` shows",
            ),
            (
                "Memory specification can not be satisfied; Batch job submission failed: Requested node configuration is not available",
                "see 'memory', e:4; `sinfo --format='%N %m'`",
            ),
            (
                "Batch job submission failed: Requested node configuration is not available",
                "see 'memory', e:4 and 'gres' of pool 'card', e:6; `sinfo",
            ),
            (
                "CPU count per node can not be satisfied",
                "'slurm' in the declaration says nothing of 'processors'; `sinfo",
            ),
            ("Invalid account or account/partition combination specified", "nothing of 'account'"),
            ("something new", "see 'slurm' in the declaration"),
        ] {
            let said = way(words, &keys);
            assert!(said.contains(want), "{words}: {said}");
        }
    }
}
