//! Fast paths against their plain twins, on planes and sets of pixels drawn at random: vectors, running
//! sums, strips and runs give what two loops and one sum give.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

use std::collections::BTreeSet;

use derig::change::{tolerant_difference, tolerant_difference_near};
use derig::numeric::elementary::{exp, ln};
use derig::numeric::enlarge::RowEnlarger;
use derig::numeric::filter::{
    CONVOLVED_ROWS, GaussianStrip, StripBuffers, block_mean, box_mean, convolve_separable, enlarge,
    gaussian, gaussian_within, gradient_row, max_row_3,
};
use derig::numeric::spans::Spans;
use derig::scene::{Perceived, Plane, Size, difference};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const SEED: RngSeed = RngSeed::Fixed(2026);

/// A plane of values like light: most of them small, some near 1, none alike.
fn plane(size: Size, seed: u64) -> Plane<f32> {
    Plane::from_fn(size, move |x, y| {
        let mixed = (x as u64 * 0x9e37_79b9 + y as u64 * 0x85eb_ca6b + seed)
            .wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let unit = (mixed >> 40) as f32 / (1u32 << 24) as f32;
        unit * unit
    })
}

/// Extents around the width of a vector and the height of a strip.
fn sizes() -> impl Strategy<Value = Size> {
    (1..90usize, 1..80usize).prop_map(|(columns, rows)| Size { columns, rows })
}

/// Some of the pixels: blobs and single ones.
fn asked(size: Size, seed: u64) -> Spans {
    Spans::of(size, move |x, y| {
        let blob = (x / 9 + y / 5 + seed as usize).is_multiple_of(3);
        blob || (x * 31 + y * 17 + seed as usize).is_multiple_of(29)
    })
}

fn contains(spans: &Spans, x: usize, y: usize) -> bool {
    spans
        .row(y)
        .iter()
        .any(|run| (run.from..run.to).contains(&x))
}

fn pixels(size: Size) -> impl Iterator<Item = (usize, usize)> {
    (0..size.rows).flat_map(move |y| (0..size.columns).map(move |x| (x, y)))
}

/// The value nearest to a place that may lie outside.
fn near(plane: &Plane<f32>, x: i64, y: i64) -> f64 {
    let x = x.clamp(0, plane.columns() as i64 - 1) as usize;
    let y = y.clamp(0, plane.rows() as i64 - 1) as usize;
    f64::from(*plane.at(x, y))
}

/// Sum over a square of the kernel's weights, two loops in double precision.
fn convolved(plane: &Plane<f32>, kernel: &[f32], x: usize, y: usize) -> f64 {
    let reach = (kernel.len() / 2) as i64;
    let mut sum = 0.0;
    for (v, down) in (-reach..=reach).zip(kernel) {
        for (u, across) in (-reach..=reach).zip(kernel) {
            let weight = f64::from(*down) * f64::from(*across);
            sum += weight * near(plane, x as i64 + u, y as i64 + v);
        }
    }
    sum
}

