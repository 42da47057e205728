//! `derig check`: mishaps named first, nothing named in vain, its result against its schema, its exit
//! codes. On the scenes beside the project too, where they are there; `xtask check-faults` prints all.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]
#![allow(
    clippy::print_stdout,
    reason = "a skipped check must not pass in silence"
)]

mod altered;
mod independent;
mod schema;
mod shoot;

use std::path::Path;

use derig::check::{
    Answer, Bearing, CHECK_SCHEMA, CHECK_VERSION, Fault, FrameCheck, PlateToCheck, Reason,
    SmallFrame, sum_up,
};
use derig::photo::{self, CameraFacts, Existing, Format, Metadata, PictureSettings, ReadLimits};
use derig::scene::{Encoding, Samples};
use serde_json::Value;

use altered::{MISHAPS, Mishap, Shots};
use shoot::{Shoot, read, said};

const SAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/samples");
const SCENES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../shared/scenes/dev");

fn small(samples: &Samples, camera: CameraFacts) -> SmallFrame {
    let facts = (camera, PictureSettings::default());
    SmallFrame::from_samples(samples, &Encoding::srgb(256), facts)
}

fn checked(shots: &Shots) -> FrameCheck {
    let untold = CameraFacts::default;
    let plate = PlateToCheck::new(small(&shots.plate, untold()));
    plate.check(0, &small(&shots.lit, untold()))
}

fn name(fault: Fault) -> String {
    let name = serde_json::to_value(fault).unwrap();
    name.as_str().unwrap().to_owned()
}

/// Reasons whose advice does not fit how much they matter: what is noted keeps nobody from going home,
/// and what is more has something to be done about it.
fn ill_advised(told: &FrameCheck) -> impl Iterator<Item = &Reason> {
    told.reasons.iter().filter(|reason| {
        let again = reason.now.contains(" again");
        reason.now.is_empty() || again && reason.bearing == Bearing::Noted
    })
}

/// What went wrong with a scene's frame and its altered copies: nothing, but for `known` misses.
fn misses(folder: &Path, number: usize) -> Vec<String> {
    let shots = Shots::read(folder, number);
    let who = format!("{} {number}", folder.file_name().unwrap().display());
    let mut misses = Vec::new();
    for reason in checked(&shots).reasons {
        if reason.bearing > Bearing::Noted {
            misses.push(format!(
                "{who} as it is: {} ({})",
                name(reason.fault),
                reason.weight
            ));
        }
    }
    for mishap in MISHAPS {
        if let Some(after) = mishap.happens_to(&shots) {
            let told = checked(&after);
            let names: Vec<String> = told.reasons.iter().map(|r| name(r.fault)).collect();
            let at = names.iter().position(|n| n == mishap.fault());
            let is_told = at.is_some_and(|at| at == 0 || !mishap.comes_first());
            if mishap.is_found_anywhere() && !is_told {
                misses.push(format!("{who} {mishap:?}: told are {names:?}"));
            }
            misses.extend(ill_advised(&told).map(|r| format!("{who} {mishap:?}: {r:?}")));
        }
    }
    misses
}

#[test]
fn mishaps_of_the_samples_are_named_first_and_nothing_in_vain() {
    for scene in ["boatyard", "greenhouse"] {
        let found = misses(&Path::new(SAMPLES).join(scene), 1);
        assert!(found.is_empty(), "{found:#?}");
    }
}

