//! One frame merged again: what was kept, what a person changed, the new merge.

use std::cell::OnceCell;
use std::path::{Path, PathBuf};

use super::corrections::{Asked, painted};
use super::exit_status::ExitStatus;
use super::limits;
use super::messages::{Failure, Messages};
use super::outcome::{self, CannotClean};
use super::reading;
use crate::handover::{
    self, HandedBack, Kept, LayerKind, Limits, Parts, mask_from_painted, painted_over,
};
use crate::photo;
use crate::pipeline::{
    Before, Decision, Extra, Extras, Frame, Reopened, SetUp, Silent, merged_from_what_is_known,
    needs_plate,
};
use crate::scene::{Plane, Samples};

/// What a person changed of one frame.
#[derive(Debug, Default)]
pub(super) struct Changes {
    /// A painted mask.
    pub(super) mask: Option<PathBuf>,
    /// An edited OpenRaster file.
    pub(super) openraster: Option<PathBuf>,
    /// Corrections, after these.
    pub(super) corrections: Vec<Asked>,
}

impl Changes {
    /// In the user's words, for the report.
    pub(super) fn words(&self) -> Vec<String> {
        let file = |what: &str, path: &Path| format!("{what} {}", path.display());
        let mask = self.mask.iter().map(|p| file("mask", p));
        let openraster = self.openraster.iter().map(|p| file("openraster", p));
        let corrections = self.corrections.iter().map(|c| c.words.clone());
        mask.chain(openraster).chain(corrections).collect()
    }
}

/// A set-up's plates and what they make of its lit frames, once they are needed.
pub(super) struct LazySetUp<'a> {
    messages: &'a Messages,
    paths: Vec<PathBuf>,
    /// The set-up's lit frames whose headers can be read, by their numbers in it.
    lit: Vec<(usize, PathBuf)>,
    plates: OnceCell<SetUp>,
    observed: OnceCell<SetUp>,
}

impl<'a> LazySetUp<'a> {
    pub(super) fn new(
        paths: Vec<PathBuf>,
        lit: Vec<(usize, PathBuf)>,
        messages: &'a Messages,
    ) -> Self {
        Self {
            messages,
            paths,
            lit,
            plates: OnceCell::new(),
            observed: OnceCell::new(),
        }
    }

    fn plates(&self) -> Result<&SetUp, Failure> {
        if self.plates.get().is_none() {
            let set_up = reading::set_up(&self.paths, self.messages)?;
            let _ = self.plates.set(set_up);
        }
        Ok(self.plates.get().expect("it was set above"))
    }

    /// As the clean-up had it: shown the same lit frames.
    fn observed(&self) -> Result<&SetUp, Failure> {
        if self.observed.get().is_none() {
            let mut set_up = reading::set_up(&self.paths, self.messages)?;
            for at in SetUp::frames_to_observe(self.lit.len()) {
                let (index, path) = &self.lit[at];
                if let Ok(photo) = photo::read(path, &limits::in_force()) {
                    let frame = Frame {
                        samples: photo.samples,
                        encoding: photo.encoding,
                    };
                    // What keeps a frame from being observed kept it from being cleaned, too.
                    let _ = set_up.observe(*index, &frame);
                }
            }
            let _ = self.observed.set(set_up);
        }
        Ok(self.observed.get().expect("it was set above"))
    }
}

/// A frame merged again.
pub(super) struct Redone {
    pub(super) merged: Samples,
    pub(super) mask: Plane<u16>,
    pub(super) extras: Extras,
    /// What the user should know.
    pub(super) warnings: Vec<String>,
}

/// One frame at work.
pub(super) struct RedoFrame<'a> {
    /// Its number in its set-up.
    pub(super) index: usize,
    pub(super) path: &'a Path,
    pub(super) lit: &'a Frame,
    pub(super) set_up: &'a LazySetUp<'a>,
    /// What the clean-up kept, where it did.
    pub(super) kept: Option<PathBuf>,
    /// Bits of the mask that was handed over.
    pub(super) mask_bits: u8,
    /// What is to be handed over beside the merge.
    pub(super) wanted: &'a [Extra],
}

