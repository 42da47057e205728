//! What was typed; nothing is touched or looked up here.

use std::path::PathBuf;

use clap::{ArgAction, Parser, Subcommand};

use super::check_args::CheckArgs;
use super::choices::{
    LayerChoice, MaskDepth, MaskFormat, OutputFormat, PageChoice, PlanForm, RedoData,
};
use super::plan_shot_args::PlanArgs;
use super::redo_args::RedoArgs;
use super::talk_args::{Talk, TalkArgs};
use super::watch_args::WatchArgs;

const EXIT_CODES: &str = "\
Exit codes:
  0  every frame was handed over
  1  some frame failed (see the messages); the others were handed over
  2  wrong usage; nothing was done
  3  with --must-find: nothing to remove in any frame; the outputs are written all the same";

/// Those of all commands, for the program's own help.
const ALL_EXIT_CODES: &str = "\
Exit codes:
  0  every frame was handed over; of check: go
  1  some frame failed (see the messages); the others were handed over
  2  wrong usage; nothing was done
  3  of clean with --must-find: nothing to remove in any frame
  4  of check: shoot again
  5  of check: cannot tell";

const EXAMPLES: &str = "\
Examples:
  derig check lit-1.jpg lit-2.jpg --plate plate.jpg
  derig clean lit-1.jpg lit-2.jpg --plate plate.jpg --out cleaned
  derig clean --help";

const CLEAN_EXAMPLES: &str = "\
Examples:
  derig clean portrait-1.jpg portrait-2.jpg --plate plate.jpg --out cleaned
  derig clean portrait.tif --plate plate.tif --out cleaned --layers patch,openraster
  derig clean card --out cleaned
      sorts the folder into set-ups and finds each one's plate; the same again goes on where a run
      was cut short";

const JOIN_EXAMPLES: &str = "\
Examples:
  derig join cleaned/report-*.json --out cleaned/report.json";

const SETTINGS_EXAMPLES: &str = "\
Examples:
  derig settings
  derig settings --report-schema > report.schema.json";

const DEMO_EXAMPLES: &str = "\
Examples:
  derig demo demo";

/// Place in a help for what every command takes: behind its own options.
const LAST: usize = 900;

/// Takes the lighting gear out of location portraits.
///
/// Give it the lit frames (gear in shot, flash firing) and a plate (same tripod, gear gone): each
/// lit frame comes back without the gear, its shadow and its glints, the light it gave kept.
#[derive(Debug, Parser)]
#[command(name = "derig", version, before_help = EXAMPLES, after_help = ALL_EXIT_CODES,
    propagate_version = true, disable_help_flag = true)]
pub(super) struct Args {
    /// Print help
    // One help for both spellings, short enough for a screen.
    #[arg(short, long, global = true, action = ArgAction::HelpShort, display_order = LAST)]
    help: Option<bool>,
    /// Most megabytes of one picture's samples; larger ones are refused [default: 3000]
    #[arg(long, global = true, value_name = "MB", display_order = LAST,
        value_parser = clap::value_parser!(u64).range(1..))]
    pub(super) max_memory: Option<u64>,
    /// The command.
    #[command(subcommand)]
    pub(super) command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Clean lit frames against a plate
    #[command(before_help = CLEAN_EXAMPLES, after_help = EXIT_CODES)]
    Clean(CleanArgs),
    /// While the tripod stands: will the plate do, or what must be shot again?
    #[command(before_help = super::check_args::EXAMPLES,
        after_help = super::check_args::EXIT_CODES)]
    Check(CheckArgs),
    /// Before the stand goes up: is the light in the picture, and what would moving it cost?
    #[command(before_help = super::plan_shot_args::EXAMPLES)]
    Plan(Box<PlanArgs>),
    /// Merge again from masks, layers or corrections that came back from a person
    #[command(before_help = super::redo_args::EXAMPLES,
        after_help = super::redo_args::EXIT_CODES)]
    Redo(RedoArgs),
    /// Check and clean frames as they arrive in a folder
    #[command(before_help = super::watch_args::EXAMPLES,
        after_help = super::watch_args::EXIT_CODES)]
    Watch(WatchArgs),
    /// Join reports of one shoot's set-ups into one
    #[command(before_help = JOIN_EXAMPLES)]
    Join(JoinArgs),
    /// Print the settings in force and where each is from
    #[command(before_help = SETTINGS_EXAMPLES)]
    Settings(SettingsArgs),
    /// Write a set of sample frames into a folder and clean them
    #[command(before_help = DEMO_EXAMPLES)]
    Demo(DemoArgs),
}