/// One frame of each scene; all of them are measured by `xtask check-faults`.
#[test]
fn mishaps_of_the_evaluation_scenes_are_named_first() {
    let Ok(entries) = std::fs::read_dir(SCENES) else {
        println!("SKIPPED: there are no scenes in {SCENES}");
        return;
    };
    let mut folders: Vec<_> = entries.map(|e| e.unwrap().path()).collect();
    folders.sort();
    for folder in folders.iter().filter(|f| f.join("scene.json").is_file()) {
        let shots = Shots::read(folder, 1);
        let vain: Vec<_> = checked(&shots)
            .reasons
            .into_iter()
            .filter(|r| r.bearing > Bearing::Noted)
            .collect();
        assert!(vain.is_empty(), "{}: {vain:#?}", folder.display());
        for mishap in [Mishap::Zoom, Mishap::DarkerPlate, Mishap::PersonLeft] {
            if let Some(after) = mishap.happens_to(&shots) {
                let told = checked(&after);
                let first = told.reasons.first().map(|r| name(r.fault));
                let who = folder.display();
                assert_eq!(first.as_deref(), Some(mishap.fault()), "{who} {mishap:?}");
                // Whoever covers all of the gear's place leaves nothing that tells that it is needed.
                let fair: &[Answer] = match mishap {
                    Mishap::PersonLeft => &[Answer::ShootAgain, Answer::CannotTell],
                    _ => &[Answer::ShootAgain],
                };
                assert!(fair.contains(&told.answer), "{who} {mishap:?}: {told:#?}");
            }
        }
    }
}

#[test]
fn changed_settings_are_told_from_the_tags_alone() {
    let shots = Shots::read(&Path::new(SAMPLES).join("boatyard"), 1);
    let facts = |exposure_time: f64, time: &str| CameraFacts {
        exposure_time: Some(exposure_time),
        f_number: Some(8.0),
        iso: Some(100),
        focal_length: Some(24.0),
        date_time_original: Some(time.to_owned()),
        ..CameraFacts::default()
    };
    let check = |plate: CameraFacts| {
        let plate = PlateToCheck::new(small(&shots.plate, plate));
        let lit = facts(1.0 / 160.0, "2026:06:14 15:12:27");
        plate.check(0, &small(&shots.lit, lit))
    };
    let same = check(facts(1.0 / 160.0, "2026:06:14 15:12:48"));
    assert_eq!(same.answer, Answer::Go, "{:#?}", same.reasons);
    let slower = check(facts(1.0 / 100.0, "2026:06:14 15:12:48"));
    let first = &slower.reasons[0];
    assert_eq!(first.fault, Fault::ExposureChanged);
    assert!(
        first.what.contains("1/100 s for the plate"),
        "{}",
        first.what
    );
    let late = check(facts(1.0 / 160.0, "2026:06:14 15:52:27"));
    assert_eq!(late.reasons[0].fault, Fault::PlateLate);
    assert!((late.reasons[0].measured.value - 40.0).abs() < 1e-9);
    assert_eq!(late.answer, Answer::ShootAgain);
    let rather_late = check(facts(1.0 / 160.0, "2026:06:14 15:25:27"));
    let first = rather_late
        .reasons
        .iter()
        .find(|r| r.fault == Fault::PlateLate);
    let first = first.unwrap();
    assert_eq!(first.bearing, Bearing::Noted);
    assert!(first.now.starts_with("nothing if"), "{}", first.now);
    let zoomed = check(CameraFacts {
        focal_length: Some(28.0),
        ..facts(1.0 / 160.0, "2026:06:14 15:12:48")
    });
    assert_eq!(zoomed.reasons[0].fault, Fault::Zoomed);
}

#[test]
fn frames_that_do_not_belong_together_are_told_as_such() {
    let boatyard = Shots::read(&Path::new(SAMPLES).join("boatyard"), 1);
    let greenhouse = Shots::read(&Path::new(SAMPLES).join("greenhouse"), 1);
    let mixed = Shots {
        lit: boatyard.lit.clone(),
        plate: greenhouse.plate,
        labels: boatyard.labels.clone(),
    };
    let told = checked(&mixed);
    assert_eq!(told.answer, Answer::ShootAgain);
    assert_eq!(told.reasons[0].fault, Fault::DoesNotLineUp);
    let same = Shots {
        plate: boatyard.lit.clone(),
        ..boatyard
    };
    assert_eq!(checked(&same).reasons[0].fault, Fault::SamePicture);
}

#[test]
fn a_set_up_is_as_good_as_its_worst_frame() {
    let folder = Path::new(SAMPLES).join("boatyard");
    let (one, two) = (Shots::read(&folder, 1), Shots::read(&folder, 2));
    let good = checked(&two);
    let bad = checked(&Mishap::DarkerPlate.happens_to(&one).unwrap());
    let set_up = sum_up(&[good, bad]);
    assert_eq!(set_up.answer, Answer::ShootAgain);
    assert_eq!(set_up.again, [derig::check::Shot::Plate]);
    assert_eq!(set_up.reasons[0].fault, Fault::ExposureChanged);
    for (i, reason) in set_up.reasons.iter().enumerate() {
        let again = set_up.reasons[..i].iter().any(|r| r.fault == reason.fault);
        assert!(!again, "{:?} is told twice", reason.fault);
    }
}