/// Some of the pixels, corners and borders among them.
fn sampled(size: Size) -> impl Iterator<Item = (usize, usize)> {
    pixels(size).filter(move |&(x, y)| {
        let corner = (x == 0 || x + 1 == size.columns) && (y == 0 || y + 1 == size.rows);
        corner || (x * 5 + y * 7).is_multiple_of(11)
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, rng_seed: SEED, ..ProptestConfig::default() })]

    #[test]
    fn a_separable_convolution_is_the_sum_over_a_square(
        size in sizes(), seed in any::<u64>(), half in prop::collection::vec(0.0f32..1.0, 1..7),
    ) {
        let whole: f32 = 2.0 * half[1..].iter().sum::<f32>() + half[0].max(0.1);
        let middle = std::iter::once(half[0].max(0.1));
        let left: Vec<f32> = half[1..].iter().rev().copied().collect();
        let kernel: Vec<f32> = left.iter().copied().chain(middle).chain(half[1..].iter().copied())
            .map(|w| w / whole).collect();
        let input = plane(size, seed);
        let fast = convolve_separable(&input, &kernel);
        for (x, y) in sampled(size) {
            let plain = convolved(&input, &kernel, x, y);
            prop_assert!((f64::from(*fast.at(x, y)) - plain).abs() < 1e-5, "{size} {x},{y}");
        }
    }

    /// Where a Gaussian is asked for it is the same, bit for bit, however it is worked out.
    #[test]
    fn a_gaussian_along_runs_or_in_strips_is_the_gaussian(
        size in sizes(), seed in any::<u64>(), sigma in 0.3f32..4.0,
    ) {
        let input = plane(size, seed);
        let whole = gaussian(&input, sigma);
        let asked = asked(size, seed);
        let within = gaussian_within(&input, sigma, &asked);
        for (x, y) in pixels(size) {
            if contains(&asked, x, y) {
                prop_assert_eq!(within.at(x, y).to_bits(), whole.at(x, y).to_bits());
            } else {
                prop_assert_eq!(within.at(x, y).to_bits(), 0.0f32.to_bits());
            }
        }
        let strip = GaussianStrip::new(sigma, size);
        let mut buffers = StripBuffers::default();
        for first in (0..size.rows).step_by(CONVOLVED_ROWS) {
            let rows = CONVOLVED_ROWS.min(size.rows - first);
            let mut out = vec![0.0; rows * size.columns];
            strip.blur(first, |y, row| row.copy_from_slice(input.row(y)), &mut buffers, &mut out);
            for (i, value) in out.iter().enumerate() {
                let (x, y) = (i % size.columns, first + i / size.columns);
                prop_assert_eq!(value.to_bits(), whole.at(x, y).to_bits());
            }
        }
    }

    #[test]
    fn a_mean_by_running_sums_is_the_mean(size in sizes(), seed in any::<u64>(), radius in 0..12usize) {
        let input = plane(size, seed);
        let fast = box_mean(&input, radius);
        let side = 2 * radius + 1;
        let kernel = vec![1.0 / side as f32; side];
        for (x, y) in sampled(size) {
            let plain = convolved(&input, &kernel, x, y);
            prop_assert!((f64::from(*fast.at(x, y)) - plain).abs() < 1e-5, "{size} {x},{y}");
        }
    }

    #[test]
    fn means_of_blocks_are_means_of_blocks(size in sizes(), seed in any::<u64>(), factor in 1..10usize) {
        let input = plane(size, seed);
        let fast = block_mean(&input, factor);
        for (x, y) in pixels(fast.size()) {
            let block: Vec<f64> = pixels(size)
                .filter(|&(u, v)| (u / factor, v / factor) == (x, y))
                .map(|(u, v)| f64::from(*input.at(u, v)))
                .collect();
            let plain = block.iter().sum::<f64>() / block.len() as f64;
            prop_assert!((f64::from(*fast.at(x, y)) - plain).abs() < 1e-6, "{size} {factor} {x},{y}");
        }
    }

    #[test]
    fn rows_are_enlarged_as_the_whole_is(size in sizes(), seed in any::<u64>(), factor in 2..9usize) {
        let small = block_mean(&plane(size, seed), factor);
        let whole = enlarge(&small, factor, size);
        let rows = RowEnlarger::new(small.size(), factor, size.columns);
        let mut row = vec![0.0; size.columns];
        for y in 0..size.rows {
            rows.row(&small, y, &mut row);
            for (x, value) in row.iter().enumerate() {
                prop_assert!((value - whole.at(x, y)).abs() < 1e-6, "{size} {factor} {x},{y}");
            }
        }
    }

    #[test]
    fn rows_of_maxima_and_gradients_are_those_of_their_pixels(
        columns in 1..90usize, seed in any::<u64>(),
    ) {
        let input = plane(Size { columns, rows: 3 }, seed);
        let (mut most, mut gradient) = (vec![0.0; columns], vec![0.0; columns]);
        max_row_3(input.row(1), &mut most);
        gradient_row([input.row(0), input.row(1), input.row(2)], &mut gradient);
        for x in 0..columns {
            let at = |u: i64, v: i64| near(&input, x as i64 + u, 1 + v);
            let plain = at(-1, 0).max(at(0, 0)).max(at(1, 0));
            prop_assert_eq!(f64::from(most[x]).to_bits(), plain.to_bits());
            let plain = 0.5 * (at(1, 0) - at(-1, 0)).hypot(at(0, 1) - at(0, -1));
            prop_assert!((f64::from(gradient[x]) - plain).abs() < 1e-6);
        }
    }

    #[test]
    fn sets_of_runs_are_sets_of_pixels(size in sizes(), seed in 0..1000u64, reach in 0..6usize) {
        let of = |spans: &Spans| -> BTreeSet<(usize, usize)> {
            pixels(spans.size()).filter(|&(x, y)| contains(spans, x, y)).collect()
        };
        let (one, other) = (asked(size, seed), asked(size, seed + 7));
        let (a, b) = (of(&one), of(&other));
        prop_assert_eq!(one.area(), a.len());
        prop_assert_eq!(of(&one.intersection(&other)), &a & &b);
        let grown: BTreeSet<_> = a.iter().flat_map(|&(x, y)| {
            let rows = y.saturating_sub(reach)..(y + reach + 1).min(size.rows);
            rows.flat_map(move |v| {
                let columns = x.saturating_sub(reach)..(x + reach + 1).min(size.columns);
                columns.map(move |u| (u, v))
            })
        }).collect();
        prop_assert_eq!(of(&one.grown(reach)), grown);
        let halved: BTreeSet<_> = a.iter().map(|&(x, y)| (x / 2, y / 2)).collect();
        prop_assert_eq!(of(&one.halved()), halved);
        // Connected parts share no pixel, hold all, and none touches another's side.
        let mut part_of = std::collections::BTreeMap::new();
        for (part, runs) in one.connected().into_iter().enumerate() {
            for (x, y) in runs.iter().flat_map(|(y, r)| (r.from..r.to).map(|x| (x, *y))) {
                prop_assert_eq!(part_of.insert((x, y), part), None);
            }
        }
        prop_assert_eq!(part_of.len(), a.len());
        for (&(x, y), part) in &part_of {
            for beside in [(x + 1, y), (x, y + 1)] {
                prop_assert!(part_of.get(&beside).is_none_or(|p| p == part));
            }
        }
    }

    #[test]
    fn a_forgiving_difference_is_the_smallest_of_nine(
        size in sizes(), seed in any::<u64>(), reach in 1..4usize,
    ) {
        let picture = |seed: u64| {
            let value = |k: u64| plane(size, seed.wrapping_add(k)).map(|v| 9.0 * v);
            Perceived { lightness: value(0), a: value(1), b: value(2) }
        };
        let (one, other) = (picture(seed), picture(seed.wrapping_add(40)));
        let fast = tolerant_difference(&one, &other, reach);
        let asked = asked(size, seed % 1000);
        let near = tolerant_difference_near(&one, &other, &[reach], &asked);
        for (x, y) in pixels(size) {
            let here = one.at_index(y * size.columns + x);
            let to = |dx: i64, dy: i64| {
                let r = reach as i64;
                let u = (x as i64 + dx * r).clamp(0, size.columns as i64 - 1) as usize;
                let v = (y as i64 + dy * r).clamp(0, size.rows as i64 - 1) as usize;
                difference(here, other.at_index(v * size.columns + u)).0
            };
            // Below half a unit nothing is to be seen and no displacement is tried.
            let mut plain = to(0, 0);
            if plain > 0.5 {
                for (dx, dy) in (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (dx, dy))) {
                    plain = plain.min(to(dx, dy));
                }
            }
            prop_assert!((fast.at(x, y) - plain).abs() < 1e-4, "{size} {x},{y}");
            if contains(&asked, x, y) {
                prop_assert_eq!(near.at(x, y).to_bits(), fast.at(x, y).to_bits());
            }
        }
    }

    #[test]
    fn logarithm_and_exponential_are_the_librarys(x in -80.0f32..80.0) {
        let (fast, plain) = (f64::from(exp(x)), f64::from(x).exp());
        prop_assert!((fast / plain - 1.0).abs() < 3e-7 * f64::from(x.abs().max(1.0)), "e^{x}");
        let positive = x.exp();
        let (fast, plain) = (f64::from(ln(positive)), f64::from(positive).ln());
        prop_assert!((fast - plain).abs() < 3e-7 * plain.abs().max(1.0), "ln {positive}");
    }
}
