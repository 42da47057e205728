//! The table in the docs, and under what circumstances its figures came about.

use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use super::weigh::Cost;

const BEGIN: &str = "<!-- measured by `xtask bench`: begin -->";
const END: &str = "<!-- measured by `xtask bench`: end -->";

/// Processes waiting to run, one minute's mean, above which wall times say little.
const BUSY_LOAD: f64 = 0.5;

/// One case and its medians.
#[derive(Debug)]
pub struct Row {
    pub kind: &'static str,
    pub megapixels: f64,
    pub frames: usize,
    pub floor: Cost,
    pub clean: Cost,
}

impl Row {
    pub fn line(&self) -> String {
        let (floor, clean) = (&self.floor, &self.clean);
        format!(
            "| {} | {} | {} | {:.2} | {:.2} | {:.2} | {:.2} | {:.2} | {:.2} | {:.0} | {:.0} |",
            self.kind,
            self.megapixels,
            self.frames,
            floor.wall,
            clean.wall,
            clean.wall / floor.wall,
            floor.cpu,
            clean.cpu,
            clean.cpu / floor.cpu,
            floor.peak_mb,
            clean.peak_mb,
        )
    }
}

/// Machine, date, commit, and how busy the machine was when the measuring began.
#[derive(Debug)]
pub struct Surroundings {
    machine: String,
    cores: usize,
    date: String,
    commit: String,
    load: Option<f64>,
}

impl Surroundings {
    pub fn look() -> Self {
        let cpu = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
        let machine = cpu
            .lines()
            .find_map(|l| l.strip_prefix("model name")?.split_once(": "))
            .map_or("unknown processor", |(_, name)| name)
            .to_owned();
        let load = std::fs::read_to_string("/proc/loadavg").ok();
        Self {
            machine,
            cores: std::thread::available_parallelism().map_or(1, usize::from),
            date: told_by("date", &["+%Y-%m-%d"]),
            commit: told_by("git", &["describe", "--always", "--dirty"]),
            load: load.and_then(|l| l.split(' ').next()?.parse().ok()),
        }
    }

    fn sentence(&self) -> String {
        let Self {
            machine,
            cores,
            date,
            commit,
            load,
        } = self;
        let mut text = format!("{machine}, {cores} cores; {date}; commit {commit}");
        match load {
            Some(load) if *load > BUSY_LOAD => {
                let _ = write!(
                    text,
                    "; load {load:.1} from elsewhere when it began: trust processor seconds, not wall"
                );
            }
            Some(load) => {
                let _ = write!(text, "; load {load:.1} when it began");
            }
            None => {}
        }
        text
    }
}

fn told_by(program: &str, arguments: &[&str]) -> String {
    Command::new(program)
        .args(arguments)
        .output()
        .ok()
        .filter(|o| o.status.success())
        .map_or_else(
            || "unknown".to_owned(),
            |o| String::from_utf8_lossy(&o.stdout).trim().to_owned(),
        )
}

/// The table in Markdown, with what a reader needs to weigh it.
pub fn text(rows: &[Row], surroundings: &Surroundings, runs: usize) -> String {
    let mut text = format!(
        "{}. Medians of {runs}, whole processes. Floor: decode plate and lit frames, encode the lit\n\
         frames again, same codecs, one after the other on one core.\n\n\
         | files | MP | frames | floor s | clean s | ratio | floor CPU s | clean CPU s | ratio \
         | floor MB | clean MB |\n\
         |---|---|---|---|---|---|---|---|---|---|---|\n",
        surroundings.sentence()
    );
    for row in rows {
        text.push_str(&row.line());
        text.push('\n');
    }
    text
}

/// Puts the table between its two marks in a file.
///
/// # Errors
/// When the file cannot be read or written, or lacks the marks.
pub fn write_into(file: &Path, text: &str) -> Result<(), Box<dyn Error>> {
    let old = std::fs::read_to_string(file)?;
    let missing = || format!("`{}` lacks the marks `{BEGIN}` and `{END}`", file.display());
    let (before, rest) = old.split_once(BEGIN).ok_or_else(missing)?;
    let (_, after) = rest.split_once(END).ok_or_else(missing)?;
    std::fs::write(file, format!("{before}{BEGIN}\n{text}{END}{after}"))?;
    Ok(())
}
