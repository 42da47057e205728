//! Measures whole runs beside the floor and writes the table into the docs.

pub mod floor;
mod pictures;
mod table;
pub mod weigh;

use std::error::Error;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use pictures::{Batch, Kind, write_batch};
use table::{Row, Surroundings};
use weigh::{Cost, median, weighed};

/// What to measure.
#[derive(Args)]
pub struct BenchArgs {
    /// Folder of a scene of 24 megapixels.
    scene: PathBuf,
    /// The program to measure.
    #[arg(long, default_value = "target/release/derig")]
    binary: PathBuf,
    /// Runs of each case; medians are told.
    #[arg(long, default_value_t = 5)]
    runs: usize,
    /// How much to measure.
    #[arg(long, value_enum, default_value = "all")]
    extent: Extent,
    /// Fail when a case takes more than this many times the floor's processor seconds.
    #[arg(long)]
    most_cpu: Option<f64>,
    /// The file that holds the table between its two marks; without it the table is only printed.
    #[arg(long)]
    into: Option<PathBuf>,
}

/// Which cases are run.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Extent {
    /// All of them.
    All,
    /// One frame in each format, and a batch of 8.
    Short,
    /// One JPEG.
    One,
}

/// Kind of file, megapixels, lit frames.
type Case = (Kind, f64, usize);

const SHORT: [Case; 3] = [
    (Kind::Jpeg, 24.0, 1),
    (Kind::Jpeg, 24.0, 8),
    (Kind::Tiff16, 24.0, 1),
];

const ALL: [Case; 12] = [
    (Kind::Jpeg, 6.0, 1),
    (Kind::Jpeg, 12.0, 1),
    (Kind::Jpeg, 24.0, 1),
    (Kind::Jpeg, 48.0, 1),
    (Kind::Jpeg, 24.0, 2),
    (Kind::Jpeg, 24.0, 4),
    (Kind::Jpeg, 24.0, 8),
    (Kind::Jpeg, 24.0, 16),
    (Kind::Tiff8, 24.0, 1),
    (Kind::Tiff8, 24.0, 8),
    (Kind::Tiff16, 24.0, 1),
    (Kind::Tiff16, 24.0, 8),
];

/// Measures and tells.
///
/// # Errors
/// When a run fails or a file cannot be read or written.
pub fn run(args: &BenchArgs) -> Result<(), Box<dyn Error>> {
    let binary = args.binary.canonicalize().map_err(|e| {
        let path = args.binary.display();
        format!("`{path}`: {e}; build it first, or name another with --binary")
    })?;
    let cases: &[Case] = match args.extent {
        Extent::All => &ALL,
        Extent::Short => &SHORT,
        Extent::One => &SHORT[..1],
    };
    let before = Surroundings::look();
    let mut rows = Vec::new();
    for &case in cases {
        let row = measure(&binary, &args.scene, case, args.runs)?;
        eprintln!("{}", row.line());
        rows.push(row);
    }
    let text = table::text(&rows, &before, args.runs);
    println!("{text}");
    if let Some(file) = &args.into {
        table::write_into(file, &text)?;
    }
    match args.most_cpu {
        Some(most) if rows.iter().any(|row| row.clean.cpu > most * row.floor.cpu) => {
            Err(format!("a case takes more than {most} times the floor's processor seconds").into())
        }
        _ => Ok(()),
    }
}

/// Floor and clean-up turn by turn, so that what else the machine does hits both.
fn measure(binary: &Path, scene: &Path, case: Case, runs: usize) -> Result<Row, Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let batch = write_batch(scene, case, &folder.path().join("in"))?;
    let out = folder.path().join("out");
    let (mut floor, mut clean): (Vec<Cost>, Vec<Cost>) = Default::default();
    for _ in 0..runs {
        floor.push(weighed(
            std::env::current_exe()?.as_os_str(),
            &arguments("floor", &batch, &out),
        )?);
        let mut arguments = arguments("clean", &batch, &out);
        arguments.extend(["--overwrite".into(), "--quiet".into()]);
        clean.push(weighed(binary.as_os_str(), &arguments)?);
    }
    let (kind, megapixels, frames) = case;
    Ok(Row {
        kind: kind.name(),
        megapixels,
        frames,
        floor: median(&floor),
        clean: median(&clean),
    })
}

fn arguments(command: &str, batch: &Batch, out: &Path) -> Vec<OsString> {
    let mut arguments: Vec<OsString> = vec![command.into()];
    arguments.extend(batch.lit.iter().map(|p| p.clone().into_os_string()));
    arguments.extend([
        "--plate".into(),
        batch.plate.clone().into_os_string(),
        "--out".into(),
        out.as_os_str().to_owned(),
    ]);
    arguments
}
