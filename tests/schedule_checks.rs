//! Critical paths, three-point estimates, list schedules and chance, held against values from outside.
//!
//! Values: `tests/checks/schedule.json` (networkx 3.6.1, scipy 1.17.1, numpy; the handbook formulas of CPM and PERT; Amdahl 1967,
//! Gustafson 1988 and LPT from memory, textbook). Exact ones to 1e-9; of 100,000 runs means to four standard errors and quantiles
//! to 0.1 h. With ENDBOARD_PYTHON, random networks against networkx and curves against scipy.

#[path = "outside/mod.rs"]
mod outside;

use std::collections::BTreeMap;
use std::sync::Arc;

use endboard::forecast::calendar::Calendar;
use endboard::forecast::chance::{
    Three, middle, mixed, normal, quantile, quantile_of_normal, share_of_normal,
};
use endboard::forecast::rates::Whose;
use endboard::forecast::simulate::{self, Step};
use endboard::forecast::work::{Basis, Counts, Pace, Piece, Stage, Work, Worker, paths};
use serde_json::{Value, json};

/// Exact values.
const EXACT: f64 = 1e-9;
/// The order in which each piece comes after all that it needs.
const ORDER: [&str; 9] =
    ["retime", "roto", "sound", "cleanup", "passes", "glow", "colour", "assemble", "deliver"];

fn checks() -> Value {
    let text = std::fs::read_to_string(format!("{}/tests/checks/schedule.json", env!("CARGO_MANIFEST_DIR")));
    serde_json::from_str(&text.unwrap()).unwrap()
}

#[track_caller]
fn near(got: f64, want: &Value, within: f64) {
    let want = want.as_f64().unwrap();
    assert!((got - want).abs() <= within, "{got} is not {want}");
}

fn point(hours: f64) -> Pace {
    Pace::of_three(&Three { least: hours, likely: hours, most: hours }, 0.0)
}

/// Pieces each of a stage of its own, which `workers` do day and night, so that a day has 24 hours.
fn work(pieces: &[(String, Pace, Vec<u32>)], workers: usize) -> Work {
    let calendar = Calendar::even(168.0);
    let stage = |(name, pace, _): &(String, Pace, Vec<u32>)| Stage {
        name: name.as_str().into(),
        whose: Whose::Hands,
        pace: Some(pace.clone()),
        rework: (0.0, 0.0),
        who: (0..workers).collect(),
        seed: 0,
        basis: Basis::Guessed,
        counts: Counts::Frames,
    };
    let piece = |(at, (name, _, needs)): (usize, &(String, Pace, Vec<u32>))| Piece {
        shot: name.as_str().into(),
        stage: at,
        frames: 1,
        units: 1.0,
        again: 0.0,
        begun: 0.0,
        needs: needs.clone(),
        seed: at as u64 + 1,
        only: None,
        asked: true,
        is_approval: false,
    };
    Work {
        pieces: pieces.iter().enumerate().map(piece).collect(),
        stages: pieces.iter().map(stage).collect(),
        workers: (0..workers)
            .map(|w| Worker { name: Arc::from(format!("worker {w}")), calendar: calendar.clone() })
            .collect(),
    }
}

/// The network of the checks, each piece's pace by its three points.
fn network(checks: &Value, pace: impl Fn(&Three) -> Pace) -> Vec<(String, Pace, Vec<u32>)> {
    let piece = |name: &&str| {
        let of = &checks["tasks"][*name];
        let [least, likely, most] = ["o", "m", "p"].map(|key| of[key].as_f64().unwrap());
        let after = of["after"].as_array().unwrap().iter();
        let needs = after.map(|n| ORDER.iter().position(|o| n == o).unwrap() as u32).collect();
        (name.to_string(), pace(&Three { least, likely, most }), needs)
    };
    ORDER.iter().map(piece).collect()
}

fn course(work: &Work) -> Vec<Step> {
    let hours: Vec<f64> = work.expected().into_iter().map(Option::unwrap).collect();
    simulate::course(work, &hours)
}

