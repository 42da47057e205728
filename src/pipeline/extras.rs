//! What is handed over of a frame beside merge and mask, worked out only when asked for.

use rayon::prelude::*;

use super::{Comparison, Decision, Frame, Plate, SetUp};
use crate::lighting::FLARE;
use crate::merge::Relight;
use crate::numeric::elementary::exp;
use crate::numeric::enlarge::RowEnlarger;
use crate::scene::{
    ChannelLayout, CodeValues, Encoding, Label, Plane, Samples, SceneLinear, Window,
};

/// Rows that are resampled at once.
const STRIP_ROWS: usize = 32;

/// Something to hand over beside merge and mask.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Extra {
    /// The plate under the registration, its own light kept.
    AlignedPlate,
    /// The aligned plate in the lit frame's light.
    RelitPlate,
    /// What each pixel was taken for.
    Labels,
    /// What merging again needs.
    Decision,
}

/// What was asked for; `None` for the rest.
#[derive(Debug, Clone, Default)]
pub struct Extras {
    /// The plate laid over the lit frame at full size: the lit frame's colours, depth and
    /// encoding, no alpha; black where the plate does not reach.
    pub aligned_plate: Option<Samples>,
    /// The same in the lit frame's light: what the mask lets through.
    pub relit_plate: Option<Samples>,
    /// Class a pixel of the working copy; open sky where nothing else is.
    pub labels: Option<Plane<Label>>,
    /// What was decided.
    pub decision: Option<Decision>,
}

/// A plate's light, strip by strip.
pub(super) struct FullPlate<'a> {
    pub(super) set_up: &'a SetUp,
    pub(super) plate: &'a Plate,
    pub(super) compared: &'a Comparison,
}

impl FullPlate<'_> {
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
        let size = self.plate.frame.samples.size;
        let colours = stride / size.columns;
        let full = self
            .compared
            .registration
            .scaled(self.set_up.factor() as f64);
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
                let mut light = self
                    .set_up
                    .plate_window(self.plate, self.compared, &full, window);
                if let Some(gain) = gain {
                    brighten(&mut light, gain, window, self.set_up.factor());
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

/// The labels with open sky where nothing is told.
pub(super) fn with_sky(labels: &Plane<Label>, sky: &Plane<bool>) -> Plane<Label> {
    labels.zip(sky, |&label, &is_sky| match label {
        Label::Other if is_sky => Label::Sky,
        told => told,
    })
}
