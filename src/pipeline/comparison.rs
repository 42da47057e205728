//! What a lit frame and the plate say together before anything is decided.

use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

use rayon::prelude::*;

use super::{CleanError, Clock, Frame, Lie, SetUp};
use crate::change::{as_seen, as_seen_near};
use crate::lighting::{LightingChange, separate_light};
use crate::numeric::{pull_push, spans::Spans};
use crate::registration::{Features, Registration, describe, register, warp_plate_to_lit};
use crate::scene::{ChannelLayout, CodeValues, Encoding, Perceived, Plane, Samples, SceneLinear};
use crate::sky::{Drift, SkyChange, SkyLayer, estimate_drift, find_sky, without_still_things};

/// Comparisons near the plate's border are not to be trusted: the reach of their windows, px.
const BORDER_PX: usize = 6;

/// The plate is looked at this far beyond its sky, px: the blocks of the rim, and the blur of a colour.
const SKY_SEEN_BEYOND: usize = 8;

/// The plate's share of every stage, computed once.
#[derive(Debug)]
pub(super) struct Plate {
    pub(super) frame: Frame,
    factor: usize,
    /// The working copy until the first frame takes it.
    working: Mutex<Option<SceneLinear>>,
    /// For registration alone: not worked out where that is known.
    features: OnceLock<Features>,
    /// Likewise.
    sky: OnceLock<SkyLayer>,
}

/// What a comparison before found out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known<'a> {
    /// Where plate and clouds lie.
    pub(super) lie: &'a Lie,
    /// Open sky of the plate in lit-frame pixels, where it was kept.
    pub(super) sky: Option<&'a Plane<bool>>,
}

/// A lit frame's working copy.
#[derive(Debug)]
pub(super) struct SmallLit<'a> {
    pub(super) small: SceneLinear,
    /// Of the frame's encoding.
    pub(super) to_xyz: &'a [[f32; 3]; 3],
}

/// How far the work on a lit frame has come.
#[derive(Debug)]
pub(super) enum Begun<'a> {
    /// There is a small copy.
    Small(SmallLit<'a>),
    /// It was compared when it was observed; and its encoding's way to XYZ.
    Compared(Box<Comparison>, &'a [[f32; 3]; 3]),
}

/// What a lit frame and the plate say together before anything is decided.
#[derive(Debug)]
pub(super) struct Comparison {
    pub(super) lit: SceneLinear,
    pub(super) registration: Registration,
    pub(super) plate: SceneLinear,
    pub(super) usable: Plane<bool>,
    pub(super) sky: SkyLayer,
    pub(super) drift: Drift,
    pub(super) light: LightingChange,
    /// The lit frame as seen, where the sky asked for it already.
    pub(super) lit_seen: Option<Perceived>,
    /// How carrying the sky along changed the aligned plate, if the merge at full size needs it.
    pub(super) sky_change: Option<SkyChange>,
}

impl<'a> Begun<'a> {
    /// Of the frame's encoding.
    pub(super) fn to_xyz(&self) -> &'a [[f32; 3]; 3] {
        match self {
            Self::Small(small) => small.to_xyz,
            Self::Compared(_, to_xyz) => to_xyz,
        }
    }
}

