//! The one place that knows the order of the stages.

mod again;
mod aligned;
mod clock;
mod comparison;
mod decision;
mod examined;
mod extras;
mod overview;
mod plates;
mod pose;
mod reports;
mod standing;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Mutex;

use rayon::prelude::*;

use crate::classify::{Classified, classify, label_plane};
use crate::follow::{FollowInputs, follow_gear};
use crate::glint::{GlintInputs, take_glints};
use crate::mask::{CutInputs, beyond_plate, plan_cut};
use crate::merge::{Patch, Relight, composite};
use crate::outline::{OutlineInputs, mend_outline};
use crate::region::Regions;
use crate::registration::Registration;
use crate::report::FrameReport;
use crate::scene::{Encoding, Plane, Samples, Size, recycled};
use crate::shade::persons_shade;
use crate::verdict::{Signs, judge};

use aligned::{AlignedPlate, Carried};
use clock::Clock;
use comparison::{Begun, Comparison, Plate, SmallLit};
use examined::{ForMask, Found};
use extras::with_sky;
use pose::Pose;
use standing::Cut;

pub use again::{
    Before, Corrected, Correction, Marks, Reopened, Told, merged_from_what_is_known, needs_plate,
};
pub use decision::{Decision, Lie};
pub use examined::Examined;
pub use extras::{Extra, Extras};
pub use overview::Overview;
pub use plates::OtherPlate;

/// Working copies are reduced by the whole factor that brings their long side nearest to this, px: a
/// stand of 2 cm is 3 px wide on it in a frame of 12 m; finer copies cost time and told no more.
const WORKING_SIDE: usize = 1600;

/// Full pixels a working pixel, both ways.
fn working_factor(size: Size) -> usize {
    ((size.long_side() + WORKING_SIDE / 2) / WORKING_SIDE).max(1)
}

/// Other poses that are kept as evidence: more add little, and each costs memory and a comparison.
const MAX_COMPANIONS: usize = 4;

/// A decoded frame: original samples and how they stand for light.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Original samples, upright.
    pub samples: Samples,
    /// Their encoding.
    pub encoding: Encoding,
}

/// One lit frame after the clean-up.
#[derive(Debug, Clone)]
pub struct CleanedFrame {
    /// The merged picture in the lit frame's layout, depth and encoding.
    pub merged: Samples,
    /// Share of the plate in the merge, 0 keep lit .. 65 535 take plate, at full size.
    pub mask: Plane<u16>,
    /// What happened.
    pub report: FrameReport,
    /// What else was asked for.
    pub extras: Extras,
}

/// Why a frame could not be cleaned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CleanError {
    /// Lit frame and plate have different extents.
    #[error("the lit frame is {lit}, the plate {plate}")]
    SizeMismatch {
        /// Extent of the lit frame.
        lit: Size,
        /// Extent of the plate.
        plate: Size,
    },
    /// Too little agrees: another scene, or the tripod went too far.
    #[error("does not line up with the plate: {tiles} places agree, {needed} needed")]
    NotAligned {
        /// Tiles that agree.
        tiles: usize,
        /// Tiles needed.
        needed: usize,
    },
    /// Every sample equals the plate's.
    #[error("is the same picture as the plate")]
    SamePicture,
}

/// Told about the progress of a frame.
pub trait Observer: Sync {
    /// A stage begins.
    fn stage(&self, _name: &'static str) {}
}

/// An observer that does not care.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Observer for Silent {}

/// One tripod set-up: its plates, and what has been seen of its lit frames.
#[derive(Debug)]
pub struct SetUp {
    plates: Vec<Plate>,
    /// What became of the plates beside the first.
    others: Vec<OtherPlate>,
    poses: Vec<Pose>,
    /// Of the frame that was observed last, until the next is looked at: it need not be compared anew.
    compared_last: Mutex<Option<(usize, Comparison)>>,
    factor: usize,
}

/// What remains of a frame's working copies for the merge at full size.
struct Decided {
    report: FrameReport,
    extras: Extras,
    share: Plane<f32>,
    gain: Relight,
    registration: Registration,
    carried: Carried<'static>,
}

impl SetUp {
    /// From one plate or more. With more, what stands in the first and not in the others is taken out of
    /// it: see [`SetUp::other_plates`]. The plate's own work (small copies, features) is done once.
    ///
    /// # Errors
    /// [`CleanError::SizeMismatch`] when the plates differ in extent.
    ///
    /// # Panics
    /// Without any plate.
    pub fn new(mut plates: Vec<Frame>) -> Result<Self, CleanError> {
        assert!(!plates.is_empty(), "a set-up has a plate");
        let size = plates[0].samples.size;
        if let Some(other) = plates.iter().find(|p| p.samples.size != size) {
            return Err(CleanError::SizeMismatch {
                lit: other.samples.size,
                plate: size,
            });
        }
        let factor = working_factor(size);
        let others = plates.split_off(1);
        let (plate, others) = plates::one_of_several(plates.remove(0), others, factor);
        Ok(Self {
            others,
            ..Self::of_one(plate, factor)
        })
    }