impl Command {
    pub(super) fn talk(&self) -> Talk {
        match self {
            Self::Clean(typed) => typed.talk.level(),
            Self::Check(typed) => typed.talk.level(),
            Self::Watch(typed) => typed.talk.level(),
            Self::Demo(typed) => typed.talk.level(),
            Self::Redo(typed) => typed.talk.level(),
            Self::Join(typed) => typed.talk.level(),
            Self::Plan(_) | Self::Settings(_) => TalkArgs::default().level(),
        }
    }
}

/// `derig clean`.
#[derive(Debug, clap::Args)]
pub(super) struct CleanArgs {
    /// Lit frames, or folders of them
    #[arg(required_unless_present = "plan", value_name = "LIT")]
    pub(super) lit: Vec<PathBuf>,
    /// The plate: the same view with the gear gone; may be given more than once. Without it frames
    /// are sorted into set-ups, and each set-up's plate is looked for
    #[arg(short, long = "plate", value_name = "PLATE", action = ArgAction::Append)]
    pub(super) plates: Vec<PathBuf>,
    /// Tell what would be cleaned against which plate, and do nothing
    #[arg(long, value_enum, value_name = "FORM", num_args = 0..=1, require_equals = true,
        default_missing_value = "table")]
    pub(super) dry_run: Option<PlanForm>,
    /// Clean what a plan says (JSON lines; `-` for standard input)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["lit", "plates"])]
    pub(super) plan: Option<PathBuf>,
    /// With --plan: this set-up alone, its report by itself
    #[arg(long, value_name = "NUMBER", requires = "plan", conflicts_with = "lit")]
    pub(super) set_up: Option<usize>,
    /// Folder for cleaned frames, masks and report; made when missing
    #[arg(short, long, value_name = "DIR")]
    pub(super) out: Option<PathBuf>,
    /// Replace outputs of an earlier run (an input is never replaced)
    #[arg(long)]
    pub(super) overwrite: bool,
    /// Exit with 3 when there was nothing to remove in any frame
    #[arg(long)]
    pub(super) must_find: bool,
    /// Bits of the mask's samples; white is where the plate shows [default: 8]
    #[arg(long, value_enum, value_name = "BITS")]
    pub(super) mask_depth: Option<MaskDepth>,
    /// Format of the mask [default: png]
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub(super) mask_format: Option<MaskFormat>,
    /// Format of the cleaned frames [default: same]
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub(super) format: Option<OutputFormat>,
    /// JPEG quality, 1 to 100; without it a JPEG keeps the tables it came with
    #[arg(long, value_name = "QUALITY", value_parser = clap::value_parser!(u8).range(1..=100))]
    pub(super) quality: Option<u8>,
    /// What to hand over beside frame and mask, for an editor
    #[arg(long, value_enum, value_delimiter = ',', value_name = "LAYER,...")]
    pub(super) layers: Vec<LayerChoice>,
    /// What `derig redo` merges again from, in the folder `for-redo` [default: keep]
    #[arg(long, value_enum, value_name = "WHAT")]
    pub(super) redo_data: Option<RedoData>,
    /// A page to look at the frames [default: none]
    #[arg(long, value_enum, value_name = "WHAT", num_args = 0..=1, require_equals = true,
        default_missing_value = "write")]
    pub(super) page: Option<PageChoice>,
    /// Settings file to use instead of `derig.toml` in the current folder
    #[arg(long, value_name = "FILE")]
    pub(super) settings: Option<PathBuf>,
    #[command(flatten)]
    pub(super) talk: TalkArgs,
}

impl CleanArgs {
    /// Nothing typed but, perhaps, a settings file.
    pub(super) fn with_settings(settings: Option<PathBuf>) -> Self {
        Self {
            lit: Vec::new(),
            plates: Vec::new(),
            dry_run: None,
            plan: None,
            set_up: None,
            out: None,
            overwrite: false,
            must_find: false,
            mask_depth: None,
            mask_format: None,
            format: None,
            quality: None,
            layers: Vec::new(),
            redo_data: None,
            page: None,
            settings,
            talk: TalkArgs::default(),
        }
    }
}

