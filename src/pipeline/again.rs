//! Merging again from a mask that a person changed, without deciding again.
//!
//! Samples whose mask did not change stay as they were merged. Where less of the plate is wanted
//! than before, or the merge shows most of it, the relit plate is read back out of the merge; only
//! where more is wanted is the plate relit anew, with the old merge as its surroundings: new patches
//! run on into old ones.

use std::borrow::Cow;

use rayon::prelude::*;

use super::aligned::{AlignedPlate, Carried};
use super::comparison::{Comparison, Known, Plate};
use super::examined::clear_sky;
use super::{Clock, Decision, Frame, Observer, SetUp};
use crate::change::{as_seen, relit_as_seen};
use crate::lighting::FLARE;
use crate::merge::{Relight, RelightInputs, relight};
use crate::numeric::elementary::exp;
use crate::numeric::enlarge::RowEnlarger;
use crate::pipeline::CleanError;
use crate::scene::{CodeValues, Encoding, Label, Plane, Samples, Window};

mod correct;
mod part;

pub use correct::{Corrected, Correction, Marks, Told};

/// From this share of plate on, the merge tells the relit plate's colour: its rounding grows by no
/// more than twice.
const TOLD_BY_MERGE: u16 = u16::MAX / 2 + 1;

/// How far round a hole the plate's edges are looked at, px of the working copy: farther than the
/// membrane is solved, and than the blur of what is seen reaches.
const EDGE_MARGIN: usize = 16;

/// Rows that are worked on at once.
const STRIP_ROWS: usize = 32;

/// A frame as it was handed over.
#[derive(Debug, Clone, Copy)]
pub struct Before<'a> {
    /// The merge.
    pub merged: &'a Samples,
    /// Its mask.
    pub mask: &'a Plane<u16>,
    /// What was decided.
    pub decision: &'a Decision,
}

/// Where a new mask asks for more of the plate than the old merge can tell.
fn is_asked_for(before: u16, now: u16) -> bool {
    now > before && before < TOLD_BY_MERGE
}

/// Is the plate itself needed for a new mask?
pub fn needs_plate(before: &Plane<u16>, mask: &Plane<u16>) -> bool {
    let pairs = before.as_slice().par_iter().zip(mask.as_slice());
    pairs.into_par_iter().any(|(&b, &m)| is_asked_for(b, m))
}

/// The new merge as far as the old one tells it: where the mask rose from nothing, the lit frame.
/// Where the mask is 0 the result is the lit frame's samples, where it did not change the old
/// merge's.
///
/// # Panics
/// When the parts differ in extent or depth: a broken caller.
pub fn merged_from_what_is_known(lit: &Frame, before: &Before<'_>, mask: &Plane<u16>) -> Samples {
    let mut merged = before.merged.clone();
    let count = lit.samples.layout.count();
    assert_eq!(merged.layout, lit.samples.layout, "one frame, one layout");
    let at_rows = Rows {
        columns: mask.columns(),
        count,
        before: before.mask,
        mask,
    };
    let colours = lit.samples.layout.colours();
    let value = |at: usize, c: usize, old: u16, shares: [u16; 2], code: u16| -> u16 {
        let [was, is] = shares;
        if is == 0 || is_asked_for(was, is) {
            return lit_code(&lit.samples, at, c);
        }
        if c >= colours {
            return code;
        }
        let curve = &lit.encoding.curves[c];
        let kept = curve.decode(lit_code(&lit.samples, at, c) as usize);
        let merged = curve.decode(old as usize);
        curve.encode(kept + f32::from(is) / f32::from(was) * (merged - kept))
    };
    match &mut merged.values {
        CodeValues::Eight(v) => at_rows.rewrite(v, |at, c, old, shares| {
            value(at, c, old.into(), shares, old.into()).min(255) as u8
        }),
        CodeValues::Sixteen(v) => {
            at_rows.rewrite(v, |at, c, old, shares| value(at, c, old, shares, old));
        }
    }
    merged
}

fn lit_code(lit: &Samples, pixel: usize, channel: usize) -> u16 {
    let at = pixel * lit.layout.count() + channel;
    match &lit.values {
        CodeValues::Eight(v) => v[at].into(),
        CodeValues::Sixteen(v) => v[at],
    }
}

/// Samples and two masks, row by row.
struct Rows<'a> {
    columns: usize,
    count: usize,
    before: &'a Plane<u16>,
    mask: &'a Plane<u16>,
}

