//! Registration against known warps of open photographs (sources and licences: tests/data/README.md)
//! and, on request, against rendered scenes with truth.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "helpers of tests that print what they measure"
)]

use derig::registration::{describe, register};
use derig::scene::{Encoding, Homography, Plane, Point, SceneLinear, Size, srgb_from_linear};
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

const PHOTOGRAPHS: [&[u8]; 4] = [
    include_bytes!("data/china.jpg"),
    include_bytes!("data/coffee.jpg"),
    include_bytes!("data/chelsea.jpg"),
    include_bytes!("data/gravel.jpg"),
];

fn decoded(bytes: &[u8]) -> SceneLinear {
    let picture = image::load_from_memory(bytes).unwrap().into_rgb8();
    let size = Size {
        columns: picture.width() as usize,
        rows: picture.height() as usize,
    };
    let encoding = Encoding::srgb(256);
    SceneLinear {
        channels: std::array::from_fn(|c| {
            let codes = picture
                .pixels()
                .map(|p| encoding.curves[c].decode(p.0[c] as usize));
            Plane::from_vec(size, codes.collect())
        }),
    }
}

fn corners_of(size: Size) -> [Point; 4] {
    let (right, bottom) = (size.columns as f64 - 1.0, size.rows as f64 - 1.0);
    [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)].map(|(x, y)| Point { x, y })
}

/// The homography that sends the corners of `size` to `targets`: the eight linear equations of
/// Hartley & Zisserman, "Multiple View Geometry", 2nd ed. 2004, section 4.1.
fn through_corners(size: Size, targets: [Point; 4]) -> Homography {
    let mut left = nalgebra::SMatrix::<f64, 8, 8>::zeros();
    let mut right = nalgebra::SVector::<f64, 8>::zeros();
    for (i, (p, q)) in corners_of(size).into_iter().zip(targets).enumerate() {
        let across = [p.x, p.y, 1.0, 0.0, 0.0, 0.0, -p.x * q.x, -p.y * q.x];
        let down = [0.0, 0.0, 0.0, p.x, p.y, 1.0, -p.x * q.y, -p.y * q.y];
        for j in 0..8 {
            left[(2 * i, j)] = across[j];
            left[(2 * i + 1, j)] = down[j];
        }
        (right[2 * i], right[2 * i + 1]) = (q.x, q.y);
    }
    let h = left.lu().solve(&right).unwrap();
    Homography::from_rows([h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0]).unwrap()
}

/// The picture seen through `map`, by a Blackman-windowed sinc of ten taps: not the resampler
/// under test.
fn seen_through(picture: &SceneLinear, map: &Homography) -> SceneLinear {
    let back = map.inverse().unwrap();
    let size = picture.size();
    let kernel = |d: f64| {
        if d == 0.0 {
            return 1.0;
        }
        let (x, t) = (std::f64::consts::PI * d, d / 5.0);
        let window = 0.42 + 0.5 * (x / 5.0).cos() + 0.08 * (2.0 * x / 5.0).cos();
        if t.abs() < 1.0 {
            x.sin() / x * window
        } else {
            0.0
        }
    };
    let clamped = |v: isize, extent: usize| v.clamp(0, extent as isize - 1) as usize;
    let seen = Plane::from_fn(size, |x, y| {
        let p = back.apply(Point {
            x: x as f64,
            y: y as f64,
        });
        let (left, top) = (p.x.floor() as isize - 4, p.y.floor() as isize - 4);
        let across: [f64; 10] = std::array::from_fn(|i| kernel(p.x - (left + i as isize) as f64));
        let down: [f64; 10] = std::array::from_fn(|i| kernel(p.y - (top + i as isize) as f64));
        let total = across.iter().sum::<f64>() * down.iter().sum::<f64>();
        let mut sums = [0.0; 3];
        for (i, wy) in down.iter().enumerate() {
            for (j, wx) in across.iter().enumerate() {
                let column = clamped(left + j as isize, size.columns);
                let pixel = picture.at(column, clamped(top + i as isize, size.rows));
                for (sum, v) in sums.iter_mut().zip(pixel) {
                    *sum += wx * wy / total * f64::from(v);
                }
            }
        }
        sums.map(|v| v.max(0.0) as f32)
    });
    SceneLinear {
        channels: std::array::from_fn(|c| seen.map(|pixel| pixel[c])),
    }
}