/// Hours until the last of the steps is done.
fn whole(steps: &[Step]) -> f64 {
    steps.iter().map(|step| step.to * 24.0).fold(0.0, f64::max)
}

#[test]
fn critical_paths() {
    let checks = checks();
    for (key, of) in
        [("cpm_most_likely", (|t: &Three| t.likely) as fn(&Three) -> f64), ("cpm_expected", Three::mean)]
    {
        let pieces = network(&checks, |three| point(of(three)));
        let lasts: Vec<f64> = pieces.iter().map(|(_, pace, _)| pace.mean()).collect();
        let (heads, tails) = paths(&lasts, |i| &pieces[i].2);
        let all = tails.iter().zip(&heads).map(|(t, h)| t + h).fold(0.0, f64::max);
        near(all, &checks[key]["duration"], EXACT);
        let mut critical = Vec::new();
        for (i, (name, _, _)) in pieces.iter().enumerate() {
            let want = &checks[key]["tasks"][name];
            let start_late = all - tails[i];
            for (got, key) in [
                (heads[i], "es"),
                (heads[i] + lasts[i], "ef"),
                (start_late, "ls"),
                (start_late + lasts[i], "lf"),
                (start_late - heads[i], "total_float"),
            ] {
                near(got, &want[key], EXACT);
            }
            let after = (0..pieces.len()).filter(|&n| pieces[n].2.contains(&(i as u32))).map(|n| heads[n]);
            near(after.fold(all, f64::min) - heads[i] - lasts[i], &want["free_float"], EXACT);
            if (start_late - heads[i]).abs() < EXACT {
                critical.push(name.clone());
            }
        }
        let mut want: Vec<String> = serde_json::from_value(checks[key]["critical_path"].clone()).unwrap();
        critical.sort_by_key(|name| ORDER.iter().position(|o| o == name));
        want.sort_by_key(|name| ORDER.iter().position(|o| o == name));
        assert_eq!(critical, want);
    }
}

#[test]
fn three_points() {
    let checks = checks();
    for (name, of) in checks["tasks"].as_object().unwrap() {
        let [least, likely, most] = ["o", "m", "p"].map(|key| of[key].as_f64().unwrap());
        near(Three { least, likely, most }.mean(), &of["te"], 1e-9);
        assert!(((most - least) / 6.0).powi(2) - of["var"].as_f64().unwrap() < 1e-9, "{name}");
    }
    for case in checks["single_task"].as_array().unwrap() {
        let [least, likely, most] = ["o", "m", "p"].map(|key| case[key].as_f64().unwrap());
        let three = Three { least, likely, most };
        let (a, b) = three.shapes();
        near(a, &case["alpha"], EXACT);
        near(b, &case["beta"], EXACT);
        near(three.mean(), &case["mean"], EXACT);
        let variance = (most - least).powi(2) * a * b / ((a + b).powi(2) * (a + b + 1.0));
        near(variance, &case["var_beta"], EXACT);
        for (p, want) in case["percentiles"].as_object().unwrap() {
            near(three.quantile(p.parse().unwrap()), want, EXACT);
        }
    }
}

#[test]
fn the_normal_curve() {
    let pert = &checks()["pert_normal"];
    let [mean, sd] = ["mean", "sd"].map(|key| pert[key].as_f64().unwrap());
    for case in pert["p_le"].as_array().unwrap() {
        let z = (case["hours"].as_f64().unwrap() - mean) / sd;
        near(share_of_normal(z), &case["p"], EXACT);
    }
    for (p, want) in pert["percentiles"].as_object().unwrap() {
        near(mean + sd * quantile_of_normal(p.parse().unwrap()), want, EXACT);
    }
}

#[test]
fn a_small_sample() {
    let sample = &checks()["stage_times"];
    let mut times: Vec<f64> = serde_json::from_value(sample["times"].clone()).unwrap();
    let (median, deviation) = middle(&times).unwrap();
    near(median, &sample["median"], EXACT);
    near(deviation, &sample["mad"], EXACT);
    times.sort_by(f64::total_cmp);
    near(quantile(&times, 0.9), &sample["p90_linear"], EXACT);
}