impl Rows<'_> {
    /// Sets the samples of every pixel whose mask changed: `value` by pixel, channel, old code and
    /// the two shares.
    fn rewrite<T: Copy + Send + Sync>(
        &self,
        values: &mut [T],
        value: impl Fn(usize, usize, T, [u16; 2]) -> T + Sync,
    ) {
        values
            .par_chunks_exact_mut(self.columns * self.count)
            .enumerate()
            .for_each(|(y, row)| {
                let shares = self.before.row(y).iter().zip(self.mask.row(y));
                for (x, (&was, &is)) in shares.enumerate().filter(|(_, (was, is))| was != is) {
                    for c in 0..self.count {
                        let sample = &mut row[x * self.count + c];
                        *sample = value(y * self.columns + x, c, *sample, [was, is]);
                    }
                }
            });
    }
}

/// A lit frame and its plate, laid over each other as before.
#[derive(Debug)]
pub struct Reopened<'a> {
    set_up: &'a SetUp,
    plate: &'a Plate,
    compared: Comparison,
}

impl SetUp {
    /// Lays the plate under a lit frame as a clean-up before did.
    ///
    /// # Errors
    /// [`CleanError`] when the frame is not the plate's.
    pub fn reopen(
        &self,
        lit: &Frame,
        decision: &Decision,
        observer: &dyn Observer,
    ) -> Result<Reopened<'_>, CleanError> {
        drop(self.compared_before(None));
        let plate = self.check(lit)?;
        let mut clock = Clock::new(observer);
        let known = Known {
            lie: &decision.lie,
            sky: Some(&decision.sky),
        };
        let small = self.small(lit, &mut clock);
        let compared = self.compare(plate, small, Some(known), &mut clock)?;
        Ok(Reopened {
            set_up: self,
            plate,
            compared,
        })
    }
}

impl Reopened<'_> {
    /// The aligned plate at full size, as [`super::Extra::AlignedPlate`].
    pub fn aligned_plate(&self, lit: &Frame) -> Samples {
        self.full_plate().picture(lit, None)
    }

    /// The relit plate at full size, as [`super::Extra::RelitPlate`], for the merge there is now.
    pub fn relit_plate(&self, lit: &Frame, before: &Before<'_>, merged: &Samples) -> Samples {
        let gain = self.gain(lit, merged, before.decision, before.mask);
        self.full_plate().picture(lit, Some(&gain))
    }

    /// Class a pixel of the working copy, as [`super::Extra::Labels`].
    pub fn labels(&self, pieces: &Plane<u32>, labels: &[Label]) -> Plane<Label> {
        super::with_sky(
            &correct::label_plane(pieces, labels),
            &self.compared.sky.mask,
        )
    }

    fn full_plate(&self) -> AlignedPlate<'_> {
        let Comparison {
            registration,
            plate,
            sky_change,
            ..
        } = &self.compared;
        let plate = Cow::Borrowed(plate);
        let carried = Carried::of(self.set_up.factor(), plate, sky_change.as_ref());
        AlignedPlate::new(self.set_up, self.plate, registration, carried)
    }

    /// The merge under a new mask.
    pub fn merged(&self, lit: &Frame, before: &Before<'_>, mask: &Plane<u16>) -> Samples {
        let mut merged = merged_from_what_is_known(lit, before, mask);
        if !needs_plate(before.mask, mask) {
            return merged;
        }
        let asked = before
            .mask
            .zip(mask, |&was, &is| if is_asked_for(was, is) { is } else { 0 });
        let gain = self.gain(lit, &merged, before.decision, &asked);
        let taking = Taking {
            reopened: self,
            plate: &self.full_plate(),
            lit,
            asked: &asked,
            gain: &gain,
        };
        let stride = lit.samples.size.columns * lit.samples.layout.count();
        match &mut merged.values {
            CodeValues::Eight(v) => taking.fill(v, stride, |code| code.min(255) as u8),
            CodeValues::Sixteen(v) => taking.fill(v, stride, |code| code),
        }
        merged
    }

    fn gain(
        &self,
        lit: &Frame,
        known: &Samples,
        decision: &Decision,
        asked: &Plane<u16>,
    ) -> Relight {
        let compared = &self.compared;
        let factor = self.set_up.factor();
        let share = reduced_share(asked, compared.lit.size(), factor);
        let person = decision.pieces.map(|&n| {
            let label = (n as usize)
                .checked_sub(1)
                .and_then(|i| decision.labels.get(i));
            label == Some(&Label::Person)
        });
        let keep = person.zip(&share, |&person, &share| person && share == 0.0);
        let known = known.reduced(&lit.encoding, factor);
        let lit_seen = as_seen(&known, &lit.encoding.to_xyz);
        // Its edges count in the hole and just beside it.
        let size = compared.lit.size();
        let seen = part::window_of(&share, EDGE_MARGIN, |&share| share > 0.0).map(|window| {
            let plate = part::part_of_picture(&compared.plate, window);
            let pool = compared.light.pool.each_ref();
            let pool = pool.map(|pool| part::part(pool, window));
            let seen = relit_as_seen(&plate, &pool, &lit.encoding.to_xyz);
            part::seen_in_place(&seen, window, size)
        });
        let Some(plate_seen) = seen else {
            return Relight {
                log_gain: compared.light.pool.clone(),
            };
        };
        relight(&RelightInputs {
            lit: &known,
            plate: &compared.plate,
            plate_seen: &plate_seen,
            agreement: &compared.light.agreement.coarse,
            pool: &compared.light.pool,
            sky: &compared.sky.mask,
            lit_sky: &clear_sky(&compared.sky, &lit_seen),
            share: &share,
            keep: &keep,
            shaded: &Plane::filled(size, false),
        })
    }
}

