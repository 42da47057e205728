//! From what was typed to a plan that is known to be possible: nothing is decoded, and nothing is
//! written but the output folder itself.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::args::CleanArgs;
use super::choices::{LayerChoice, MaskFormat, OutputFormat, PageChoice, RedoData};
use super::clean_plan::{CleanPlan, FramePlan, LookedAt, NothingFound, Target, check_apart};
use super::content_hash::input_hash;
use super::first_look::first_look;
use super::journal::{Earlier, Journal};
use super::messages::Failure;
use super::page_output::PAGE_STEM;
use super::path_text::{REDO_FOLDER, told_path};
use super::plan_error::PlanError;
use super::plan_inputs::{check_inputs, check_match, probe_plates};
use super::plan_line::PlanLine;
use super::run_report::Settings;
use super::settings::{InForce, name_of};
use crate::photo::{self, Existing, Format, PhotoError, PhotoErrorKind};

/// Name of the run's report in the output folder.
pub(super) const REPORT_NAME: &str = "report.json";
/// What a mask's name has behind the frame's.
const MASK_SUFFIX: &str = "-mask";

/// A run: its set-ups, and one report.
#[derive(Debug)]
pub(super) struct RunPlan {
    pub(super) set_ups: Vec<CleanPlan>,
    pub(super) report: PathBuf,
    /// Open: nobody else writes the report.
    pub(super) journal: Journal,
}

impl RunPlan {
    /// Checks everything that can be known before pixels are decoded.
    ///
    /// # Errors
    /// [`Failure`] that says what cannot be, to which file, and what to do instead.
    pub(super) fn from_set_ups(
        lines: &[PlanLine],
        typed: &CleanArgs,
        in_force: &InForce,
    ) -> Result<Self, Failure> {
        let lit: Vec<PathBuf> = lines.iter().flat_map(|l| l.lit.iter().cloned()).collect();
        let out = in_force.out_folder(&lit)?;
        let report = match (typed.set_up, lines) {
            (Some(_), [line]) => out.join(format!("report-{}.json", line.name)),
            _ => out.join(REPORT_NAME),
        };
        let earlier = if typed.overwrite {
            Earlier::default()
        } else {
            Earlier::read(&report)
        };
        let existing = if typed.overwrite || is_of_this_run(&earlier, &lit) {
            Existing::Replace
        } else {
            Existing::Keep
        };
        let mut set_ups = Vec::with_capacity(lines.len());
        for line in lines {
            let mut plan = CleanPlan::of_set_up(line, &out, in_force)?;
            plan.report.clone_from(&report);
            if in_force.page.value == PageChoice::Write {
                plan.page = Some(page_beside(&report));
            }
            plan.existing = existing;
            plan.nothing_found = if typed.must_find {
                NothingFound::IsTold
            } else {
                NothingFound::IsFine
            };
            plan.look_back(&earlier, typed.overwrite);
            plan.check_outputs(&plan.lit(), |_| true)?;
            set_ups.push(plan);
        }
        check_apart(&set_ups)?;
        for plan in &set_ups {
            plan.make_folders(&out)?;
        }
        let journal = Journal::beside(&report)?;
        if typed.set_up.is_none() {
            // Set-ups that are cleaned one by one may be at work in the same folder.
            earlier.clear_parts(&out);
            earlier.clear_parts(&out.join(REDO_FOLDER));
        }
        Ok(Self {
            set_ups,
            report,
            journal,
        })
    }
}

/// The page of a report: `page.html` for `report.json`, `page-3.html` for `report-3.json`.
pub(super) fn page_beside(report: &Path) -> PathBuf {
    let stem = report.file_stem().unwrap_or_default().to_string_lossy();
    let number = stem.strip_prefix("report").unwrap_or_default();
    report.with_file_name(format!("{PAGE_STEM}{number}.html"))
}

/// Does what stands there tell of this run's frames only?
fn is_of_this_run(earlier: &Earlier, lit: &[PathBuf]) -> bool {
    let named: BTreeSet<String> = lit.iter().map(|path| told_path(path)).collect();
    let known = !earlier.reported.is_empty() || earlier.cut_short;
    known && earlier.reported.is_subset(&named)
}

impl CleanPlan {
    /// Checks one set-up's inputs and names its outputs.
    ///
    /// # Errors
    /// [`Failure`] as [`RunPlan::from_set_ups`].
    pub(super) fn of_set_up(
        line: &PlanLine,
        out: &Path,
        in_force: &InForce,
    ) -> Result<Self, Failure> {
        check_inputs(&line.lit, &line.plates)?;
        let reference = probe_plates(&line.plates)?;
        let frames: Vec<FramePlan> = line
            .lit
            .iter()
            .map(|lit| frame_plan(lit, out, in_force))
            .collect();
        for frame in &frames {
            if let Ok(target) = &frame.target {
                check_match(&frame.lit, &target.probe, &line.plates[0], &reference)?;
            }
        }
        Ok(Self {
            plates: line.plates.clone(),
            plate_hashes: Vec::new(),
            frames,
            report: out.join(REPORT_NAME),
            page: None,
            mask_depth: in_force.mask_depth.value,
            mask_format: in_force.mask_format.value,
            format: in_force.format.value,
            quality: in_force.quality.value,
            layers: in_force.layers.value.clone(),
            redo_data: in_force.redo_data.value,
            nothing_found: NothingFound::IsFine,
            existing: Existing::Keep,
        })
    }