#[test]
fn list_schedules() {
    let checks = checks();
    let pieces = network(&checks, |three| point(three.likely));
    for (workers, want) in checks["list_schedule_most_likely"]["workers"].as_object().unwrap() {
        let steps = course(&work(&pieces, workers.parse().unwrap()));
        near(whole(&steps), &want["makespan"], EXACT);
        for step in steps {
            near(step.from * 24.0, &want["start"][ORDER[step.piece]], EXACT);
        }
    }
    for case in checks["lpt"].as_array().unwrap() {
        let jobs: Vec<f64> = serde_json::from_value(case["jobs"].clone()).unwrap();
        let pieces: Vec<_> = jobs.iter().map(|&hours| (format!("{hours}"), point(hours), vec![])).collect();
        let steps = course(&work(&pieces, case["workers"].as_u64().unwrap() as usize));
        near(whole(&steps), &case["lpt_makespan"], EXACT);
    }
}

/// A part that one must do, and then parts that all do side by side: the laws of Amdahl and Gustafson as schedules.
#[test]
fn more_hands_go_as_far_as_the_work_can_be_shared() {
    let checks = checks();
    let lasts = |parallel: f64, parts: usize, workers: usize| {
        let mut pieces = vec![("alone".to_string(), point(1.0 - parallel), vec![])];
        let part = point(parallel / parts as f64);
        pieces.extend((0..parts).map(|i| (format!("part {i}"), part.clone(), vec![0])));
        whole(&course(&work(&pieces, workers)))
    };
    for case in checks["amdahl"].as_array().unwrap() {
        let (p, n) =
            (case["parallel_fraction"].as_f64().unwrap(), case["workers"].as_u64().unwrap() as usize);
        near(lasts(p, n, 1) / lasts(p, n, n), &case["speedup"], 1e-9);
    }
    for case in checks["amdahl_limit"].as_array().unwrap() {
        let p = case["parallel_fraction"].as_f64().unwrap();
        // Of what can be shared without end nothing is left.
        let pieces =
            [("alone".to_string(), point(1.0 - p), vec![]), ("shared".to_string(), point(0.0), vec![0])];
        near(1.0 / whole(&course(&work(&pieces, 2))), &case["limit"], 1e-9);
    }
    for case in checks["gustafson"].as_array().unwrap() {
        let (p, n) =
            (case["parallel_fraction"].as_f64().unwrap(), case["workers"].as_u64().unwrap() as usize);
        // The part that is shared grows with the workers.
        let mut pieces = vec![("alone".to_string(), point(1.0 - p), vec![])];
        pieces.extend((0..n).map(|i| (format!("part {i}"), point(p), vec![0])));
        near(
            whole(&course(&work(&pieces, 1))) / whole(&course(&work(&pieces, n))),
            &case["scaled_speedup"],
            1e-9,
        );
    }
}

#[test]
fn many_runs_of_three_points() {
    let checks = checks();
    let want = &checks["monte_carlo_pert_beta"];
    let pieces = network(&checks, |three| Pace::of_three(three, 0.0));
    let runs = 100_000;
    let all = simulate::runs(&work(&pieces, pieces.len()), 7, runs);
    let mut ends: Vec<f64> = all.ends.iter().map(|day| day * 24.0).collect();
    let mean = ends.iter().sum::<f64>() / runs as f64;
    // Four standard errors of this sample and of theirs.
    let error = want["sd"].as_f64().unwrap() / (runs as f64).sqrt();
    near(mean, &want["mean"], 4.0 * (error + want["standard_error_mean"].as_f64().unwrap()));
    ends.sort_by(f64::total_cmp);
    for (p, want) in want["percentiles"].as_object().unwrap() {
        near(quantile(&ends, p.parse().unwrap()), want, 0.1);
    }
    for (piece, &n) in all.chained.iter().enumerate() {
        near(f64::from(n) / runs as f64, &want["criticality"][ORDER[piece]], 0.01);
    }
}

