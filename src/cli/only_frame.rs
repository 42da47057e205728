//! A run's only frame: nobody else needs its plate, so both may leave memory while it is decided.

use super::choices::LayerChoice;
use super::clean_plan::CleanPlan;
use super::progress::Progress;
use crate::photo::{Coded, Photo};
use crate::pipeline::{CleanError, CleanedFrame, Extra, Frame, SetUp};
use crate::scene::CodeValues;

/// Samples of one picture that are worth decoding twice, bytes: of 8 MP at 8 bits. Smaller ones are
/// little beside the program's own needs.
const WORTH_RESTING_BYTES: usize = 24_000_000;

/// Is there one lit frame, one plate, and nobody who looks at the frame's samples once it is cleaned?
pub(super) fn is_only(plan: &CleanPlan) -> bool {
    let layers: &[LayerChoice] = &plan.layers;
    plan.frames.len() == 1 && plan.plates.len() == 1 && layers.is_empty() && plan.page.is_none()
}

/// The coding of a picture whose samples are worth decoding twice.
pub(super) fn worth_keeping(photo: &mut Photo) -> Option<Coded> {
    let coded = photo.coded.take();
    let bytes = match &photo.samples.values {
        CodeValues::Eight(values) => values.len(),
        CodeValues::Sixteen(values) => 2 * values.len(),
    };
    coded.filter(|_| bytes >= WORTH_RESTING_BYTES)
}

/// Who cleans the frame at hand.
pub(super) struct Cleaner<'a> {
    pub(super) set_up: &'a mut Option<SetUp>,
    /// The plate's coding and the lit frame's, where both may rest.
    pub(super) coded: Option<[Coded; 2]>,
    pub(super) wanted: &'a [Extra],
    pub(super) progress: &'a Progress<'a>,
}

impl Cleaner<'_> {
    pub(super) fn clean(self, index: usize, lit: Frame) -> Result<CleanedFrame, CleanError> {
        let Self {
            set_up,
            coded,
            wanted,
            progress,
        } = self;
        if let Some([plate, lit_coded]) = coded
            && let Some(set_up) = set_up.take()
        {
            let again = || {
                let (lit, plate) = rayon::join(|| lit_coded.samples(), || plate.samples());
                [lit, plate]
            };
            return set_up.clean_only(lit, again, wanted, progress);
        }
        let set_up = set_up.as_ref();
        set_up
            .expect("only the run's only frame takes the set-up")
            .clean_with(index, lit, wanted, progress)
    }
}