/// 1 where any full-size pixel of a working pixel is asked for, or of its neighbours: what is
/// enlarged bilinearly must be known around, too.
fn reduced_share(asked: &Plane<u16>, size: crate::scene::Size, factor: usize) -> Plane<f32> {
    let span = |at: usize, limit: usize| {
        let margin = if factor == 1 { 0 } else { factor };
        (at * factor).saturating_sub(margin)..((at + 1) * factor + margin).min(limit)
    };
    Plane::from_fn(size, |x, y| {
        let across = span(x, asked.columns());
        let any = span(y, asked.rows())
            .any(|y| asked.row(y)[across.clone()].iter().any(|&share| share > 0));
        f32::from(u8::from(any))
    })
}

/// Puts newly relit plate where it is asked for.
struct Taking<'a> {
    reopened: &'a Reopened<'a>,
    plate: &'a AlignedPlate<'a>,
    lit: &'a Frame,
    /// Share of the plate where it is to be put, else 0.
    asked: &'a Plane<u16>,
    gain: &'a Relight,
}

impl Taking<'_> {
    fn fill<T: Send>(&self, values: &mut [T], stride: usize, as_stored: impl Fn(u16) -> T + Sync) {
        values
            .par_chunks_mut(stride * STRIP_ROWS)
            .enumerate()
            .for_each(|(strip, values)| self.fill_strip(strip * STRIP_ROWS, values, &as_stored));
    }

    fn fill_strip<T>(&self, top: usize, values: &mut [T], as_stored: &impl Fn(u16) -> T) {
        let samples = &self.lit.samples;
        let (columns, count) = (samples.size.columns, samples.layout.count());
        let rows = values.len() / (columns * count);
        let is_asked = |x: usize| (top..top + rows).any(|y| *self.asked.at(x, y) > 0);
        let Some(left) = (0..columns).find(|&x| is_asked(x)) else {
            return;
        };
        let right = (left..columns).rev().find(|&x| is_asked(x)).unwrap_or(left) + 1;
        let window = Window {
            left,
            top,
            right,
            bottom: top + rows,
        };
        let light = self.plate.window(window);
        let factor = self.reopened.set_up.factor();
        let mut gain = vec![0.0f32; columns];
        for (c, curve) in self.curves().enumerate() {
            let plane = &self.gain.log_gain[c];
            let enlarger = RowEnlarger::new(plane.size(), factor, columns);
            for y in 0..rows {
                enlarger.row(plane, top + y, &mut gain);
                for x in left..right {
                    let share = *self.asked.at(x, top + y);
                    if share == 0 {
                        continue;
                    }
                    let from = *light.channels[c].at(x - left, y);
                    let relit = (from + FLARE) * exp(gain[x]) - FLARE;
                    let kept = curve.decode(samples.code(x, top + y, c) as usize);
                    let light = kept + f32::from(share) / 65_535.0 * (relit - kept);
                    values[(y * columns + x) * count + c] = as_stored(curve.encode(light));
                }
            }
        }
    }

    fn curves(&self) -> impl Iterator<Item = &std::sync::Arc<crate::scene::ToneCurve>> {
        let Encoding { curves, .. } = &self.lit.encoding;
        curves.iter().take(self.lit.samples.layout.colours())
    }
}
