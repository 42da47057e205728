//! A lit frame cut into measured pieces.

use rayon::prelude::*;

use super::comparison::{Begun, Comparison, Known, eroded};
use super::{CleanError, Clock, Frame, SetUp, Silent};
use crate::change::{Evidence, as_seen, gather_evidence};
use crate::classify::{self, Classified, label_plane};
use crate::lighting::{Agreement, LightingChange, NoiseModel, PoolCells};
use crate::mask::CutPlan;
use crate::merge::{Relight, RelightInputs, relit_surfaces};
use crate::numeric::spans::Spans;
use crate::region::{
    Observed, REACH as STILLNESS_REACH, Regions, changed_pixels, cut_regions, observe_stillness,
};
use crate::registration::Registration;
use crate::scene::{Label, Perceived, Plane, SceneLinear, Size, recycled};
use crate::shade::{ShadeInputs, complete_shadows};
use crate::sky::{Drift, SkyChange, SkyLayer};

/// The rim of the sky shows other things' light as well, px: the comparison's blur.
const SKY_RIM_PX: usize = 2;

/// Extent of a plane that was taken away.
const NO_SIZE: Size = Size {
    columns: 0,
    rows: 0,
};

/// Where a lit frame shows open sky and nothing else.
pub(super) fn clear_sky(sky: &SkyLayer, lit_seen: &Perceived) -> Plane<bool> {
    eroded(&sky.seen_in(lit_seen), SKY_RIM_PX)
}

/// A lit frame compared with the plate, cut and measured, with nothing decided yet.
#[derive(Debug)]
pub struct Examined {
    pub(super) compared: Comparison,
    pub(super) evidence: Evidence,
    /// The pieces of change.
    pub regions: Regions,
    /// Whether other poses were seen.
    pub known: classify::Evidence,
}

/// What is known of a frame whose pieces are measured; what only measuring needed is gone.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) lit: SceneLinear,
    pub(super) plate: SceneLinear,
    pub(super) registration: Registration,
    pub(super) drift: Drift,
    pub(super) usable: Plane<bool>,
    pub(super) sky: SkyLayer,
    pub(super) gain: [f32; 3],
    pub(super) noise: NoiseModel,
    pub(super) difference: Plane<f32>,
    pool: [Plane<f32>; 3],
    cells: PoolCells,
    /// Coarse structure agreement.
    agreement: Plane<f32>,
    pub(super) relit_seen: Perceived,
    lit_sky: Plane<bool>,
    pub(super) sky_change: Option<SkyChange>,
}

/// What laying the mask needs beside.
#[derive(Debug)]
pub(super) struct ForMask {
    pub(super) lit_seen: Perceived,
    pub(super) excess: Plane<f32>,
}

impl Examined {
    /// How unevenly the ground is lit beyond the plate, ln units: see [`LightingChange::spread`].
    pub fn light_spread(&self) -> f64 {
        self.compared.light.spread(&self.compared.sky.mask)
    }

    /// The pieces apart from what they were measured on; frees the planes nobody reads any more.
    pub(super) fn apart(self) -> (Regions, ForMask, Found) {
        let Comparison {
            lit,
            registration,
            plate,
            usable,
            sky,
            drift,
            light,
            sky_change,
            ..
        } = self.compared;
        let LightingChange {
            gain,
            noise,
            pool,
            cells,
            agreement: Agreement { coarse, .. },
            ..
        } = light;
        let Evidence {
            lit_seen,
            relit_seen,
            difference,
            excess,
            ..
        } = self.evidence;
        let lit_sky = clear_sky(&sky, &lit_seen);
        let found = Found {
            lit,
            plate,
            registration,
            drift,
            usable,
            sky,
            gain,
            noise,
            difference,
            pool,
            cells,
            agreement: coarse,
            relit_seen,
            lit_sky,
            sky_change,
        };
        (self.regions, ForMask { lit_seen, excess }, found)
    }
}