impl RedoFrame<'_> {
    /// Merges again.
    ///
    /// # Errors
    /// [`Failure`] when a changed file cannot be used, or plate and frame no longer fit.
    pub(super) fn redone(&self, changes: &Changes) -> Result<Redone, Failure> {
        let mut warnings = Vec::new();
        let kept = self.kept(&mut warnings)?;
        let before = Before {
            merged: &kept.merged,
            mask: &kept.mask,
            decision: &kept.decision,
        };
        let size = self.lit.samples.size;
        let back = changes
            .openraster
            .as_ref()
            .map(|path| openraster(path))
            .transpose()?;
        let mut mask = self.mask_handed_back(changes, back.as_ref(), &kept.mask)?;
        let reopened = OnceCell::new();
        let reopen = || -> Result<&Reopened<'_>, Failure> {
            if reopened.get().is_none() {
                let _ = reopened.set(self.reopened(&kept.decision)?);
            }
            Ok(reopened.get().expect("it was set above"))
        };
        let mut labels = kept.decision.labels.clone();
        if !changes.corrections.is_empty() {
            let corrections = changes
                .corrections
                .iter()
                .map(|asked| asked.in_frame(size, &kept.decision.lie))
                .collect::<Result<Vec<_>, _>>()?;
            let masked = Before {
                mask: &mask,
                ..before
            };
            let corrected = reopen()?.corrected(self.lit, &masked, &corrections);
            for index in corrected.without_effect {
                let words = &changes.corrections[index].words;
                warnings.push(format!("`{words}`: nothing changed there, try a box"));
            }
            (mask, labels) = (corrected.mask, corrected.labels);
        }
        let mut merged = if needs_plate(&kept.mask, &mask) {
            reopen()?.merged(self.lit, &before, &mask)
        } else {
            merged_from_what_is_known(self.lit, &before, &mask)
        };
        if let Some(back) = &back {
            let parts = Parts {
                lit: &self.lit.samples,
                merged: before.merged,
                mask: before.mask,
                aligned_plate: None,
                relit_plate: None,
            };
            if let Some(layer) = back.layer(LayerKind::Patch) {
                painted_over(&mut merged, &parts, layer);
            }
            warnings.extend(foreign_layers(back));
        }
        let mut extras = Extras::default();
        if self.wanted.contains(&Extra::AlignedPlate) {
            extras.aligned_plate = Some(reopen()?.aligned_plate(self.lit));
        }
        if self.wanted.contains(&Extra::RelitPlate) {
            extras.relit_plate = Some(reopen()?.relit_plate(self.lit, &before, &merged));
        }
        if self.wanted.contains(&Extra::Labels) {
            extras.labels = Some(reopen()?.labels(&kept.decision.pieces, &labels));
        }
        extras.decision = Some(Decision {
            labels,
            ..kept.decision
        });
        Ok(Redone {
            merged,
            mask,
            extras,
            warnings,
        })
    }

    /// The mask as a person painted it, as a picture or in an `.ora` file; as it was where neither came.
    fn mask_handed_back(
        &self,
        changes: &Changes,
        back: Option<&HandedBack>,
        kept: &Plane<u16>,
    ) -> Result<Plane<u16>, Failure> {
        match (&changes.mask, back) {
            (Some(path), _) => {
                let (shares, bits) = painted(path, self.lit.samples.size)?;
                Ok(mask_from_painted(&shares, kept, bits.min(self.mask_bits)))
            }
            (None, Some(back)) => mask_from_layers(back, kept, changes),
            (None, None) => Ok(kept.clone()),
        }
    }

    fn failure(&self, error: crate::pipeline::CleanError) -> Failure {
        Failure {
            hint: Some(outcome::hint(&error).to_owned()),
            error: Box::new(CannotClean {
                path: super::frame_entry::shown(self.path),
                error,
            }),
            status: ExitStatus::SomeFailed,
        }
    }

    fn reopened(&self, decision: &Decision) -> Result<Reopened<'_>, Failure> {
        let set_up = self.set_up.plates()?;
        set_up
            .reopen(self.lit, decision, &Silent)
            .map_err(|e| self.failure(e))
    }

    /// What was kept, or, where it is gone or broken, what cleaning anew gives.
    fn kept(&self, warnings: &mut Vec<String>) -> Result<Kept, Failure> {
        let found = self.kept.as_ref().map(|path| {
            let file = photo::open(path).map_err(handover::KeptError::from)?;
            handover::read_kept(std::io::BufReader::new(file), &self.lit.samples)
        });
        match (found, &self.kept) {
            (Some(Ok(kept)), _) => return Ok(kept),
            (Some(Err(error)), Some(path)) => {
                warnings.push(format!("`{}`: {error}: cleaned anew", path.display()));
            }
            _ => warnings.push("no redo data was kept: cleaned anew".to_owned()),
        }
        let set_up = self.set_up.observed()?;
        let cleaned = set_up
            .clean_with(self.index, self.lit.clone(), &[Extra::Decision], &Silent)
            .map_err(|e| self.failure(e))?;
        Ok(Kept {
            merged: cleaned.merged,
            mask: cleaned.mask,
            decision: cleaned.extras.decision.expect("it was asked for"),
        })
    }
}

