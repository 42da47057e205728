//! The one place that knows the order of the stages.

mod again;
mod decision;
mod extras;

use std::collections::BTreeMap;
use std::sync::OnceLock;
use std::time::Instant;

use crate::change::{Evidence, as_seen, gather_evidence, relit};
use crate::classify::{self, Classified, classify, label_plane};
use crate::lighting::{LightingChange, separate_light};
use crate::mask::{CutInputs, CutPlan, beyond_plate, plan_cut};
use crate::merge::{Patch, Relight, RelightInputs, composite, relight};
use crate::numeric::filter::box_mean;
use crate::numeric::pull_push;
use crate::region::{Camera, Companion, Observed, Regions, cut_regions, observe_stillness};
use crate::registration::{
    Features, Registration, describe, register, warp_plate_to_lit, warp_window,
};
use crate::report::{Box2, FrameReport, LightReport, RegionReport, RegistrationReport};
use crate::scene::{Encoding, Label, Plane, Point, Samples, SceneLinear, Size, Window};
use crate::sky::{Drift, SkyLayer, carry_sky, estimate_drift, find_sky};
use crate::verdict::{Signs, judge};

pub use again::{
    Before, Corrected, Correction, Marks, Reopened, Told, merged_from_what_is_known, needs_plate,
};
pub use decision::{Decision, Lie};
pub use extras::{Extra, Extras};
use extras::{FullPlate, with_sky};

/// Working copies are reduced by the whole factor that brings their long side nearest below this.
const WORKING_SIDE: usize = 2400;

/// Comparisons near the plate's border are not to be trusted: the reach of their windows, px.
const BORDER_PX: usize = 6;

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

/// The plate's share of every stage, computed once.
#[derive(Debug)]
struct Plate {
    frame: Frame,
    working: SceneLinear,
    /// For registration alone: not worked out where that is known.
    features: OnceLock<Features>,
    /// Likewise.
    sky: OnceLock<SkyLayer>,
}

/// Another pose, kept small: under the plate's light, in the plate's pixels.
#[derive(Debug)]
struct Pose {
    index: usize,
    in_plate_light: SceneLinear,
    camera: Camera,
}

/// One tripod set-up: its plates, and what has been seen of its lit frames.
#[derive(Debug)]
pub struct SetUp {
    plates: Vec<Plate>,
    poses: Vec<Pose>,
    factor: usize,
}

/// A lit frame compared with the plate, cut and measured, with nothing decided yet.
#[derive(Debug)]
pub struct Examined {
    compared: Comparison,
    evidence: Evidence,
    /// The pieces of change.
    pub regions: Regions,
    /// Whether other poses were seen.
    pub known: classify::Evidence,
}

/// What a lit frame and the plate say together before anything is decided.
#[derive(Debug)]
struct Comparison {
    lit: SceneLinear,
    registration: Registration,
    plate: SceneLinear,
    usable: Plane<bool>,
    sky: SkyLayer,
    drift: Drift,
    light: LightingChange,
}

/// Seconds a stage, in order of their names.
struct Clock<'a> {
    observer: &'a dyn Observer,
    seconds: BTreeMap<String, f64>,
    running: Option<(&'static str, Instant)>,
}

impl<'a> Clock<'a> {
    fn new(observer: &'a dyn Observer) -> Self {
        Self {
            observer,
            seconds: BTreeMap::new(),
            running: None,
        }
    }

    fn start(&mut self, stage: &'static str) {
        self.stop();
        self.observer.stage(stage);
        self.running = Some((stage, Instant::now()));
    }

    fn stop(&mut self) {
        if let Some((stage, since)) = self.running.take() {
            *self.seconds.entry(stage.to_owned()).or_default() += since.elapsed().as_secs_f64();
        }
    }
}

