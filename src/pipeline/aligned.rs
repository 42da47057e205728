//! The plate under a lit frame at full size, window by window.

use std::borrow::Cow;

use rayon::prelude::*;

use super::comparison::Plate;
use super::{Frame, SetUp};
use crate::lighting::FLARE;
use crate::merge::Relight;
use crate::numeric::elementary::exp;
use crate::numeric::enlarge::RowEnlarger;
use crate::numeric::spans::Spans;
use crate::registration::{Registration, warp_window};
use crate::scene::{ChannelLayout, CodeValues, Encoding, Plane, Samples, SceneLinear, Window};
use crate::sky::{SkyChange, SkyChangePlanes};

/// Rows that are resampled at once.
const STRIP_ROWS: usize = 32;

/// The plate laid over a lit frame.
pub(super) struct AlignedPlate<'a> {
    plate: &'a Frame,
    /// In pixels of the full frames.
    registration: Registration,
    carried: Carried<'a>,
    factor: usize,
}

/// What is known of the plate with its sky carried along the clouds' drift.
#[derive(Debug)]
pub(super) enum Carried<'a> {
    /// All of it, in full-size pixels.
    Whole(Cow<'a, SceneLinear>),
    /// How carrying changes the light, in working pixels. The full plate's own finest detail and
    /// grain stay under it.
    Change(SkyChangePlanes),
    /// The sky did not move, or there is none.
    Nothing,
}

impl<'a> Carried<'a> {
    /// `aligned` is the working copy with its sky carried along, by `change` if it moved.
    pub(super) fn of(
        factor: usize,
        aligned: Cow<'a, SceneLinear>,
        change: Option<&SkyChange>,
    ) -> Self {
        if factor == 1 {
            return Self::Whole(aligned);
        }
        change.map_or(Self::Nothing, |change| Self::Change(change.planes()))
    }
}

impl<'a> AlignedPlate<'a> {
    /// `registration` is in working pixels.
    pub(super) fn new(
        set_up: &SetUp,
        plate: &'a Plate,
        registration: &Registration,
        carried: Carried<'a>,
    ) -> Self {
        let factor = set_up.factor();
        Self {
            plate: &plate.frame,
            registration: registration.scaled(factor as f64),
            carried,
            factor,
        }
    }

    /// Scene-linear light in a window of the lit frame.
    pub(super) fn window(&self, window: Window) -> SceneLinear {
        self.window_where(window, None)
    }

    /// The same for the pixels `asked` for, in the window's pixels; others may be anything.
    pub(super) fn window_where(&self, window: Window, asked: Option<&Spans>) -> SceneLinear {
        if let Carried::Whole(carried) = &self.carried {
            let channels = std::array::from_fn(|c| {
                Plane::from_fn(window.size(), |x, y| {
                    *carried.channels[c].at(window.left + x, window.top + y)
                })
            });
            return SceneLinear { channels };
        }
        let samples = &self.plate.samples;
        let read = |part: Window| samples.linear_window(&self.plate.encoding, part);
        let place = (window, asked);
        let mut light = warp_window(read, samples.size, &self.registration, place).0;
        if let Carried::Change(change) = &self.carried {
            self.carry(&mut light, change, window);
        }
        light
    }

    /// Carries the sky of a window of the plate along.
    fn carry(&self, light: &mut SceneLinear, change: &SkyChangePlanes, window: Window) {
        let planes = change.planes();
        let enlarger = RowEnlarger::new(planes[0].size(), self.factor, window.right);
        let columns = window.columns();
        let mut rows: [Vec<f32>; 7] = std::array::from_fn(|_| vec![0.0; columns]);
        let mut enlarged = planes
            .each_ref()
            .map(|plane| enlarger.rows_from(plane, window.left, columns));
        let [red, green, blue] = &mut light.channels;
        for y in 0..window.rows() {
            for (enlarged, row) in enlarged.iter_mut().zip(&mut rows) {
                enlarged.row(window.top + y, row);
            }
            let (red, green, blue) = (red.row_mut(y), green.row_mut(y), blue.row_mut(y));
            for x in 0..columns {
                let values = rows.each_ref().map(|row| row[x]);
                let light = [red[x], green[x], blue[x]];
                [red[x], green[x], blue[x]] = SkyChangePlanes::carried(light, values);
            }
        }
    }

    /// As a picture with `lit`'s colours, depth and encoding; relit where a `gain` is given.
    ///
    /// Works in strips of [`STRIP_ROWS`] rows; holds the result.
    pub(super) fn picture(&self, lit: &Frame, gain: Option<&Relight>) -> Samples {
        let layout = match lit.samples.layout {
            ChannelLayout::Grey | ChannelLayout::GreyAlpha => ChannelLayout::Grey,
            ChannelLayout::Rgb | ChannelLayout::Rgba => ChannelLayout::Rgb,
        };
        let size = lit.samples.size;
        let stride = size.columns * layout.count();
        let whole = size.area() * layout.count();
        let values = match lit.samples.values {
            CodeValues::Eight(_) => {
                let mut values = vec![0u8; whole];
                self.fill(&mut values, stride, &lit.encoding, gain, |code| code as u8);
                CodeValues::Eight(values)
            }
            CodeValues::Sixteen(_) => {
                let mut values = vec![0u16; whole];
                self.fill(&mut values, stride, &lit.encoding, gain, |code| code);
                CodeValues::Sixteen(values)
            }
        };
        Samples {
            size,
            layout,
            values,
        }
    }

    fn fill<T: Send>(
        &self,
        values: &mut [T],
        stride: usize,
        encoding: &Encoding,
        gain: Option<&Relight>,
        as_stored: impl Fn(u16) -> T + Sync,
    ) {
        let size = self.plate.samples.size;
        let colours = stride / size.columns;
        values
            .par_chunks_mut(stride * STRIP_ROWS)
            .enumerate()
            .for_each(|(strip, values)| {
                let window = Window {
                    left: 0,
                    top: strip * STRIP_ROWS,
                    right: size.columns,
                    bottom: strip * STRIP_ROWS + values.len() / stride,
                };
                let mut light = self.window(window);
                if let Some(gain) = gain {
                    brighten(&mut light, gain, window, self.factor);
                }
                for (y, row) in values.chunks_exact_mut(stride).enumerate() {
                    for (c, curve) in encoding.curves.iter().enumerate().take(colours) {
                        let light = light.channels[c].row(y);
                        for (pixel, &light) in row.chunks_exact_mut(colours).zip(light) {
                            pixel[c] = as_stored(curve.encode(light));
                        }
                    }
                }
            });
    }
}

/// Takes a window of the plate to the lit frame's light.
fn brighten(light: &mut SceneLinear, gain: &Relight, window: Window, factor: usize) {
    let mut row_gain = vec![0.0f32; window.columns()];
    for (channel, gain) in light.channels.iter_mut().zip(&gain.log_gain) {
        let enlarger = RowEnlarger::new(gain.size(), factor, window.columns());
        for y in 0..window.rows() {
            enlarger.row(gain, window.top + y, &mut row_gain);
            for (value, &gain) in channel.row_mut(y).iter_mut().zip(&row_gain) {
                *value = (*value + FLARE) * exp(gain) - FLARE;
            }
        }
    }
}