#[test]
fn joined_branches_end_later_than_either() {
    let want = &checks()["merge_bias"];
    let branch = Pace::of_quantiles(|p| 10.0 + 2.0 * quantile_of_normal(p), 10.0, 0.0);
    let pieces = [("one".to_string(), branch.clone(), vec![]), ("other".to_string(), branch, vec![])];
    let runs = simulate::runs(&work(&pieces, 2), 3, 100_000);
    let mean = runs.ends.iter().sum::<f64>() * 24.0 / 1e5;
    near(mean, &want["mean"], 4.0 * want["sd"].as_f64().unwrap() / 1e5f64.sqrt());
}

/// Random networks, their longest ways by networkx; quantiles of beta and lognormal curves by scipy.
#[test]
fn random_networks_and_curves_outside() {
    let mut networks = Vec::new();
    let mut ours = Vec::new();
    for n in 0..50u64 {
        let size = 2 + (mixed(n, 1) % 60) as usize;
        let lasts: Vec<f64> = (0..size).map(|i| (mixed(n, 100 + i as u64) % 1000) as f64 / 10.0).collect();
        let needs: Vec<Vec<u32>> = (0..size as u64)
            .map(|i| (0..i).filter(|&j| mixed(n * 1000 + i, j).is_multiple_of(7)).map(|j| j as u32).collect())
            .collect();
        let (heads, tails) = paths(&lasts, |i| &needs[i]);
        networks.push(json!({ "lasts": lasts, "needs": needs }));
        ours.push((heads, tails));
    }
    let curves: Vec<Value> = (0..200u64)
        .map(|i| {
            let at = |salt: u64, wide: f64| (mixed(i, salt) % 100_000) as f64 / 1e5 * wide;
            let (least, likely) = (at(1, 10.0), at(2, 10.0) + 10.0);
            let (most, p) = (likely + 0.01 + at(3, 30.0), 0.001 + at(4, 0.998));
            json!({ "least": least, "likely": likely, "most": most, "p": p, "middle": at(5, 4.0), "spread": 0.05 + at(6, 1.5) })
        })
        .collect();
    let asked = json!({ "networks": networks, "curves": curves }).to_string();
    let Some(said) = outside::outside("schedule_check.py", &[], asked.as_bytes()) else { return };
    let said: Value = serde_json::from_slice(&said).unwrap();
    for ((heads, tails), want) in ours.iter().zip(said["networks"].as_array().unwrap()) {
        for (got, key) in [(heads, "heads"), (tails, "tails")] {
            got.iter().zip(want[key].as_array().unwrap()).for_each(|(got, want)| near(*got, want, EXACT));
        }
    }
    assert_eq!(said["curves"].as_array().unwrap().len(), curves.len());
    for (curve, want) in curves.iter().zip(said["curves"].as_array().unwrap()) {
        let of = |key: &str| curve[key].as_f64().unwrap();
        let three = Three { least: of("least"), likely: of("likely"), most: of("most") };
        near(three.quantile(of("p")), &want["beta"], 1e-9 * of("most"));
        let pace = Pace::Measured { middle: of("middle"), unsure: 0.0, spread: of("spread") };
        let drawn = pace.draw(0.0, quantile_of_normal(of("p")));
        near(drawn, &want["lognormal"], 1e-9 * drawn);
        near(pace.mean(), &want["lognormal_mean"], 1e-9 * pace.mean());
    }
    // Draws against the curve that they are of, by the Kolmogorov-Smirnov distance.
    let draws: Vec<f64> = (0..20_000).map(|i| normal(mixed(11, i))).collect();
    let said =
        outside::outside("schedule_check.py", &["normal"], json!(draws).to_string().as_bytes()).unwrap();
    let distance: BTreeMap<String, f64> = serde_json::from_slice(&said).unwrap();
    assert!(distance["p"] > 0.001, "{distance:?}");
}