    /// What became of each plate beside the first, in their order.
    pub fn other_plates(&self) -> &[OtherPlate] {
        &self.others
    }

    /// Which of `count` lit frames should be shown to [`SetUp::observe`] before the first is
    /// cleaned: a handful spread over the batch, so that memory does not grow with the batch.
    pub fn frames_to_observe(count: usize) -> Vec<usize> {
        if count < 2 {
            return Vec::new();
        }
        let wanted = count.min(MAX_COMPANIONS + 1);
        (0..wanted)
            .map(|i| i * (count - 1) / (wanted - 1))
            .collect()
    }

    /// Takes a small copy of a lit frame as evidence of what stands still from pose to pose. In which
    /// order frames are observed does not matter; the one that was observed last is cleaned sooner
    /// if it is the next one cleaned, and some fifteen planes are held until then.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn observe(&mut self, index: usize, lit: &Frame) -> Result<(), CleanError> {
        drop(self.compared_before(None));
        let plate = self.check(lit)?;
        let mut clock = Clock::new(&Silent);
        let small = self.small(lit, &mut clock);
        let compared = self.compare(plate, small, None, &mut clock)?;
        let pose = self.pose(index, &compared);
        self.poses.push(pose);
        self.poses.sort_by_key(|pose| pose.index);
        *self.compared_last() = Some((index, compared));
        Ok(())
    }

    /// Cleans one lit frame; `index` is its number in the batch, as told to [`SetUp::observe`].
    ///
    /// # Errors
    /// [`CleanError`] when the frame cannot be matched with any plate.
    pub fn clean(
        &self,
        index: usize,
        lit: &Frame,
        observer: &dyn Observer,
    ) -> Result<CleanedFrame, CleanError> {
        self.clean_with(index, lit.clone(), &[], observer)
    }

