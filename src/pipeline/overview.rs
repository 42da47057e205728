//! What is known of a lit frame before anything is merged: what judging a set-up on location reads.

use super::{CleanError, Frame, SetUp};
use crate::classify::{Classified, classify, label_plane};
use crate::region::Regions;
use crate::report::RegistrationReport;
use crate::scene::{Label, Perceived, Plane, SceneLinear};
use crate::sky::Drift;

/// A lit frame laid over the plate: working copies in the lit frame's pixels. Holds some twenty
/// planes.
#[derive(Debug)]
pub struct Overview {
    /// The lit frame.
    pub lit: SceneLinear,
    /// The plate under the registration, its sky carried along the clouds' drift.
    pub plate: SceneLinear,
    /// How the plate lies, in pixels of the frames given.
    pub registration: RegistrationReport,
    /// Where the plate shows the lit frame's place at all.
    pub usable: Plane<bool>,
    /// Open sky of the plate.
    pub sky: Plane<bool>,
    /// How the clouds moved, in working pixels.
    pub drift: Drift,
    /// Ambient gain a channel, lit / plate.
    pub gain: [f32; 3],
    /// `ln(lit / plate)` a channel.
    pub log_ratio: [Plane<f32>; 3],
    /// The smooth part of it a channel: ambient shift and flash pool.
    pub pool: [Plane<f32>; 3],
    /// Structure agreement, coarse window, -1..1.
    pub agreement: Plane<f32>,
    /// Standard deviation of the plate's ln luminance in that window.
    pub plate_texture: Plane<f32>,
    /// The lit frame as seen.
    pub lit_seen: Perceived,
    /// The relit plate as seen.
    pub plate_seen: Perceived,
    /// Difference between the two (CIE94).
    pub difference: Plane<f32>,
    /// The pieces of change.
    pub regions: Regions,
    /// What they were taken for.
    pub classified: Classified,
    /// Class a pixel; unchanged pixels are [`Label::Other`].
    pub labels: Plane<Label>,
    /// Full pixels a working pixel, both ways.
    pub factor: usize,
}

impl SetUp {
    /// Compares, cuts and classifies one lit frame, and merges nothing.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn overview(&self, index: usize, lit: &Frame) -> Result<Overview, CleanError> {
        let examined = self.examine(index, lit)?;
        let classified = classify(&examined.regions, examined.known);
        let labels = label_plane(&examined.regions, &classified.labels);
        let compared = examined.compared;
        let size = compared.lit.size();
        Ok(Overview {
            registration: self.registration_report(&compared.registration, size),
            lit: compared.lit,
            plate: compared.plate,
            usable: compared.usable,
            sky: compared.sky.mask,
            drift: compared.drift,
            gain: compared.light.gain,
            log_ratio: compared.light.log_ratio,
            pool: compared.light.pool,
            agreement: compared.light.agreement.coarse,
            plate_texture: compared.light.agreement.plate_texture,
            lit_seen: examined.evidence.lit_seen,
            plate_seen: examined.evidence.relit_seen,
            difference: examined.evidence.difference,
            regions: examined.regions,
            classified,
            labels,
            factor: self.factor(),
        })
    }
}