    /// Works out what each frame's result depends on, and what of it is done already.
    pub(super) fn look_back(&mut self, earlier: &Earlier, overwrite: bool) {
        let hash = |path: &PathBuf| input_hash(path).unwrap_or_default();
        self.plate_hashes = self.plates.par_iter().map(hash).collect();
        let lit: Vec<String> = self.frames.par_iter().map(|f| hash(&f.lit)).collect();
        let looked_at: Vec<&String> = first_look(self).into_iter().map(|i| &lit[i]).collect();
        let settings = Settings::of(self);
        let common = serde_json::json!([
            env!("CARGO_PKG_VERSION"),
            settings,
            self.plate_hashes,
            looked_at,
        ])
        .to_string();
        for (frame, own) in self.frames.iter_mut().zip(&lit) {
            let inputs = blake3::hash(format!("{common} {own}").as_bytes());
            let inputs = inputs.to_hex().to_string();
            let name = told_path(&frame.lit);
            let mut may_replace = overwrite || earlier.was_begun(&name);
            if let Ok(target) = &frame.target {
                let finished = earlier.finished(&name, &inputs, target);
                frame.finished = finished.map(Box::new);
                may_replace = may_replace || earlier.may_be_completed(&name, &settings, target);
            }
            if may_replace {
                frame.existing = Existing::Replace;
            }
            frame.looked_at = Some(LookedAt {
                lit: own.clone(),
                inputs,
            });
        }
    }

    /// Makes the output folders.
    pub(super) fn make_folders(&self, out: &Path) -> Result<(), Failure> {
        check_folder(out)?;
        let targets = self.frames.iter().filter_map(|f| f.target.as_ref().ok());
        if targets.filter(|t| t.redo_data.is_some()).count() > 0 {
            check_folder(&out.join(REDO_FOLDER))?;
        }
        Ok(())
    }
}

pub(super) fn frame_plan(lit: &Path, out: &Path, in_force: &InForce) -> FramePlan {
    let target = photo::probe(lit).and_then(|probe| {
        let (Some(name), Some(stem)) = (lit.file_name(), lit.file_stem()) else {
            return Err(PhotoError {
                path: lit.to_owned(),
                action: "read",
                kind: PhotoErrorKind::NotAPicture { looks_like: None },
            });
        };
        let format = match in_force.format.value {
            OutputFormat::Same => probe.format,
            OutputFormat::Png => Format::Png,
            OutputFormat::Tiff => Format::Tiff,
            OutputFormat::Jpeg => Format::Jpeg,
        };
        let merged = if format.is_named_by(lit) {
            out.join(name)
        } else {
            let mut name = stem.to_owned();
            name.push(".");
            name.push(format.extension());
            out.join(name)
        };
        let beside = |suffix: &str| {
            let mut name = stem.to_owned();
            name.push(suffix);
            out.join(name)
        };
        let layers = in_force
            .layers
            .value
            .iter()
            .map(|&layer| (layer, beside(&suffix(layer, format))));
        let mask_format = match in_force.mask_format.value {
            MaskFormat::Png => Format::Png,
            MaskFormat::Tiff => Format::Tiff,
        };
        Ok(Target {
            merged,
            mask: beside(&format!("{MASK_SUFFIX}.{}", mask_format.extension())),
            mask_format,
            layers: layers.collect(),
            redo_data: match in_force.redo_data.value {
                RedoData::Keep => {
                    let mut name = stem.to_owned();
                    name.push(".zip");
                    Some(out.join(REDO_FOLDER).join(name))
                }
                RedoData::None => None,
            },
            format,
            probe,
        })
    });
    FramePlan {
        lit: lit.to_owned(),
        target,
        existing: Existing::Keep,
        looked_at: None,
        finished: None,
    }
}

/// What a layer's name has behind the frame's.
fn suffix(layer: LayerChoice, frame: Format) -> String {
    let picture = match frame {
        Format::Tiff => Format::Tiff,
        Format::Jpeg | Format::Png => Format::Png,
    };
    match layer {
        LayerChoice::Openraster => ".ora".to_owned(),
        // Drawn for a screen, 8 bits, whatever the frame.
        LayerChoice::Labelled => format!("-labelled.{}", Format::Png.extension()),
        LayerChoice::AlignedPlate | LayerChoice::RelitPlate | LayerChoice::Patch => {
            format!("-{}.{}", name_of(&layer), picture.extension())
        }
    }
}

/// Makes the folder and tries it with a file that goes away by itself.
fn check_folder(folder: &Path) -> Result<(), PlanError> {
    std::fs::create_dir_all(folder)
        .and_then(|()| tempfile::tempfile_in(folder).map(drop))
        .map_err(|e| PlanError::Folder(folder.to_owned(), e))
}