fn openraster(path: &Path) -> Result<HandedBack, Failure> {
    let file = photo::open(path).map_err(|e| Failure {
        error: format!("cannot read `{}`: {e}", path.display()).into(),
        hint: Some("check the path given to `--openraster`".to_owned()),
        status: ExitStatus::WrongUsage,
    })?;
    let limits = Limits {
        picture: limits::in_force(),
        ..Limits::default()
    };
    handover::read(std::io::BufReader::new(file), &limits).map_err(|e| Failure {
        hint: Some(e.hint().to_owned()),
        error: Box::new(CannotTakeBack(path.to_owned(), e)),
        status: ExitStatus::WrongUsage,
    })
}

#[derive(Debug, thiserror::Error)]
#[error("cannot take back `{}`", .0.display())]
struct CannotTakeBack(PathBuf, #[source] handover::OpenRasterError);

fn mask_from_layers(
    back: &HandedBack,
    before: &Plane<u16>,
    changes: &Changes,
) -> Result<Plane<u16>, Failure> {
    let path = changes.openraster.clone().unwrap_or_default();
    let refused = |what: String, hint: &str| Failure {
        error: format!("cannot take back `{}`: {what}", path.display()).into(),
        hint: Some(hint.to_owned()),
        status: ExitStatus::WrongUsage,
    };
    if back.size != before.size() {
        return Err(refused(
            format!("it is {}, the frame {}", back.size, before.size()),
            "save it at the size it was handed over at",
        ));
    }
    let layer = back.layer(LayerKind::Patch).ok_or_else(|| {
        refused(
            format!("it has no layer `{}`", LayerKind::Patch.name()),
            "keep that layer and its name: its transparency is the mask",
        )
    })?;
    let bits = layer.photo.samples.bits();
    Ok(mask_from_painted(&layer.coverage(back.size), before, bits))
}

fn foreign_layers(back: &HandedBack) -> Option<String> {
    let known = [LayerKind::Patch, LayerKind::Lit, LayerKind::AlignedPlate].map(LayerKind::name);
    let foreign: Vec<_> = back
        .layers
        .iter()
        .filter(|l| !known.contains(&l.name.as_str()))
        .map(|l| format!("`{}`", l.name))
        .collect();
    (!foreign.is_empty()).then(|| {
        format!(
            "layers of your own are not taken back: {}; merge them into the patch",
            foreign.join(", ")
        )
    })
}