/// As a camera delivers it: gain, noise of `sigma` code values, 8 bits of sRGB.
fn exposed(
    picture: &SceneLinear,
    gain: f64,
    sigma: f64,
    random: &mut Xoshiro256PlusPlus,
) -> SceneLinear {
    let encoding = Encoding::srgb(256);
    let mut picture = picture.clone();
    for (c, channel) in picture.channels.iter_mut().enumerate() {
        for v in channel.as_mut_slice() {
            // Three uniform numbers from -1 to 1 add up to variance 1, and are near enough to normal.
            let normal: f64 = (0..3).map(|_| random.gen_range(-1.0..1.0)).sum();
            let code = 255.0 * srgb_from_linear(f64::from(*v) * gain) + sigma * normal;
            *v = encoding.curves[c].decode(code.round().clamp(0.0, 255.0) as usize);
        }
    }
    picture
}

/// Puts a piece of another photograph over a fifth of the frame.
fn cover(picture: &mut SceneLinear, other: &SceneLinear, random: &mut Xoshiro256PlusPlus) {
    let (size, theirs) = (picture.size(), other.size());
    let (columns, rows) = (size.columns * 45 / 100, size.rows * 45 / 100);
    let left = random.gen_range(0..size.columns - columns);
    let top = random.gen_range(0..size.rows - rows);
    for (mine, other) in picture.channels.iter_mut().zip(&other.channels) {
        for y in 0..rows {
            for x in 0..columns {
                mine.set(
                    left + x,
                    top + y,
                    *other.at(x % theirs.columns, y % theirs.rows),
                );
            }
        }
    }
}

fn mean_corner_error(found: &Homography, truth: &Homography, size: Size) -> f64 {
    corners_of(size)
        .map(|corner| {
            let (a, b) = (found.apply(corner), truth.apply(corner));
            (a.x - b.x).hypot(a.y - b.y)
        })
        .iter()
        .sum::<f64>()
        / 4.0
}

/// Corner errors of thirty warps, corners moved by up to `reach` pixels.
fn errors_of_warps(reach: f64) -> Vec<f64> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(7);
    let photographs = PHOTOGRAPHS.map(decoded);
    (0..30)
        .map(|trial| {
            let plate = &photographs[trial % 4];
            let size = plate.size();
            let targets = corners_of(size).map(|p| Point {
                x: p.x + random.gen_range(-reach..reach),
                y: p.y + random.gen_range(-reach..reach),
            });
            let truth = through_corners(size, targets);
            let mut lit = seen_through(plate, &truth);
            cover(&mut lit, &photographs[(trial + 1) % 4], &mut random);
            let lit = exposed(&lit, 0.6, 2.0, &mut random);
            let plate = exposed(plate, 1.0, 2.0, &mut random);
            let found = register(&describe(&plate), &lit).unwrap();
            let error = mean_corner_error(&found.homography, &truth, size);
            println!(
                "warp {trial:2} {size}: {error:.3} px, {:?}, {} tiles, residual {:.3} px, field {}",
                found.model,
                found.tiles,
                found.residual_px,
                found.field.is_some()
            );
            assert_eq!(found.field, None, "a known homography leaves nothing over");
            error
        })
        .collect()
}

fn sorted(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values
}

#[test]
fn known_warps_of_photographs_are_found() {
    let errors = sorted(errors_of_warps(3.0));
    println!("median {:.3}, worst {:.3}", errors[15], errors[29]);
    assert!(errors[15] <= 0.05, "median {}", errors[15]);
    assert!(errors[29] <= 0.1, "worst {}", errors[29]);
}
