//! Chores of the project: `cargo run -p xtask --profile quick -- <chore>`.

#[path = "../../tests/altered/mod.rs"]
mod altered;
mod batch;
mod bench;
mod check_faults;
mod corrections;
mod manual;
mod photographs;
mod pictures;
mod pixels;
mod registered;
mod scenes;
mod shoot;
mod table;

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Chores of the project.
#[derive(Parser)]
struct Arguments {
    #[command(subcommand)]
    chore: Chore,
}

#[derive(Subcommand)]
enum Chore {
    /// Measure the pieces of every frame of a folder of scenes and write the training table.
    Table {
        /// Folder of scenes with labels.
        scenes: PathBuf,
        /// The table to write.
        #[arg(default_value = "models/pieces.csv")]
        table: PathBuf,
    },
    /// Measure the pixels near the outline of gear of every frame and write the table of pixels.
    Pixels {
        /// Folder of scenes with labels.
        scenes: PathBuf,
        /// The table of pieces, for models that never saw a scene.
        #[arg(default_value = "models/pieces.csv")]
        pieces: PathBuf,
        /// The table to write.
        #[arg(default_value = "models/pixels.csv")]
        table: PathBuf,
    },
    /// Train the outline's model from the table of pixels, and score it with scenes left out.
    TrainPixels {
        /// The table.
        #[arg(default_value = "models/pixels.csv")]
        table: PathBuf,
        /// Folder for the model.
        #[arg(default_value = "models")]
        models: PathBuf,
    },
    /// Clean the frames of a set of scenes and count wrong regions that one point or box puts right.
    Corrections {
        /// Folder of scenes.
        set: PathBuf,
    },
    /// Set the frames of a set of scenes into photographs: scenes with real haze, blur and skies.
    Photographs {
        /// Folder of photographs (JPEG); beside each, `NAME-sky.png` may say what is sky and drifts.
        photographs: PathBuf,
        /// Folder of scenes.
        scenes: PathBuf,
        /// Folder for the new scenes.
        out: PathBuf,
    },
    /// Write manual pages and shell completions, for packages.
    Manual {
        /// Folder for them.
        #[arg(default_value = "target/manual")]
        folder: PathBuf,
    },
    /// Write the README's pictures from a sample scene.
    Pictures {
        /// Folder of the scene.
        #[arg(default_value = "samples/greenhouse")]
        samples: PathBuf,
        /// Folder for the pictures.
        #[arg(default_value = "samples/pictures")]
        folder: PathBuf,
    },
    /// Register the frames of a set of scenes and print how far each is from the truth.
    Registered {
        /// Folder of scenes.
        set: PathBuf,
    },
    /// Mix the frames of sets of scenes, sort them, and count set-ups and plates found.
    Shoot {
        /// Folders of scenes.
        #[arg(required = true)]
        sets: Vec<PathBuf>,
        /// Judge by content alone.
        #[arg(long)]
        without_tags: bool,
    },
    /// Let mishaps happen to every frame of sets of scenes, and count those that `check` names first.
    CheckFaults {
        /// Folders of scenes, or scenes.
        #[arg(required = true)]
        sets: Vec<PathBuf>,
        /// Print what is said of every copy.
        #[arg(long)]
        all: bool,
        /// These mishaps alone, by the names that the table shows
        #[arg(long, value_delimiter = ',')]
        only: Vec<String>,
    },
    /// Train both models from the table, and score them scene by scene with the scene left out.
    Train {
        /// The table.
        #[arg(default_value = "models/pieces.csv")]
        table: PathBuf,
        /// Folder for the models.
        #[arg(default_value = "models")]
        models: PathBuf,
    },
    /// Write many large frames of one set-up, to measure a long batch.
    Batch {
        /// The scene.
        scene: PathBuf,
        /// Folder for the frames.
        folder: PathBuf,
        #[arg(long, default_value_t = 200)]
        frames: usize,
    },
    /// Measure whole runs on 6 to 48 megapixels beside decoding and encoding alone.
    Bench(bench::BenchArgs),
    /// Decode plate and lit frames and encode the lit frames again: the floor of `bench`.
    #[command(hide = true)]
    Floor {
        lit: Vec<PathBuf>,
        #[arg(long)]
        plate: PathBuf,
        #[arg(long)]
        out: PathBuf,
    },
    /// Run a command and print what it cost: `bench` calls it.
    #[command(hide = true)]
    Weigh {
        #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
        command: Vec<OsString>,
    },
}

fn main() -> ExitCode {
    let outcome = match Arguments::parse().chore {
        Chore::Table { scenes, table } => table::build(&scenes, &table),
        Chore::Pixels {
            scenes,
            pieces,
            table,
        } => pixels::build(&scenes, &pieces, &table),
        Chore::TrainPixels { table, models } => pixels::train_model(&table, &models),
        Chore::Pictures { samples, folder } => pictures::write(&samples, &folder),
        Chore::Registered { set } => registered::print(&set),
        Chore::Corrections { set } => corrections::count(&set),
        Chore::Shoot { sets, without_tags } => shoot::sort_mixed(
            &sets,
            if without_tags {
                shoot::Tags::Dropped
            } else {
                shoot::Tags::Kept
            },
        ),
        Chore::CheckFaults { sets, all, only } => check_faults::count(
            &sets,
            if all {
                check_faults::Telling::All
            } else {
                check_faults::Telling::Misses
            },
            &only,
        ),
        Chore::Photographs {
            photographs,
            scenes,
            out,
        } => photographs::compose(&photographs, &scenes, &out),
        Chore::Manual { folder } => manual::write(&folder),
        Chore::Train { table, models } => table::train_models(&table, &models),
        Chore::Batch {
            scene,
            folder,
            frames,
        } => batch::write(&scene, frames, &folder),
        Chore::Bench(args) => bench::run(&args),
        Chore::Floor { lit, plate, out } => bench::floor::run(&plate, &lit, &out),
        Chore::Weigh { command } => bench::weigh::run_and_tell(&command),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}