impl SetUp {
    /// From one plate or more; the plates' own work (small copies, features) is done here, once.
    ///
    /// # Errors
    /// [`CleanError::SizeMismatch`] when the plates differ in extent.
    pub fn new(plates: Vec<Frame>) -> Result<Self, CleanError> {
        let size = plates.first().map_or(
            Size {
                columns: 1,
                rows: 1,
            },
            |p| p.samples.size,
        );
        if let Some(other) = plates.iter().find(|p| p.samples.size != size) {
            return Err(CleanError::SizeMismatch {
                lit: other.samples.size,
                plate: size,
            });
        }
        let factor = size.long_side().div_ceil(WORKING_SIDE).max(1);
        let plates = plates
            .into_iter()
            .map(|frame| Plate::prepare(frame, factor))
            .collect();
        Ok(Self {
            plates,
            poses: Vec::new(),
            factor,
        })
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

    /// Takes a small copy of a lit frame as evidence of what stands still from pose to pose.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn observe(&mut self, index: usize, lit: &Frame) -> Result<(), CleanError> {
        let plate = self.check(lit)?;
        let compared = self.compare(plate, lit, None, &mut Clock::new(&Silent))?;
        let inverse: [Plane<f32>; 3] = std::array::from_fn(|c| compared.light.pool[c].map(|v| -v));
        let in_plate_light = relit(&compared.lit, &inverse);
        let in_plate_light = into_plate_pixels(&in_plate_light, &compared.registration);
        let camera = if compared.registration.is_identity() {
            Camera::OnTripod
        } else {
            Camera::Moved
        };
        self.poses.push(Pose {
            index,
            in_plate_light,
            camera,
        });
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
        self.clean_with(index, lit, &[], observer)
    }