    /// As [`SetUp::clean`], with what else is wanted of the frame. The lit frame's samples become
    /// the merge's: there is no second copy.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn clean_with(
        &self,
        index: usize,
        lit: Frame,
        wanted: &[Extra],
        observer: &dyn Observer,
    ) -> Result<CleanedFrame, CleanError> {
        let mut clock = Clock::new(observer);
        self.check(&lit)?;
        let begun = self.begun(index, &lit, &mut clock);
        let decided = self.decide(index, begun, wanted, &mut clock)?;
        Ok(self.merged(lit, decided, wanted, clock))
    }

    /// As [`SetUp::clean_with`], of the set-up's only frame and with less memory: lit frame and plate
    /// are let go while the frame is decided on small copies. For the merge `again` hands over the
    /// samples of both once more, the lit frame's first.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn clean_only(
        mut self,
        lit: Frame,
        again: impl FnOnce() -> [Samples; 2],
        wanted: &[Extra],
        observer: &dyn Observer,
    ) -> Result<CleanedFrame, CleanError> {
        let mut clock = Clock::new(observer);
        self.check(&lit)?;
        let small = self.small(&lit, &mut clock).small;
        let Frame { samples, encoding } = lit;
        drop(samples);
        self.plates[0].rest();
        let small = SmallLit {
            small,
            to_xyz: &encoding.to_xyz,
        };
        let decided = self.decide(0, Begun::Small(small), wanted, &mut clock)?;
        clock.start("decode again");
        recycled::give_back();
        let [samples, plate] = again();
        self.plates[0].woken(plate);
        Ok(self.merged(Frame { samples, encoding }, decided, wanted, clock))
    }

    /// The merge at full size.
    fn merged(
        &self,
        lit: Frame,
        decided: Decided,
        wanted: &[Extra],
        mut clock: Clock<'_>,
    ) -> CleanedFrame {
        clock.start("merge");
        let plate = &self.plates[0];
        let Decided {
            mut report,
            mut extras,
            share,
            gain,
            registration,
            carried,
        } = decided;
        let aligned = AlignedPlate::new(self, plate, &registration, carried);
        if wanted.contains(&Extra::AlignedPlate) {
            extras.aligned_plate = Some(aligned.picture(&lit, None));
        }
        if wanted.contains(&Extra::RelitPlate) {
            extras.relit_plate = Some(aligned.picture(&lit, Some(&gain)));
        }
        let patch = Patch {
            plate_window: &|window, taken| aligned.window_where(window, Some(taken)),
            relight: &gain,
            share: &share,
            factor: self.factor,
        };
        let (merged, mask) = composite(lit.samples, &lit.encoding, &patch);
        clock.stop();
        let rows = mask.as_slice().par_chunks(mask.columns().max(1));
        let replaced: usize = rows.map(|row| row.iter().filter(|&&m| m > 0).count()).sum();
        report.replaced_share = replaced as f64 / mask.size().area() as f64;
        report.seconds = clock.seconds;
        CleanedFrame {
            merged,
            mask,
            report,
            extras,
        }
    }

    /// All that is done on working copies; they are gone when the merge begins.
    fn decide(
        &self,
        index: usize,
        begun: Begun<'_>,
        wanted: &[Extra],
        clock: &mut Clock<'_>,
    ) -> Result<Decided, CleanError> {
        let to_xyz = begun.to_xyz();
        let examined = self.examine_timed(index, begun, clock)?;
        clock.start("classify");
        let known = examined.known;
        let (mut regions, for_mask, found) = examined.apart();
        recycled::give_back();
        let mut classified = classify(&regions, known);
        clock.start("stands");
        let cut = Cut {
            regions: &regions,
            classified: &classified,
            lit_seen: &for_mask.lit_seen,
            found: &found,
            to_xyz,
        };
        classified.labels = cut.labels_without_plates_people();
        clock.start("outline");
        let seen = OutlineInputs {
            lit_seen: &for_mask.lit_seen,
            plate_seen: &found.relit_seen,
            difference: &found.difference,
        };
        mend_outline(&mut regions, &mut classified, &seen);
        clock.start("follow");
        let seen = FollowInputs {
            sky: &found.sky.mask,
            lit_seen: &for_mask.lit_seen,
            plate_seen: &found.relit_seen,
        };
        follow_gear(&mut regions, &mut classified, &seen);
        Ok(self.planned((regions, classified), (for_mask, found), wanted, clock))
    }

    /// From what the pieces are to what the merge needs.
    fn planned(
        &self,
        (mut regions, mut classified): (Regions, Classified),
        (mut for_mask, mut found): (ForMask, Found),
        wanted: &[Extra],
        clock: &mut Clock<'_>,
    ) -> Decided {
        clock.start("shade");
        found.follow_shadows(&mut for_mask, (&mut regions, &mut classified));
        clock.start("glint");
        let seen = GlintInputs {
            lit_seen: &for_mask.lit_seen,
            plate_seen: &found.relit_seen,
            usable: &found.usable,
        };
        take_glints(&mut regions, &mut classified, &seen);
        clock.start("mask");
        let labels = label_plane(&regions, &classified.labels);
        let lit_seen = &for_mask.lit_seen;
        let labels = beyond_plate(&labels, &found.usable, lit_seen, &found.difference);
        let cut = plan_cut(&CutInputs {
            labels: &labels,
            changed: &regions.numbers.map(|&n| n > 0),
            difference: &found.difference,
            excess: &for_mask.excess,
        });
        let shaded = persons_shade(&labels, &for_mask.excess);
        drop(for_mask);
        clock.start("relight");
        recycled::give_back();
        let gain = found.relit_gain(&cut, &shaded);
        clock.start("verdict");
        let registration = self.registration_report(&found.registration, found.lit.size());
        let (verdict, hand_work) = judge(&Signs {
            regions: &regions,
            classified: &classified,
            labels: &labels,
            usable: &found.usable,
            sky: &found.sky.mask,
            share: &cut.share,
            difference: &found.difference,
            residual_px: registration.residual_px,
            factor: self.factor,
        });
        let asked = |extra| wanted.contains(&extra);
        let extras = Extras {
            labels: asked(Extra::Labels).then(|| with_sky(&labels, &found.sky.mask)),
            decision: asked(Extra::Decision)
                .then(|| self.decision(&found, &regions, &classified.labels)),
            ..Extras::default()
        };
        let report = FrameReport {
            registration,
            light: self.light_report(&found),
            regions: self.region_reports(&regions, &classified),
            replaced_share: 0.0,
            verdict,
            hand_work,
            seconds: BTreeMap::new(),
        };
        let plate = Cow::Owned(found.plate);
        let carried = Carried::of(self.factor, plate, found.sky_change.as_ref());
        Decided {
            report,
            extras,
            share: cut.share,
            gain,
            registration: found.registration,
            carried,
        }
    }

    /// Full pixels a working pixel, both ways.
    pub fn factor(&self) -> usize {
        self.factor
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn working_copies_are_as_near_to_their_size_as_a_whole_factor_brings_them() {
        let factor = |columns: usize| {
            let rows = columns * 2 / 3;
            working_factor(Size { columns, rows })
        };
        let frames = [900, 1800, 2399, 2400, 4000, 6000, 8256];
        assert_eq!(frames.map(factor), [1, 1, 1, 2, 3, 4, 5]);
        let upright = Size {
            columns: 4000,
            rows: 6000,
        };
        assert_eq!(working_factor(upright), 4);
    }
}
