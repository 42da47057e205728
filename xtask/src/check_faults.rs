//! Are mishaps of a shoot named, and nothing else?

use std::collections::BTreeMap;
use std::error::Error;
use std::path::{Path, PathBuf};

use derig::check::{Bearing, FrameCheck, PlateToCheck, SmallFrame};
use derig::photo::{CameraFacts, PictureSettings};
use derig::scene::{Encoding, Samples};

use crate::altered::{MISHAPS, Mishap, Shots};

/// What came of one kind of mishap.
#[derive(Default)]
struct Tally {
    made: usize,
    first: usize,
    named: usize,
    asked_again: usize,
}

/// Makes every mishap happen to every frame of the sets, prints what `check` says, then the table.
pub fn count(sets: &[PathBuf], telling: Telling, only: &[String]) -> Result<(), Box<dyn Error>> {
    let is_wanted =
        |mishap: &Mishap| only.is_empty() || only.iter().any(|o| *o == format!("{mishap:?}"));
    let mut tallies: BTreeMap<String, Tally> = BTreeMap::new();
    let (mut unaltered, mut clean, mut named_in_vain) = (0, 0, 0);
    let mut right_firsts = 0;
    for folder in folders(sets)? {
        let scene = crate::scenes::read(&folder)?;
        let encoding = &scene.plate.encoding;
        for (index, lit) in scene.lit.iter().enumerate() {
            let shots = Shots {
                lit: lit.samples.clone(),
                plate: scene.plate.samples.clone(),
                labels: scene.labels[index].clone(),
            };
            let who = format!("{} {}", scene.name, index + 1);
            let told = checked(&shots, encoding);
            unaltered += 1;
            let faults = told.reasons.iter().filter(|r| r.bearing > Bearing::Noted);
            let faults = faults.count();
            clean += usize::from(faults == 0);
            named_in_vain += faults;
            tell(&who, "as it is", &told, telling);
            for mishap in MISHAPS.into_iter().filter(is_wanted) {
                let Some(after) = mishap.happens_to(&shots) else {
                    continue;
                };
                let told = checked(&after, encoding);
                let tally = tallies.entry(format!("{mishap:?}")).or_default();
                tally.made += 1;
                let is_it = |fault: &derig::check::Fault| name(fault) == mishap.fault();
                let first = told.reasons.first().is_some_and(|r| is_it(&r.fault));
                tally.first += usize::from(first);
                right_firsts += usize::from(first);
                tally.named += usize::from(told.reasons.iter().any(|r| is_it(&r.fault)));
                tally.asked_again += usize::from(told.answer == derig::check::Answer::ShootAgain);
                if !first || telling == Telling::All {
                    tell(&who, &format!("{mishap:?}"), &told, telling);
                }
            }
        }
    }
    println!("\n| mishap | made | named first | named | shoot again |\n|---|---|---|---|---|");
    let mut all = Tally::default();
    for (mishap, t) in &tallies {
        println!(
            "| {mishap} | {} | {} | {} | {} |",
            t.made, t.first, t.named, t.asked_again
        );
        all.made += t.made;
        all.first += t.first;
        all.named += t.named;
        all.asked_again += t.asked_again;
    }
    println!(
        "| all | {} | {} | {} | {} |",
        all.made, all.first, all.named, all.asked_again
    );
    println!(
        "\nunaltered: {unaltered} frames, {clean} without a fault, {named_in_vain} faults named in vain"
    );
    println!(
        "recall {:.3} (named first), precision {:.3} (faults named first among those and the ones named in vain)",
        right_firsts as f64 / all.made.max(1) as f64,
        right_firsts as f64 / (all.made + named_in_vain).max(1) as f64
    );
    Ok(())
}

/// What is printed of each check.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Telling {
    Misses,
    All,
}

fn folders(sets: &[PathBuf]) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let mut all = Vec::new();
    for set in sets {
        if set.join("scene.json").is_file() {
            all.push(set.clone());
        } else {
            all.extend(crate::scenes::folders(Path::new(set))?);
        }
    }
    Ok(all)
}

fn checked(shots: &Shots, encoding: &Encoding) -> FrameCheck {
    let small = |samples: &Samples| {
        let facts = (CameraFacts::default(), PictureSettings::default());
        SmallFrame::from_samples(samples, encoding, facts)
    };
    PlateToCheck::new(small(&shots.plate)).check(0, &small(&shots.lit))
}

fn name(fault: &derig::check::Fault) -> String {
    serde_json::to_value(fault)
        .ok()
        .and_then(|v| v.as_str().map(ToOwned::to_owned))
        .unwrap_or_default()
}

fn tell(who: &str, what: &str, told: &FrameCheck, telling: Telling) {
    let reasons: Vec<String> = told
        .reasons
        .iter()
        .filter(|r| telling == Telling::All || r.bearing > Bearing::Noted || what != "as it is")
        .map(|r| {
            format!(
                "{}{} {:.2} ({:.2})",
                match r.bearing {
                    Bearing::Noted => "",
                    Bearing::Doubtful => "?",
                    Bearing::Spoils => "!",
                },
                name(&r.fault),
                r.weight,
                r.measured.value
            )
        })
        .collect();
    println!(
        "{who:20} {what:14} {}: {}",
        told.answer.words(),
        reasons.join(", ")
    );
}
