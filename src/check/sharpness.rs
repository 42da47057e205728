//! How sharp a picture is, in pixels of edge width, whatever it shows.
//!
//! An edge blurred by a Gaussian of width `s` keeps a squared gradient of `1 / s` in proportion to
//! its height; blurred once more by a known width, the ratio of the two tells `s` without the height.
//! Source: Zhuo & Sim, "Defocus map estimation from a single image", 2011, section 3.

use rayon::prelude::*;

use crate::numeric::robust::{median, quantile};
use crate::scene::{CodeValues, Samples, Size};

/// Side of the windows in which edges are measured, px.
const WINDOW: usize = 48;
/// Windows across and down: enough that moving things and skies leave a majority.
const WINDOWS: [usize; 2] = [32, 20];
/// Binomial kernel applied twice: variance 1 px^2 each time (the central limit's poor man's Gaussian).
const KERNEL: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
/// Variance of the blur that is added, px^2.
const ADDED_VARIANCE: f64 = 2.0;
/// Pixels that the two blurs and the gradient reach beyond.
const MARGIN: usize = 5;
/// This share of the windows, the flattest, shows the noise where it shows nothing else.
const FLAT_SHARE: f64 = 0.1;
/// The added blur takes the gradient of white noise down to a fiftieth, that of the sharpest edge to a
/// third: from here on it is noise.
const NOISE_RATIO: f64 = 10.0;
/// A window must have this many times the noise's gradient energy to tell of edges.
const ABOVE_NOISE: f64 = 8.0;
/// Squared gradient a pixel, in one direction, that an edge of some 5 % of the code range in a window
/// gives: less is a wall or a sky.
const LEAST_ENERGY: f64 = 1e-5;
/// Fewest windows that both frames must tell of.
const LEAST_WINDOWS: usize = 12;
/// Edges wider than this are no edges, px.
const WIDEST: f64 = 12.0;

/// Edge widths of a picture, window by window.
#[derive(Debug, Clone, PartialEq)]
pub struct Sharpness {
    /// Squared edge width across and down in px^2, window by window; `None` where there is no edge.
    variances: [Vec<Option<f64>>; 2],
}

/// By how much the edges of one picture are wider than another's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Softening {
    /// Blur that must be added to the sharper one, sigma in px; negative when the first is sharper.
    pub sigma_px: f64,
    /// Windows that both tell of.
    pub windows: usize,
}

impl Sharpness {
    /// Measures a picture at full size; holds two floats a window.
    pub fn of(samples: &Samples) -> Self {
        let [across, down] = WINDOWS;
        let energies: Vec<[[f64; 2]; 2]> = (0..across * down)
            .into_par_iter()
            .map(|i| {
                let place = |k: usize, count: usize, length: usize| {
                    let room = length.saturating_sub(WINDOW + 2 * MARGIN);
                    MARGIN + k * room / (count - 1).max(1)
                };
                let Size { columns, rows } = samples.size;
                if columns < WINDOW + 2 * MARGIN || rows < WINDOW + 2 * MARGIN {
                    return [[0.0; 2]; 2];
                }
                let left = place(i % across, across, columns);
                let top = place(i / across, down, rows);
                energies(samples, left, top)
            })
            .collect();
        let variances = [0, 1].map(|way| {
            let of_way: Vec<[f64; 2]> = energies.iter().map(|e| e[way]).collect();
            variances(&of_way)
        });
        Self { variances }
    }

    /// How much softer this picture is than `other` of the same extent; `None` when too few places
    /// tell. A shaken camera smears along one line only: the direction that differs more counts.
    pub fn softening_from(&self, other: &Self) -> Option<Softening> {
        let ways = self.variances.iter().zip(&other.variances);
        ways.filter_map(|(own, other)| softening(own, other))
            .max_by(|a, b| a.sigma_px.abs().total_cmp(&b.sigma_px.abs()))
    }
}

/// Squared edge widths from the windows' gradient energies, plain and blurred.
fn variances(energies: &[[f64; 2]]) -> Vec<Option<f64>> {
    let flattest: [f64; 2] = std::array::from_fn(|k| {
        let mut all: Vec<f64> = energies.iter().map(|e| e[k]).collect();
        quantile(&mut all, FLAT_SHARE).unwrap_or(0.0)
    });
    // A picture that is full of edges has no flat window.
    let noise = if flattest[0] > NOISE_RATIO * flattest[1] {
        flattest
    } else {
        [0.0; 2]
    };
    let variance = |&[plain, blurred]: &[f64; 2]| {
        let tells = blurred > ABOVE_NOISE * noise[1] && blurred > LEAST_ENERGY;
        let ratio = (plain - noise[0]) / (blurred - noise[1]);
        let variance = ADDED_VARIANCE / (ratio.powi(2) - 1.0);
        (tells && ratio > 1.0 && variance < WIDEST.powi(2)).then_some(variance)
    };
    energies.iter().map(variance).collect()
}

fn softening(own: &[Option<f64>], other: &[Option<f64>]) -> Option<Softening> {
    let both = own.iter().zip(other);
    let mut differences: Vec<f64> = both
        .filter_map(|(own, other)| Some((*own)? - (*other)?))
        .collect();
    let windows = differences.len();
    if windows < LEAST_WINDOWS {
        return None;
    }
    let difference = median(&mut differences)?;
    Some(Softening {
        sigma_px: difference.abs().sqrt().copysign(difference),
        windows,
    })
}