fn json(output: &std::process::Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn the_result_meets_its_schema_and_the_exit_code_tells_the_answer() {
    let shoot = Shoot::new();
    let output = shoot.derig(&[
        "check",
        "lit-1.jpg",
        "lit-2.jpg",
        "--plate",
        "plate.jpg",
        "--json",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let go = json(&output);
    assert_eq!(go["set_up"]["answer"], "go");
    assert_eq!(go["check_version"], CHECK_VERSION);
    let mut samples = read(&shoot.path("plate.jpg"));
    if let derig::scene::CodeValues::Eight(v) = &mut samples.values {
        for v in v.iter_mut() {
            *v = (f32::from(*v) * 0.7) as u8;
        }
    }
    photo::write(
        &shoot.path("dark.png"),
        samples,
        &Metadata::default(),
        Format::Png,
        Existing::Keep,
    )
    .unwrap();
    let output = shoot.derig(&["check", "lit-1.jpg", "--plate", "dark.png", "--json"]);
    assert_eq!(output.status.code(), Some(4), "{}", said(&output));
    let again = json(&output);
    assert_eq!(
        again["frames"][0]["reasons"][0]["fault"],
        "exposure-changed"
    );
    assert!(
        said(&output).contains("shoot again the plate"),
        "{}",
        said(&output)
    );
    std::fs::write(shoot.path("torn.jpg"), b"\xff\xd8\xff\xe0 torn").unwrap();
    let output = shoot.derig(&[
        "check",
        "torn.jpg",
        "lit-1.jpg",
        "--plate",
        "plate.jpg",
        "--json",
    ]);
    assert_eq!(output.status.code(), Some(1));
    let failed = json(&output);
    assert_eq!(failed["frames"][0]["answer"], Value::Null);
    assert_eq!(failed["frames"][1]["answer"], "go");

    let schema: Value = serde_json::from_str(CHECK_SCHEMA).unwrap();
    let printed = shoot.derig(&["settings", "--check-schema"]);
    assert_eq!(json(&printed), schema);
    for result in [&go, &again, &failed] {
        let faults = schema::faults(&schema, result);
        assert!(faults.is_empty(), "{faults:#?}");
        if let Some(found) = schema::independent_faults(&schema, result) {
            assert!(found.is_empty(), "{found:#?}");
        }
    }
}

#[test]
fn the_schema_knows_every_fault() {
    let schema: Value = serde_json::from_str(CHECK_SCHEMA).unwrap();
    let known = schema["$defs"]["reason"]["properties"]["fault"]["enum"].as_array();
    let known: Vec<_> = known
        .unwrap()
        .iter()
        .map(|v| v.as_str().unwrap().to_owned())
        .collect();
    let all: Vec<_> = Fault::ALL.iter().map(|f| name(*f)).collect();
    assert_eq!(known, all);
}

/// The better of two plates is the one that is told of.
#[test]
fn each_frame_is_told_of_the_plate_that_serves_it_best() {
    let shoot = Shoot::new();
    let mut samples = photo::read(&shoot.path("plate.jpg"), &ReadLimits::default())
        .unwrap()
        .samples;
    if let derig::scene::CodeValues::Eight(v) = &mut samples.values {
        for v in v.iter_mut() {
            *v = (f32::from(*v) * 0.7) as u8;
        }
    }
    let metadata = Metadata::default();
    let dark = shoot.path("dark.png");
    photo::write(&dark, samples, &metadata, Format::Png, Existing::Keep).unwrap();
    let output = shoot.derig(&[
        "check",
        "lit-1.jpg",
        "--plate",
        "dark.png",
        "--plate",
        "plate.jpg",
        "--json",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert_eq!(json(&output)["frames"][0]["plate"], "plate.jpg");
}