impl Found {
    /// Follows soft shadows of gear to their ends, and carries the pool on through all shadows; the
    /// excess is told over that.
    pub(super) fn follow_shadows(
        &mut self,
        for_mask: &mut ForMask,
        (regions, classified): (&mut Regions, &mut Classified),
    ) {
        // With the old pool added it is the ratio itself.
        add(&mut for_mask.excess, &self.pool, 1.0);
        let seen = ShadeInputs {
            lit_seen: &for_mask.lit_seen,
            ratio: &for_mask.excess,
            pool: &self.cells,
            plate_seen: &self.relit_seen,
            sky: &self.sky.mask,
            usable: &self.usable,
        };
        complete_shadows(regions, classified, &seen);
        let labels = label_plane(regions, &classified.labels);
        let shaded = labels.map(|l| matches!(l, Label::GearShadow | Label::PersonShadow));
        self.pool = self.cells.without(&shaded, &self.sky.mask);
        add(&mut for_mask.excess, &self.pool, -1.0);
    }

    /// By how much the aligned plate is lightened or darkened in the mask. Takes the pool.
    pub(super) fn relit_gain(&mut self, cut: &CutPlan, shaded: &Plane<bool>) -> Relight {
        let surfaces = relit_surfaces(&RelightInputs {
            lit: &self.lit,
            plate: &self.plate,
            plate_seen: &self.relit_seen,
            agreement: &self.agreement,
            pool: &self.pool,
            sky: &self.sky.mask,
            lit_sky: &self.lit_sky,
            share: &cut.share,
            keep: &cut.keep,
            shaded,
        });
        let nothing = || Plane::filled(NO_SIZE, 0.0);
        let pool = std::mem::replace(&mut self.pool, std::array::from_fn(|_| nothing()));
        surfaces.over(pool)
    }
}

/// Adds the mean of three channels, `times` over.
fn add(to: &mut Plane<f32>, channels: &[Plane<f32>; 3], times: f32) {
    let [r, g, b] = channels.each_ref().map(Plane::as_slice);
    let mean = |i: usize| (r[i] + g[i] + b[i]) / 3.0;
    let values = to.as_mut_slice().par_iter_mut().enumerate();
    values.for_each(|(i, value)| *value += times * mean(i));
}

impl SetUp {
    /// Compares, cuts and measures one lit frame without deciding anything: what training needs.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn examine(&self, index: usize, lit: &Frame) -> Result<Examined, CleanError> {
        self.check(lit)?;
        let mut clock = Clock::new(&Silent);
        self.examine_timed(index, self.begun(index, lit, &mut clock), &mut clock)
    }

    /// Of a frame that is the plate's.
    pub(super) fn examine_timed(
        &self,
        index: usize,
        begun: Begun<'_>,
        clock: &mut Clock<'_>,
    ) -> Result<Examined, CleanError> {
        let plate = &self.plates[0];
        let (mut compared, to_xyz) = match begun {
            Begun::Compared(compared, to_xyz) => (*compared, to_xyz),
            Begun::Small(lit) => {
                let to_xyz = lit.to_xyz;
                let seen_before = self.poses.iter().find(|p| p.index == index);
                let known = seen_before.map(|pose| Known {
                    lie: &pose.lie,
                    sky: None,
                });
                (self.compare(plate, lit, known, clock)?, to_xyz)
            }
        };
        clock.start("change");
        let lit_seen = compared.lit_seen.take();
        let lit_seen = lit_seen.unwrap_or_else(|| as_seen(&compared.lit, to_xyz));
        let evidence = gather_evidence(lit_seen, &compared.plate, &compared.light, to_xyz);
        clock.start("stillness");
        let changed = changed_pixels(&evidence, &compared.light.noise, &compared.usable);
        let asked = Spans::of_mask(&changed).grown(STILLNESS_REACH);
        let others = self.poses.iter().filter(|p| p.index != index);
        let others = others.map(|pose| pose.companion(&compared.registration, &asked));
        let stillness = observe_stillness(
            &evidence.lit_seen,
            &evidence.relit_seen,
            (&compared.light.pool, &asked),
            others,
            to_xyz,
        );
        clock.start("regions");
        recycled::give_back();
        let regions = cut_regions(&Observed {
            lit: &compared.lit,
            plate: &compared.plate,
            light: &compared.light,
            evidence: &evidence,
            changed: &changed,
            sky: &compared.sky,
            stillness: stillness.as_ref(),
        });
        let known = match stillness {
            Some(_) => classify::Evidence::WithPoses,
            None => classify::Evidence::Alone,
        };
        Ok(Examined {
            compared,
            evidence,
            regions,
            known,
        })
    }
}