/// `derig join`.
#[derive(Debug, clap::Args)]
pub(super) struct JoinArgs {
    /// Reports of runs into one folder with the same settings
    #[arg(required = true, value_name = "REPORT")]
    pub(super) reports: Vec<PathBuf>,
    /// File for the joined report
    #[arg(short, long, value_name = "FILE")]
    pub(super) out: PathBuf,
    /// Replace the file
    #[arg(long)]
    pub(super) overwrite: bool,
    #[command(flatten)]
    pub(super) talk: TalkArgs,
}

/// `derig settings`.
#[derive(Debug, clap::Args)]
pub(super) struct SettingsArgs {
    /// Settings file to use instead of `derig.toml` in the current folder
    #[arg(long, value_name = "FILE")]
    pub(super) settings: Option<PathBuf>,
    /// Print the JSON schema of `report.json` instead
    #[arg(long, conflicts_with = "settings")]
    pub(super) report_schema: bool,
    /// Print the JSON schema of what `derig check --json` prints instead
    #[arg(long, conflicts_with_all = ["settings", "report_schema"])]
    pub(super) check_schema: bool,
}

/// `derig demo`.
#[derive(Debug, clap::Args)]
pub(super) struct DemoArgs {
    /// Folder to write the samples and results into; made when missing
    #[arg(value_name = "DIR")]
    pub(super) folder: PathBuf,
    /// Replace what an earlier demo left there
    #[arg(long)]
    pub(super) overwrite: bool,
    #[command(flatten)]
    pub(super) talk: TalkArgs,
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;
    use crate::cli::talk_args::{Loudness, Timings};

    fn clean(typed: &[&str]) -> Result<CleanArgs, clap::Error> {
        let all = ["derig", "clean"].iter().chain(typed);
        match Args::try_parse_from(all)?.command {
            Command::Clean(typed) => Ok(typed),
            _ => unreachable!(),
        }
    }

    #[test]
    fn the_definition_is_sound() {
        Args::command().debug_assert();
    }

    #[test]
    fn many_lit_frames_and_plates_are_taken() {
        let typed = clean(&[
            "a.jpg", "b.jpg", "--plate", "p.jpg", "--plate", "q.jpg", "--out", "o",
        ]);
        let typed = typed.unwrap();
        assert_eq!((typed.lit.len(), typed.plates.len()), (2, 2));
        assert_eq!((typed.mask_depth, typed.format), (None, None));
        assert_eq!(typed.talk.level().loudness, Loudness::Normal);
    }

    #[test]
    fn a_lit_frame_or_a_plan_is_needed() {
        assert!(clean(&["a.jpg", "--out", "o"]).is_ok());
        assert!(clean(&["--plate", "p.jpg", "--out", "o"]).is_err());
        assert!(clean(&["--plan", "p.jsonl", "--set-up", "3"]).is_ok());
        assert!(clean(&["a.jpg", "--plan", "p.jsonl"]).is_err());
        assert!(clean(&["a.jpg", "--set-up", "3"]).is_err());
        let form = |typed: &str| clean(&["a.jpg", typed]).map(|typed| typed.dry_run);
        assert_eq!(form("--dry-run").unwrap(), Some(PlanForm::Table));
        assert_eq!(form("--dry-run=json").unwrap(), Some(PlanForm::Json));
        assert!(form("--dry-run=xml").is_err());
    }

    #[test]
    fn quiet_and_verbose_exclude_each_other() {
        assert!(clean(&["a", "--plate", "p", "--out", "o", "-q", "-v"]).is_err());
        let typed = clean(&["a", "--plate", "p", "--out", "o", "-vv", "--timings"]).unwrap();
        let talk = typed.talk.level();
        assert_eq!(talk.loudness, Loudness::VeryVerbose);
        assert_eq!(talk.timings, Timings::Shown);
    }

    #[test]
    fn layers_are_a_list_and_quality_has_its_range() {
        let base = ["a", "--plate", "p"];
        let with = |more: &[&str]| clean(&[&base, more].concat());
        let typed = with(&["--layers", "patch,openraster"]).unwrap();
        assert_eq!(typed.layers, [LayerChoice::Patch, LayerChoice::Openraster]);
        assert!(with(&["--layers", "all"]).is_err());
        assert!(with(&["--quality", "0"]).is_err() && with(&["--quality", "101"]).is_err());
        assert_eq!(with(&["--quality", "90"]).unwrap().quality, Some(90));
    }
}