impl SetUp {
    pub(super) fn check(&self, lit: &Frame) -> Result<&Plate, CleanError> {
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

    /// A lit frame's working copy: all that deciding needs of it.
    pub(super) fn small<'a>(&self, lit: &'a Frame, clock: &mut Clock<'_>) -> SmallLit<'a> {
        clock.start("reduce");
        SmallLit {
            small: lit.samples.reduced(&lit.encoding, self.factor),
            to_xyz: &lit.encoding.to_xyz,
        }
    }

    /// What is there of a frame to begin with.
    pub(super) fn begun<'a>(
        &self,
        index: usize,
        lit: &'a Frame,
        clock: &mut Clock<'_>,
    ) -> Begun<'a> {
        match self.compared_before(Some(index)) {
            Some(compared) => Begun::Compared(Box::new(compared), &lit.encoding.to_xyz),
            None => Begun::Small(self.small(lit, clock)),
        }
    }

    /// The comparison of the frame that was observed last, if that is number `index`; it is kept for
    /// no other.
    pub(super) fn compared_before(&self, index: Option<usize>) -> Option<Comparison> {
        let (of, compared) = self.compared_last().take()?;
        (Some(of) == index).then_some(compared)
    }

    pub(super) fn compared_last(&self) -> MutexGuard<'_, Option<(usize, Comparison)>> {
        let guard = self.compared_last.lock();
        guard.unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn compare(
        &self,
        plate: &Plate,
        lit: SmallLit<'_>,
        known: Option<Known<'_>>,
        clock: &mut Clock<'_>,
    ) -> Result<Comparison, CleanError> {
        let SmallLit { small, to_xyz } = lit;
        clock.start("registration");
        let registration = match known {
            Some(known) => known.lie.registration.clone(),
            None => plate.registered(&small)?,
        };
        let known_sky = known.and_then(|known| known.sky);
        if known_sky.is_none() {
            // Before the working copy is handed over.
            plate.sky();
        }
        let (aligned, usable) = plate.aligned(&registration);
        let aligned = beyond_border(aligned, &usable);
        let usable = eroded(&usable, BORDER_PX);
        clock.start("sky");
        let columns = small.size().columns;
        let sky = if let Some(mask) = known_sky {
            SkyLayer::from_mask(mask.clone())
        } else if registration.is_identity() {
            plate.sky().clone()
        } else {
            plate
                .sky()
                .moved(|y, places| registration.plate_row(y, columns, places))
        };
        let mut lit_seen = None;
        let sky = if known_sky.is_none() && sky.share > 0.0 {
            let seen = lit_seen.insert(as_seen(&small, to_xyz));
            let plate_seen = sky_seen(&aligned, &sky, to_xyz);
            without_still_things(&sky, seen, &plate_seen).unwrap_or(sky)
        } else {
            sky
        };
        let drift = match (known, &lit_seen) {
            (Some(known), _) => known.lie.drift,
            (None, Some(seen)) if sky.share > 0.0 => drift_of((seen, &aligned), &sky, to_xyz),
            (None, _) => Drift::none(),
        };
        let mut aligned = aligned;
        let sky_change = SkyChange::of(&aligned, &sky.mask, &drift);
        if let Some(change) = &sky_change {
            change.apply(&mut aligned);
        }
        let sky_change = sky_change.filter(|_| self.factor > 1);
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
            lit_seen,
            sky_change,
        })
    }
}

/// The plate as seen where it shows sky, and a little beyond.
fn sky_seen(plate: &SceneLinear, sky: &SkyLayer, to_xyz: &[[f32; 3]; 3]) -> Perceived {
    let open = Spans::of_mask(&sky.mask);
    as_seen_near(plate, to_xyz, &open.grown(SKY_SEEN_BEYOND))
}

/// How the sky moved from the plate, aligned, to the lit frame. Holds three planes.
fn drift_of(
    (lit_seen, plate): (&Perceived, &SceneLinear),
    sky: &SkyLayer,
    to_xyz: &[[f32; 3]; 3],
) -> Drift {
    let plate_seen = sky_seen(plate, sky, to_xyz);
    let lit_sky = sky.seen_in(lit_seen);
    estimate_drift((lit_seen, &lit_sky), (&plate_seen, &sky.mask))
}

impl Plate {
    pub(super) fn prepare(frame: Frame, factor: usize) -> Self {
        let working = frame.samples.reduced(&frame.encoding, factor);
        Self {
            frame,
            factor,
            working: Mutex::new(Some(working)),
            features: OnceLock::new(),
            sky: OnceLock::new(),
        }
    }

    /// Of a working copy alone, which is taken by the first comparison.
    pub(super) fn of_working_copy(working: SceneLinear, factor: usize) -> Self {
        let samples = Samples {
            size: working.size(),
            layout: ChannelLayout::Rgb,
            values: CodeValues::Eight(Vec::new()),
        };
        Self {
            frame: Frame {
                samples,
                encoding: Encoding::srgb(256),
            },
            factor,
            working: Mutex::new(Some(working)),
            features: OnceLock::new(),
            sky: OnceLock::new(),
        }
    }