/// Mean squared gradient of a window across and down, each plain and blurred, in squared shares of the
/// code range.
fn energies(samples: &Samples, left: usize, top: usize) -> [[f64; 2]; 2] {
    let side = WINDOW + 2 * MARGIN;
    let plain = greens(samples, left - MARGIN, top - MARGIN, side);
    let blurred = blur(&blur(&plain, side), side);
    [1, side].map(|step| [energy(&plain, side, step), energy(&blurred, side, step)])
}

/// Green code values (grey ones of a grey picture), 0..1: green carries most of the luminance.
fn greens(samples: &Samples, left: usize, top: usize, side: usize) -> Vec<f32> {
    let channels = samples.layout.count();
    let green = usize::from(samples.layout.colours() == 3);
    let mut out = Vec::with_capacity(side * side);
    for y in top..top + side {
        let row = y * samples.size.columns;
        let at = (row + left..row + left + side).map(|i| i * channels + green);
        match &samples.values {
            CodeValues::Eight(v) => out.extend(at.map(|i| f32::from(v[i]) / 255.0)),
            CodeValues::Sixteen(v) => out.extend(at.map(|i| f32::from(v[i]) / 65_535.0)),
        }
    }
    out
}

/// One blur of a square; its rim of two pixels is left as it is.
fn blur(plane: &[f32], side: usize) -> Vec<f32> {
    let along = |plane: &[f32], step: usize| {
        let mut out = plane.to_vec();
        for y in 2..side - 2 {
            for x in 2..side - 2 {
                let i = y * side + x;
                out[i] = KERNEL
                    .iter()
                    .enumerate()
                    .map(|(k, weight)| weight * plane[i + k * step - 2 * step])
                    .sum();
            }
        }
        out
    };
    along(&along(plane, 1), side)
}

/// Of the gradient between the pixels `step` before and behind.
fn energy(plane: &[f32], side: usize, step: usize) -> f64 {
    let mut sum = 0.0f64;
    for y in MARGIN..side - MARGIN {
        for x in MARGIN..side - MARGIN {
            let i = y * side + x;
            let gradient = f64::from(plane[i + step] - plane[i - step]) / 2.0;
            sum += gradient * gradient;
        }
    }
    sum / (WINDOW * WINDOW) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::filter::gaussian;
    use crate::scene::{ChannelLayout, Plane};

    const SIZE: Size = Size {
        columns: 900,
        rows: 600,
    };

    /// Patches of random tones with edges of the given width.
    fn patches(sigma: f32, gain: f32) -> Samples {
        let tone = |x: usize, y: usize| {
            let mixed = ((x / 37 + 41 * (y / 31)) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            (mixed >> 40) as f32 / (1u64 << 24) as f32
        };
        let plane = gaussian(&Plane::from_fn(SIZE, tone), sigma);
        let codes = plane.as_slice().iter();
        Samples {
            size: SIZE,
            layout: ChannelLayout::Grey,
            values: CodeValues::Sixteen(codes.map(|&v| (v * gain * 65_535.0) as u16).collect()),
        }
    }

    #[test]
    fn a_known_blur_is_measured_whatever_the_exposure() {
        let sharp = Sharpness::of(&patches(0.8, 1.0));
        for (sigma, gain) in [(1.4f32, 1.0f32), (2.0, 0.7), (3.0, 0.9)] {
            let soft = Sharpness::of(&patches(sigma, gain));
            let found = soft.softening_from(&sharp).unwrap().sigma_px;
            let truth = f64::from(sigma * sigma - 0.64).sqrt();
            assert!((found / truth - 1.0).abs() < 0.15, "{found} {truth}");
            let back = sharp.softening_from(&soft).unwrap().sigma_px;
            assert!((back + found).abs() < 1e-9);
        }
    }

    /// A box of `n` pixels has a variance of `(n^2 - 1) / 12`; only edges across the smear are wider.
    #[test]
    fn a_smear_along_one_line_is_measured_too() {
        let sharp = patches(0.8, 1.0);
        let CodeValues::Sixteen(codes) = &sharp.values else {
            panic!("patches have 16 bits")
        };
        let mean = |i: usize| {
            let x = i % SIZE.columns;
            let part = i - x.min(3)..=i + (SIZE.columns - 1 - x).min(3);
            let count = part.clone().count() as u32;
            (codes[part].iter().map(|&v| u32::from(v)).sum::<u32>() / count) as u16
        };
        let smeared = Samples {
            values: CodeValues::Sixteen((0..SIZE.area()).map(mean).collect()),
            ..sharp.clone()
        };
        let found = Sharpness::of(&smeared).softening_from(&Sharpness::of(&sharp));
        let found = found.unwrap().sigma_px;
        assert!((found / 2.0 - 1.0).abs() < 0.25, "{found}");
    }

    #[test]
    fn the_same_picture_is_as_sharp_and_a_wall_tells_nothing() {
        let sharp = Sharpness::of(&patches(0.8, 1.0));
        let darker = Sharpness::of(&patches(0.8, 0.6));
        assert!(darker.softening_from(&sharp).unwrap().sigma_px.abs() < 0.2);
        let wall = Sharpness::of(&patches(60.0, 1.0));
        assert_eq!(wall.softening_from(&sharp), None);
    }
}
