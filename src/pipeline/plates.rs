//! One plate of several.
//!
//! The light cannot always be carried out of the picture, and passers-by do not wait: then a plate is
//! shot with the light at one side and another with it at the other side. The first plate is taken as it
//! is; what stands in it and in none of the others goes out of it as gear goes out of a lit frame,
//! with the other plate as its plate.

use std::sync::Mutex;

use super::clock::Clock;
use super::comparison::Plate;
use super::standing::Cut;
use super::{CleanError, Decided, Frame, SetUp, Silent};
use crate::classify::classify;
use crate::scene::{Label, SceneLinear, recycled};

/// Things smaller than this share of the picture are leaves: a thin stand's foot alone is larger.
const LEAST_THING: f32 = 0.0003;

/// What became of a plate beside the first.
#[derive(Debug, Clone, PartialEq)]
pub enum OtherPlate {
    /// Share of the first plate's picture that was taken from it.
    Gave(f64),
    /// Nothing: it cannot be laid over the first.
    LeftOut(CleanError),
}

/// The first plate without what stands in it alone, and what each of the others was good for, in their
/// order. Holds all of them, and some twenty working planes.
pub(super) fn one_of_several(
    mut first: Frame,
    others: Vec<Frame>,
    factor: usize,
) -> (Frame, Vec<OtherPlate>) {
    let mut told = Vec::with_capacity(others.len());
    for other in others {
        let beside = SetUp::of_one(other, factor);
        let outcome;
        (first, outcome) = beside.mended(first);
        drop(beside);
        recycled::give_back();
        told.push(outcome);
    }
    (first, told)
}

impl SetUp {
    /// Of one plate, with nothing seen yet.
    pub(super) fn of_one(plate: Frame, factor: usize) -> Self {
        Self::of_prepared(Plate::prepare(plate, factor), factor)
    }

    /// Of a plate of which there is a working copy alone, to be compared with once.
    pub(super) fn of_working_copy(plate: SceneLinear, factor: usize) -> Self {
        Self::of_prepared(Plate::of_working_copy(plate, factor), factor)
    }

    fn of_prepared(plate: Plate, factor: usize) -> Self {
        Self {
            plates: vec![plate],
            others: Vec::new(),
            poses: Vec::new(),
            compared_last: Mutex::new(None),
            factor,
        }
    }

    /// Another plate without what stands there and not in this set-up's.
    fn mended(&self, plate: Frame) -> (Frame, OtherPlate) {
        let mut clock = Clock::new(&Silent);
        match self.standing_in(&plate, &mut clock) {
            Err(error) => (plate, OtherPlate::LeftOut(error)),
            Ok(None) => (plate, OtherPlate::Gave(0.0)),
            Ok(Some(decided)) => {
                let encoding = plate.encoding.clone();
                let mended = self.merged(plate, decided, &[], clock);
                let samples = mended.merged;
                let share = mended.report.replaced_share;
                (Frame { samples, encoding }, OtherPlate::Gave(share))
            }
        }
    }

    /// How to take out of another plate what stands in it alone; `None` if nothing does.
    fn standing_in(
        &self,
        plate: &Frame,
        clock: &mut Clock<'_>,
    ) -> Result<Option<Decided>, CleanError> {
        self.check(plate)?;
        let examined = self.examine_timed(0, self.begun(0, plate, clock), clock)?;
        let known = examined.known;
        let (regions, for_mask, found) = examined.apart();
        let mut classified = classify(&regions, known);
        classified.labels = labels_of_things(&Cut {
            regions: &regions,
            classified: &classified,
            lit_seen: &for_mask.lit_seen,
            found: &found,
            to_xyz: &plate.encoding.to_xyz,
        });
        let is_any = classified.labels.iter().any(|label| label.is_removed());
        Ok(is_any.then(|| self.planned((regions, classified), (for_mask, found), &[], clock)))
    }
}

/// Labels under which the things go that stand in the examined picture alone, and nothing else.
fn labels_of_things(cut: &Cut<'_>) -> Vec<Label> {
    let goes = cut.standing_in_lit(LEAST_THING);
    let label_of = |(label, goes): (&Label, bool)| match (goes, label) {
        (true, Label::GearShadow | Label::PersonShadow) => Label::GearShadow,
        (true, _) => Label::Gear,
        _ => Label::Other,
    };
    cut.classified
        .labels
        .iter()
        .zip(goes)
        .map(label_of)
        .collect()
}
