//! The main job on a photograph that nobody here made: gear drawn into it, taken out again, and what
//! is left compared with the photograph.
//!
//! The picture's source and licence stand in `tests/data/README.md`. The flash pool, the gear and who
//! stands there are drawn; leaves, roof tiles, haze, boats and sky are somebody else's. Differences are
//! CIEDE2000 by the crate palette; that 1 is about the smallest a trained eye sees is common practice,
//! no source.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

use std::path::Path;
use std::process::Output;

use image::{Rgb, RgbImage};
use palette::color_difference::Ciede2000;
use palette::white_point::D65;
use palette::{FromColor, Lab, LinSrgb, Srgb};
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// How much farther than a second exposure of the photograph itself the result may be from the first,
/// in the mean where the gear stood.
const MEAN_LEFT: f32 = 0.3;
/// A difference that shows at a glance, and the share of what the gear covered that may differ as
/// much, beyond the share that noise alone makes.
const VISIBLE: f32 = 4.0;
const SHARE_LEFT: f32 = 0.02;
/// Share of the visible gear that the mask must take.
const TAKEN: f32 = 0.995;

type Polygon = &'static [(f32, f32)];

const BOX: Polygon = &[(505.0, 60.0), (600.0, 40.0), (625.0, 150.0), (560.0, 175.0)];
const FACE: Polygon = &[(508.0, 68.0), (520.0, 66.0), (568.0, 168.0), (560.0, 170.0)];
const POLE: Polygon = &[
    (590.0, 150.0),
    (594.0, 150.0),
    (597.0, 420.0),
    (593.0, 420.0),
];
const LEFT_LEG: Polygon = &[
    (595.0, 330.0),
    (598.0, 330.0),
    (560.0, 418.0),
    (556.0, 418.0),
];
const RIGHT_LEG: Polygon = &[
    (595.0, 330.0),
    (598.0, 330.0),
    (636.0, 416.0),
    (632.0, 416.0),
];
const GEAR: [Polygon; 5] = [BOX, FACE, POLE, LEFT_LEG, RIGHT_LEG];
const COAT: Polygon = &[
    (300.0, 290.0),
    (340.0, 290.0),
    (348.0, 400.0),
    (292.0, 400.0),
];

/// Share of a pixel that a polygon covers, by 16 points.
fn covered(polygon: Polygon, x: u32, y: u32) -> f32 {
    let inside = |px: f32, py: f32| {
        let edges = polygon.iter().zip(polygon.iter().cycle().skip(1));
        let crossings = edges.filter(|((ax, ay), (bx, by))| {
            (*ay > py) != (*by > py) && px < (bx - ax) * (py - ay) / (by - ay) + ax
        });
        crossings.count() % 2 == 1
    };
    let points = (0..16).filter(|i| {
        let (u, v) = ((i % 4) as f32, (i / 4) as f32);
        inside(x as f32 + (u - 1.5) / 4.0, y as f32 + (v - 1.5) / 4.0)
    });
    points.count() as f32 / 16.0
}

/// A frame in linear light.
struct Light {
    columns: u32,
    rows: u32,
    pixels: Vec<[f32; 3]>,
}

impl Light {
    fn of(picture: &RgbImage) -> Self {
        let linear = |p: &Rgb<u8>| {
            let colour: LinSrgb<f32> = Srgb::from(p.0).into_linear();
            [colour.red, colour.green, colour.blue]
        };
        Self {
            columns: picture.width(),
            rows: picture.height(),
            pixels: picture.pixels().map(linear).collect(),
        }
    }

    fn changed(&self, change: impl Fn(u32, u32, [f32; 3]) -> [f32; 3]) -> Self {
        let places = (0..self.rows).flat_map(|y| (0..self.columns).map(move |x| (x, y)));
        let pixels = places.zip(&self.pixels).map(|((x, y), &p)| change(x, y, p));
        Self {
            pixels: pixels.collect(),
            ..*self
        }
    }

    fn painted(&self, polygon: Polygon, colour: [f32; 3]) -> Self {
        self.changed(|x, y, p| {
            let share = covered(polygon, x, y);
            std::array::from_fn(|c| p[c] + share * (colour[c] - p[c]))
        })
    }

