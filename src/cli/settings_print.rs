//! `derig settings`: what is in force and where it is from, as a file that could be `derig.toml`.

use std::io::Write as _;

use clap::ValueEnum;

use super::args::{CleanArgs, SettingsArgs};
use super::choices::{LayerChoice, MaskDepth};
use super::exit_status::ExitStatus;
use super::messages::Failure;
use super::settings::{InForce, Origin, name_of};
use crate::check::CHECK_SCHEMA;
use crate::report::REPORT_SCHEMA;

/// Prints on standard output.
///
/// # Errors
/// [`Failure`] for a settings file that cannot be followed.
pub(super) fn run(typed: &SettingsArgs) -> Result<ExitStatus, Failure> {
    let text = if typed.report_schema {
        REPORT_SCHEMA.to_owned()
    } else if typed.check_schema {
        CHECK_SCHEMA.to_owned()
    } else {
        let in_force = InForce::of(&CleanArgs::with_settings(typed.settings.clone()))?;
        printed(&in_force)
    };
    // A closed pipe is the reader's choice, not a failure.
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
    Ok(ExitStatus::AllDone)
}

fn printed(in_force: &InForce) -> String {
    let InForce {
        out,
        format,
        quality,
        mask_depth,
        mask_format,
        layers,
        redo_data,
        page,
    } = in_force;
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let out_folder = out.value.as_deref().map(|p| quoted(&p.to_string_lossy()));
    let named: Vec<_> = layers.value.iter().map(|l| quoted(&name_of(l))).collect();
    let lines = [
        line("out", out_folder.as_deref().unwrap_or(UNSET), &out.origin),
        line("format", &quoted(&name_of(&format.value)), &format.origin),
        line(
            "quality",
            &quality.value.map_or(UNSET.to_owned(), |q| q.to_string()),
            &quality.origin,
        ),
        line(
            "mask-depth",
            &MaskDepth::bits(mask_depth.value).to_string(),
            &mask_depth.origin,
        ),
        line(
            "mask-format",
            &quoted(&name_of(&mask_format.value)),
            &mask_format.origin,
        ),
        line("layers", &format!("[{}]", named.join(", ")), &layers.origin),
        line(
            "redo-data",
            &quoted(&name_of(&redo_data.value)),
            &redo_data.origin,
        ),
        line("page", &quoted(&name_of(&page.value)), &page.origin),
    ];
    let all: Vec<_> = LayerChoice::value_variants().iter().map(name_of).collect();
    format!(
        "# Looked for as `derig.toml` in the current folder, or named with `--settings`; the\n\
         # command line wins. `out` may hold {{folder}}: the folder of the lit frames.\n\
         # `format`: same, png, tiff, jpeg. `quality`: 1 to 100, else a JPEG keeps its own tables.\n\
         # `mask-depth`: 8 or 16. `mask-format`: png, tiff.\n\
         # `layers`: any of {}.\n\
         # `redo-data`: keep, none. `page`: write, none.\n\n[clean]\n{}",
        all.join(", "),
        lines.concat()
    )
}

/// Stands for a value that is not set; such a line is a comment.
const UNSET: &str = "";

fn line(key: &str, value: &str, origin: &Origin) -> String {
    let setting = if value == UNSET {
        format!("# {key} is not set")
    } else {
        format!("{key} = {value}")
    };
    format!("{setting:40} # {origin}\n")
}