    /// As [`SetUp::clean`], with what else is wanted of the frame.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn clean_with(
        &self,
        index: usize,
        lit: &Frame,
        wanted: &[Extra],
        observer: &dyn Observer,
    ) -> Result<CleanedFrame, CleanError> {
        let mut clock = Clock::new(observer);
        let examined = self.examine_timed(index, lit, &mut clock)?;
        clock.start("classify");
        let classified = classify(&examined.regions, examined.known);
        clock.start("mask");
        let labels = label_plane(&examined.regions, &classified.labels);
        let labels = beyond_plate(
            &labels,
            &examined.compared.usable,
            &examined.evidence.lit_seen,
        );
        let cut = plan_cut(&CutInputs {
            labels: &labels,
            changed: &examined.regions.numbers.map(|&n| n > 0),
            difference: &examined.evidence.difference,
            excess: &examined.evidence.excess,
        });
        let plate = self.check(lit)?;
        clock.start("relight");
        let gain = relit_gain(&examined, &cut);
        clock.start("merge");
        let (merged, mask) = self.merge(plate, lit, &examined.compared, &cut, &gain);
        clock.stop();
        let replaced = mask.as_slice().iter().filter(|&&m| m > 0).count();
        let compared = &examined.compared;
        let registration = self.registration_report(compared);
        let (verdict, hand_work) = judge(&Signs {
            regions: &examined.regions,
            classified: &classified,
            labels: &labels,
            usable: &compared.usable,
            share: &cut.share,
            difference: &examined.evidence.difference,
            residual_px: registration.residual_px,
            factor: self.factor,
        });
        let report = FrameReport {
            registration,
            light: self.light_report(compared),
            regions: self.region_reports(&examined.regions, &classified),
            replaced_share: replaced as f64 / mask.size().area() as f64,
            verdict,
            hand_work,
            seconds: clock.seconds,
        };
        let full = FullPlate {
            set_up: self,
            plate,
            compared,
        };
        let asked = |extra| wanted.contains(&extra);
        let extras = Extras {
            aligned_plate: asked(Extra::AlignedPlate).then(|| full.picture(lit, None)),
            relit_plate: asked(Extra::RelitPlate).then(|| full.picture(lit, Some(&gain))),
            labels: asked(Extra::Labels).then(|| with_sky(&labels, &compared.sky.mask)),
            decision: asked(Extra::Decision)
                .then(|| self.decision(compared, &examined.regions, &classified.labels)),
        };
        Ok(CleanedFrame {
            merged,
            mask,
            report,
            extras,
        })
    }

    /// Compares, cuts and measures one lit frame without deciding anything: what training needs.
    ///
    /// # Errors
    /// As [`SetUp::clean`].
    pub fn examine(&self, index: usize, lit: &Frame) -> Result<Examined, CleanError> {
        self.examine_timed(index, lit, &mut Clock::new(&Silent))
    }

    /// Full pixels a working pixel, both ways.
    pub fn factor(&self) -> usize {
        self.factor
    }

    fn examine_timed(
        &self,
        index: usize,
        lit: &Frame,
        clock: &mut Clock<'_>,
    ) -> Result<Examined, CleanError> {
        let plate = self.check(lit)?;
        let compared = self.compare(plate, lit, None, clock)?;
        clock.start("change");
        let to_xyz = &lit.encoding.to_xyz;
        let evidence = gather_evidence(&compared.lit, &compared.plate, &compared.light, to_xyz);
        clock.start("stillness");
        let others = self.poses.iter().filter(|p| p.index != index).map(|pose| {
            let size = compared.lit.size();
            let (picture, _) =
                warp_plate_to_lit(&pose.in_plate_light, &compared.registration, size);
            Companion {
                in_plate_light: picture,
                camera: pose.camera,
            }
        });
        let stillness = observe_stillness(
            &evidence.lit_seen,
            &evidence.relit_seen,
            &compared.light.pool,
            others,
            to_xyz,
        );
        clock.start("regions");
        let regions = cut_regions(&Observed {
            lit: &compared.lit,
            light: &compared.light,
            evidence: &evidence,
            usable: &compared.usable,
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

    fn check(&self, lit: &Frame) -> Result<&Plate, CleanError> {
        let plate = &self.plates[0];
        let (lit_size, plate_size) = (lit.samples.size, plate.frame.samples.size);
        if lit_size != plate_size {
            return Err(CleanError::SizeMismatch {
                lit: lit_size,
                plate: plate_size,
            });
        }
        if lit.samples == plate.frame.samples {
            return Err(CleanError::SamePicture);
        }
        Ok(plate)
    }

    fn compare(
        &self,
        plate: &Plate,
        lit: &Frame,
        known: Option<&Decision>,
        clock: &mut Clock<'_>,
    ) -> Result<Comparison, CleanError> {
        clock.start("reduce");
        let small = lit.samples.reduced(&lit.encoding, self.factor);
        clock.start("registration");
        let registration = match known {
            Some(known) => known.lie.registration.clone(),
            None => plate.registered(&small)?,
        };
        let (aligned, usable) = warp_plate_to_lit(&plate.working, &registration, small.size());
        let aligned = beyond_border(aligned, &usable);
        let usable = eroded(&usable, BORDER_PX);
        clock.start("sky");
        let sky = match known {
            Some(known) => SkyLayer::from_mask(known.sky.clone()),
            None => plate.sky().moved(|x, y| {
                registration.plate_point(Point {
                    x: x as f64,
                    y: y as f64,
                })
            }),
        };
        let (aligned, drift) = if let Some(known) = known {
            let carries = sky.share > 0.0;
            let carried = carries.then(|| carry_sky(&aligned, &sky.mask, &known.lie.drift));
            (carried.unwrap_or(aligned), known.lie.drift)
        } else if sky.share > 0.0 {
            let to_xyz = &lit.encoding.to_xyz;
            let (lit_seen, plate_seen) = (as_seen(&small, to_xyz), as_seen(&aligned, to_xyz));
            let lit_sky = sky.seen_in(&lit_seen);
            let drift = estimate_drift((&lit_seen, &lit_sky), (&plate_seen, &sky.mask));
            (carry_sky(&aligned, &sky.mask, &drift), drift)
        } else {
            (aligned, Drift::none())
        };
        clock.start("lighting");
        let light = separate_light(&small, &aligned, &sky.mask, &usable);
        Ok(Comparison {
            lit: small,
            registration,
            plate: aligned,
            usable,
            sky,
            drift,
            light,
        })
    }

    fn merge(
        &self,
        plate: &Plate,
        lit: &Frame,
        compared: &Comparison,
        cut: &CutPlan,
        gain: &Relight,
    ) -> (Samples, Plane<u16>) {
        let full = compared.registration.scaled(self.factor as f64);
        let plate_window = |window: Window| self.plate_window(plate, compared, &full, window);
        composite(
            &lit.samples,
            &lit.encoding,
            &Patch {
                plate_window: &plate_window,
                relight: gain,
                share: &cut.share,
                factor: self.factor,
            },
        )
    }

    /// The aligned plate at full size, its sky carried along.
    fn plate_window(
        &self,
        plate: &Plate,
        compared: &Comparison,
        full: &Registration,
        window: Window,
    ) -> SceneLinear {
        if self.factor == 1 {
            let channels = std::array::from_fn(|c| {
                Plane::from_fn(window.size(), |x, y| {
                    *compared.plate.channels[c].at(window.left + x, window.top + y)
                })
            });
            return SceneLinear { channels };
        }
        let samples = &plate.frame.samples;
        let read = |part: Window| samples.linear_window(&plate.frame.encoding, part);
        warp_window(read, samples.size, full, window).0
    }

    fn registration_report(&self, compared: &Comparison) -> RegistrationReport {
        let full = compared.registration.scaled(self.factor as f64);
        let size = compared.lit.size();
        let centre = Point {
            x: (size.columns * self.factor) as f64 / 2.0,
            y: (size.rows * self.factor) as f64 / 2.0,
        };
        let moved = full.homography.apply(centre);
        let right = full.homography.apply(Point {
            x: centre.x + 100.0,
            ..centre
        });
        let (dx, dy) = (right.x - moved.x, right.y - moved.y);
        let corners = [
            (0.1, 0.9),
            (0.5, 0.9),
            (0.9, 0.9),
            (0.1, 0.1),
            (0.5, 0.5),
            (0.9, 0.1),
        ];
        let parallax = corners
            .into_iter()
            .filter_map(|(u, v)| {
                let at = Point {
                    x: u * 2.0 * centre.x,
                    y: v * 2.0 * centre.y,
                };
                full.field
                    .as_ref()
                    .map(|f| f.at(at))
                    .map(|d| d.x.hypot(d.y))
            })
            .fold(0.0, f64::max);
        RegistrationReport {
            model: format!("{:?}", full.model).to_lowercase(),
            homography: full.homography.to_rows(),
            shift_px: [moved.x - centre.x, moved.y - centre.y],
            rotation_deg: dy.atan2(dx).to_degrees(),
            scale: dx.hypot(dy) / 100.0,
            residual_px: full.residual_px,
            tiles: full.tiles,
            parallax_px: parallax,
        }
    }

    fn light_report(&self, compared: &Comparison) -> LightReport {
        let size = compared.lit.size();
        let high = Point {
            x: size.columns as f64 / 2.0,
            y: size.rows as f64 / 10.0,
        };
        let (dx, dy) = compared.drift.shift_at(high);
        let factor = self.factor as f64;
        LightReport {
            gain: compared.light.gain,
            noise_at_mid_grey: compared.light.noise.sigma(0.18),
            sky_share: compared.sky.share,
            drift_px: [dx * factor, dy * factor],
        }
    }

    fn region_reports(&self, regions: &Regions, classified: &Classified) -> Vec<RegionReport> {
        let factor = self.factor;
        let mut reports: Vec<RegionReport> = regions
            .pieces
            .iter()
            .zip(&classified.probabilities)
            .zip(&classified.labels)
            .filter(|(_, label)| **label != Label::Other)
            .map(|((piece, probabilities), &class)| RegionReport {
                class,
                probability: probabilities.of(class),
                place: Box2 {
                    x: piece.window.left * factor,
                    y: piece.window.top * factor,
                    width: piece.window.columns() * factor,
                    height: piece.window.rows() * factor,
                },
                area_px: piece.area * factor * factor,
                removed: class.is_removed(),
            })
            .collect();
        reports.sort_by_key(|r| std::cmp::Reverse(r.area_px));
        reports
    }
}

impl Plate {
    fn prepare(frame: Frame, factor: usize) -> Self {
        let working = frame.samples.reduced(&frame.encoding, factor);
        Self {
            frame,
            working,
            features: OnceLock::new(),
            sky: OnceLock::new(),
        }
    }

    fn sky(&self) -> &SkyLayer {
        self.sky.get_or_init(|| {
            let seen = as_seen(&self.working, &self.frame.encoding.to_xyz);
            find_sky(&self.working, &seen)
        })
    }

    fn registered(&self, lit: &SceneLinear) -> Result<Registration, CleanError> {
        let features = self.features.get_or_init(|| describe(&self.working));
        register(features, lit).map_err(|e| CleanError::NotAligned {
            tiles: e.tiles,
            needed: e.needed,
        })
    }
}

/// By how much the aligned plate is lightened or darkened in the mask.
fn relit_gain(examined: &Examined, cut: &CutPlan) -> Relight {
    let (compared, evidence) = (&examined.compared, &examined.evidence);
    relight(&RelightInputs {
        lit: &compared.lit,
        plate: &compared.plate,
        plate_seen: &evidence.relit_seen,
        agreement: &compared.light.agreement.coarse,
        pool: &compared.light.pool,
        sky: &compared.sky.mask,
        share: &cut.share,
        keep: &cut.keep,
    })
}

/// The aligned plate with what lies beyond its border filled smoothly from inside.
fn beyond_border(mut aligned: SceneLinear, usable: &Plane<bool>) -> SceneLinear {
    if usable.as_slice().iter().all(|&u| u) {
        return aligned;
    }
    let weight = usable.map(|&u| if u { 1.0f32 } else { 0.0 });
    for channel in &mut aligned.channels {
        *channel = pull_push::fill(channel, &weight);
    }
    aligned
}

/// What is usable for `reach` pixels around, too.
fn eroded(usable: &Plane<bool>, reach: usize) -> Plane<bool> {
    let share = box_mean(&usable.map(|&u| if u { 1.0f32 } else { 0.0 }), reach);
    share.map(|&s| s > 0.999)
}

/// A working copy resampled to the plate's pixels (bilinear: it is compared with a tolerance).
fn into_plate_pixels(picture: &SceneLinear, registration: &Registration) -> SceneLinear {
    if registration.is_identity() {
        return picture.clone();
    }
    let size = picture.size();
    let places = Plane::from_fn(size, |x, y| {
        registration.lit_point(Point {
            x: x as f64,
            y: y as f64,
        })
    });
    let channels = std::array::from_fn(|c| {
        let plane = &picture.channels[c];
        places.map(|p| {
            let x = p.x.clamp(0.0, (size.columns - 1) as f64);
            let y = p.y.clamp(0.0, (size.rows - 1) as f64);
            let (l, t) = (x as usize, y as usize);
            let (r, b) = ((l + 1).min(size.columns - 1), (t + 1).min(size.rows - 1));
            let (u, v) = ((x - l as f64) as f32, (y - t as f64) as f32);
            let up = plane.at(l, t) + u * (plane.at(r, t) - plane.at(l, t));
            let down = plane.at(l, b) + u * (plane.at(r, b) - plane.at(l, b));
            up + v * (down - up)
        })
    });
    SceneLinear { channels }
}