    /// The working copy, worked out anew from the second frame on: that costs less than holding it.
    fn working(&self) -> SceneLinear {
        self.kept().take().unwrap_or_else(|| {
            let Frame { samples, encoding } = &self.frame;
            samples.reduced(encoding, self.factor)
        })
    }

    fn kept(&self) -> MutexGuard<'_, Option<SceneLinear>> {
        self.working.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets go of the samples at full size, until they are put back with [`Plate::woken`].
    pub(super) fn rest(&mut self) {
        self.looked_at(|_| ());
        self.frame.samples.values = CodeValues::Eight(Vec::new());
    }

    pub(super) fn woken(&mut self, samples: Samples) {
        self.frame.samples = samples;
    }

    /// What `look` finds in the working copy, which stays for others.
    fn looked_at<T>(&self, look: impl FnOnce(&SceneLinear) -> T) -> T {
        let working = self.working();
        let found = look(&working);
        *self.kept() = Some(working);
        found
    }

    /// The working copy in the lit frame's pixels, and where it shows anything.
    pub(super) fn aligned(&self, registration: &Registration) -> (SceneLinear, Plane<bool>) {
        let working = self.working();
        let size = working.size();
        if registration.is_identity() {
            return (working, Plane::filled(size, true));
        }
        warp_plate_to_lit(&working, registration, size)
    }

    fn sky(&self) -> &SkyLayer {
        self.sky.get_or_init(|| {
            self.looked_at(|working| {
                let seen = as_seen(working, &self.frame.encoding.to_xyz);
                find_sky(working, &seen)
            })
        })
    }

    fn registered(&self, lit: &SceneLinear) -> Result<Registration, CleanError> {
        let features = self.features.get_or_init(|| self.looked_at(describe));
        register(features, lit).map_err(|e| CleanError::NotAligned {
            tiles: e.tiles,
            needed: e.needed,
        })
    }
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
pub(super) fn eroded(usable: &Plane<bool>, reach: usize) -> Plane<bool> {
    let size = usable.size();
    let (columns, last) = (size.columns, size.rows.saturating_sub(1));
    let mut out = Plane::filled(size, false);
    out.as_mut_slice()
        .par_chunks_exact_mut(columns.max(1))
        .enumerate()
        .for_each_init(Vec::new, |down, (y, out)| {
            down.clear();
            down.extend_from_slice(usable.row(y));
            for y in y.saturating_sub(reach)..=(y + reach).min(last) {
                for (down, near) in down.iter_mut().zip(usable.row(y)) {
                    *down &= near;
                }
            }
            out.copy_from_slice(down);
            for off in 1..=reach.min(columns.saturating_sub(1)) {
                for (out, near) in out[off..].iter_mut().zip(down.iter()) {
                    *out &= near;
                }
                for (out, near) in out.iter_mut().zip(&down[off..]) {
                    *out &= near;
                }
            }
        });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    #[test]
    fn eroding_equals_looking_at_the_whole_square() {
        let size = Size {
            columns: 23,
            rows: 17,
        };
        let usable = Plane::from_fn(size, |x, y| (x * 31 + y * 17) % 41 != 0 && x > 1);
        for reach in [0, 1, 2, 6, 30] {
            let got = eroded(&usable, reach);
            for (y, x) in (0..size.rows).flat_map(|y| (0..size.columns).map(move |x| (y, x))) {
                let rows = y.saturating_sub(reach)..(y + reach + 1).min(size.rows);
                let columns = x.saturating_sub(reach)..(x + reach + 1).min(size.columns);
                let all = rows
                    .into_iter()
                    .all(|y| columns.clone().all(|x| *usable.at(x, y)));
                assert_eq!(*got.at(x, y), all, "{x}, {y} at {reach}");
            }
        }
    }
}
