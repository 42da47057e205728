//! `derig demo`: two small scenes that come with the program, written out and cleaned.

use std::path::{Path, PathBuf};

use super::args::{CleanArgs, DemoArgs};
use super::clean;
use super::exit_status::ExitStatus;
use super::messages::{Failure, Messages};
use super::plan::RunPlan;
use super::plan_line::PlanLine;
use super::settings::InForce;
use crate::photo::{self, Existing};

/// A sample scene; `samples/README.md` says where it is from.
struct Scene {
    name: &'static str,
    about: &'static str,
    plate: &'static [u8],
    lit: &'static [(&'static str, &'static [u8])],
}

const PLATE_NAME: &str = "plate.jpg";
const CLEANED: &str = "cleaned";

/// Relative to this file, so that the binary carries its samples.
macro_rules! sample {
    ($name:literal) => {
        include_bytes!(concat!(env!("CARGO_MANIFEST_DIR"), "/samples/", $name))
    };
}

const SCENES: [Scene; 2] = [
    Scene {
        name: "boatyard",
        about: "outdoors: a softbox on a boom against drifting clouds, two poses",
        plate: sample!("boatyard/plate.jpg"),
        lit: &[
            ("lit-1.jpg", sample!("boatyard/lit-1.jpg")),
            ("lit-2.jpg", sample!("boatyard/lit-2.jpg")),
        ],
    },
    Scene {
        name: "greenhouse",
        about: "under glass, no sky: a bare head and a reflector, two poses",
        plate: sample!("greenhouse/plate.jpg"),
        lit: &[
            ("lit-1.jpg", sample!("greenhouse/lit-1.jpg")),
            ("lit-2.jpg", sample!("greenhouse/lit-2.jpg")),
        ],
    },
];

/// Writes the scenes into the folder and cleans each.
///
/// # Errors
/// [`Failure`] as `derig clean`'s, and when the samples cannot be written.
pub(super) fn run(typed: &DemoArgs, messages: &Messages) -> Result<ExitStatus, Failure> {
    let existing = if typed.overwrite {
        Existing::Replace
    } else {
        Existing::Keep
    };
    let mut plans = Vec::new();
    for scene in &SCENES {
        let folder = typed.folder.join(scene.name);
        write_scene(scene, &folder, existing)?;
        plans.push((scene, plan(scene, &folder, typed)?));
    }
    let mut worst = ExitStatus::AllDone;
    for (scene, plan) in plans {
        messages.line(&format!("{}: {}", scene.name, scene.about));
        let status = clean::run(&plan, messages)?;
        if status != ExitStatus::AllDone {
            worst = status;
        }
    }
    messages.line(&format!(
        "look at `{}` beside the lit frames one folder up",
        typed.folder.join(SCENES[0].name).join(CLEANED).display()
    ));
    Ok(worst)
}

fn write_scene(scene: &Scene, folder: &Path, existing: Existing) -> Result<(), Failure> {
    let failure = |error: photo::PhotoError| Failure {
        hint: error.hint().map(ToOwned::to_owned),
        error: Box::new(error),
        status: ExitStatus::WrongUsage,
    };
    std::fs::create_dir_all(folder).map_err(|e| Failure {
        error: format!("cannot make the folder `{}`: {e}", folder.display()).into(),
        hint: Some("name a folder that you may write into".to_owned()),
        status: ExitStatus::WrongUsage,
    })?;
    photo::store(&folder.join(PLATE_NAME), scene.plate, existing).map_err(failure)?;
    for (name, bytes) in scene.lit {
        photo::store(&folder.join(name), bytes, existing).map_err(failure)?;
    }
    Ok(())
}

fn plan(scene: &Scene, folder: &Path, typed: &DemoArgs) -> Result<RunPlan, Failure> {
    let lit: Vec<PathBuf> = scene
        .lit
        .iter()
        .map(|(name, _)| folder.join(name))
        .collect();
    let line = PlanLine::new(1, vec![folder.join(PLATE_NAME)], lit, "as named".to_owned());
    let typed = CleanArgs {
        overwrite: typed.overwrite,
        ..CleanArgs::with_settings(None)
    };
    RunPlan::from_set_ups(&[line], &typed, &InForce::built_in(folder.join(CLEANED)))
}