    /// As the camera stores it: shot noise of a base sensitivity, 8 bits of sRGB.
    fn exposed(&self, seed: u64) -> RgbImage {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        RgbImage::from_fn(self.columns, self.rows, |x, y| {
            let p = self.pixels[(y * self.columns + x) as usize];
            let noisy = p.map(|v| {
                let deviation = (2e-4 * v + 2e-6).sqrt();
                // Twelve even numbers make a normal one.
                let normal: f32 = (0..12).map(|_| random.r#gen::<f32>()).sum::<f32>() - 6.0;
                (v + deviation * normal).clamp(0.0, 1.0)
            });
            let stored: Srgb<u8> = Srgb::from_linear(LinSrgb::from(noisy));
            Rgb([stored.red, stored.green, stored.blue])
        })
    }
}

/// The flash's pool of light around who stands at `x`.
fn under_flash(scene: &Light, at: f32) -> Light {
    scene.changed(|x, y, p| {
        let (u, v) = ((x as f32 - at) / 150.0, (y as f32 - 340.0) / 110.0);
        p.map(|value| value * (1.0 + 0.5 * (-(u * u + v * v)).exp()))
    })
}

fn difference(a: Rgb<u8>, b: Rgb<u8>) -> f32 {
    let lab = |p: Rgb<u8>| Lab::<D65, f32>::from_color(Srgb::from(p.0).into_linear::<f32>());
    lab(a).difference(lab(b))
}

fn derig(folder: &Path) -> Output {
    let mut command = assert_cmd::Command::cargo_bin("derig").unwrap();
    let lit = ["clean", "lit-1.png", "lit-2.png"];
    let rest = ["--plate", "plate.png", "--out", "out", "--quiet"];
    let command = command.current_dir(folder).args(lit).args(rest);
    command.output().unwrap()
}

/// What is left where the gear stood.
#[derive(Default)]
struct Left {
    pixels: f32,
    total: f32,
    visible: f32,
    noise: f32,
    noisy: f32,
    gear: f32,
    taken: f32,
}

impl Left {
    /// One pixel that the gear covered: how far it is from the photograph, how far a second exposure
    /// is, and whether the mask takes it; nothing of that where black gear stood before what is as
    /// black.
    fn count(&mut self, off: f32, noise: f32, taken: Option<bool>) {
        self.pixels += 1.0;
        self.total += off;
        self.visible += f32::from(off > VISIBLE);
        self.noise += noise;
        self.noisy += f32::from(noise > VISIBLE);
        self.gear += f32::from(taken.is_some());
        self.taken += f32::from(taken == Some(true));
    }

    #[track_caller]
    fn check(&self, name: &str) {
        let mean = (self.total - self.noise) / self.pixels;
        let share = (self.visible - self.noisy) / self.pixels;
        let recall = self.taken / self.gear;
        let told = format!("{name}: {mean:.2} farther, {share:.4} more visibly, {recall:.4} taken");
        assert!(
            recall > TAKEN && mean < MEAN_LEFT && share < SHARE_LEFT,
            "{told}"
        );
    }
}

#[test]
fn gear_drawn_into_an_open_photograph_goes_and_the_photograph_stays() {
    let photograph = image::load_from_memory(include_bytes!("data/china.jpg")).unwrap();
    let scene = Light::of(&photograph.to_rgb8());
    let folder = tempfile::tempdir().unwrap();
    let save = |name: &str, picture: &RgbImage| picture.save(folder.path().join(name)).unwrap();

    let plate = scene.changed(|_, _, p| p.map(|v| 0.97 * v));
    save("plate.png", &plate.exposed(1));
    let flashed = under_flash(&scene, 330.0);
    // Who stands there goes out of the second frame: gear stands still, people don't.
    let with_person = flashed.painted(COAT, [0.06, 0.08, 0.25]);
    let mut ideals = Vec::new();
    for (name, ideal, seed) in [("lit-1.png", with_person, 2), ("lit-2.png", flashed, 3)] {
        let dark = [BOX, POLE, LEFT_LEG, RIGHT_LEG];
        let gear = |lit: Light, part: &Polygon| lit.painted(part, [0.012, 0.011, 0.012]);
        let lit = dark.iter().fold(ideal.changed(|_, _, p| p), gear);
        save(name, &lit.painted(FACE, [0.95; 3]).exposed(seed));
        ideals.push((name, [10, 20].map(|more| ideal.exposed(seed + more))));
    }

    let output = derig(folder.path());
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    for (name, [ideal, again]) in ideals {
        let read = |path: &str| {
            let bytes = std::fs::read(folder.path().join(path)).unwrap();
            image::load_from_memory(&bytes).unwrap()
        };
        let merged = read(&format!("out/{name}")).to_rgb8();
        let mask = read(&format!("out/{}-mask.png", name.trim_end_matches(".png"))).to_luma8();
        let lit = read(name).to_rgb8();
        let mut found = Left::default();
        for (x, y, pixel) in merged.enumerate_pixels() {
            let (share, lit) = (mask.get_pixel(x, y).0[0], lit.get_pixel(x, y));
            if share == 0 {
                assert_eq!(pixel, lit, "{name}: touched at {x}, {y}");
            }
            if covered(COAT, x, y) > 0.0 {
                assert_eq!(share, 0, "{name}: the person at {x}, {y}");
            }
            if GEAR.iter().any(|part| covered(part, x, y) > 0.5) {
                let ideal = *ideal.get_pixel(x, y);
                let seen = difference(*lit, ideal) > VISIBLE;
                let noise = difference(*again.get_pixel(x, y), ideal);
                found.count(
                    difference(*pixel, ideal),
                    noise,
                    seen.then_some(share > 127),
                );
            }
        }
        found.check(name);
    }
}
