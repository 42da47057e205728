//! The stage as a whole on a surface that is known as a formula, so that every warp of it is exact.

use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::*;
use crate::scene::Plane;

const SIZE: Size = Size {
    columns: 600,
    rows: 400,
};

/// A sum of plane waves of 4 to 250 pixels in log-luminance: texture of every size, no two places
/// alike, exact at every place.
struct Surface(Vec<[f64; 4]>);

impl Surface {
    fn new(seed: u64) -> Self {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let wave = |_| {
            let length = 4.0 * 60.0_f64.powf(random.gen_range(0.0..1.0));
            let angle = random.gen_range(0.0..std::f64::consts::TAU);
            let number = std::f64::consts::TAU / length;
            let height = 0.05 + 0.05 * (length / 4.0).ln();
            let phase = random.gen_range(0.0..std::f64::consts::TAU);
            [number * angle.cos(), number * angle.sin(), phase, height]
        };
        Self((0..60).map(wave).collect())
    }

    fn at(&self, p: Point) -> f64 {
        let waves = self.0.iter();
        let sum: f64 = waves
            .map(|[u, v, phase, height]| height * (u * p.x + v * p.y + phase).sin())
            .sum();
        0.15 * sum.exp()
    }
}

/// The light at each pixel, times a gain, with noise of 0.5 % of white and 2 % of the light.
fn picture(seed: u64, light: impl Fn(Point) -> f64 + Sync) -> SceneLinear {
    let exact = Plane::from_fn(SIZE, |x, y| {
        light(Point {
            x: x as f64,
            y: y as f64,
        })
    });
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let noisy = exact
        .as_slice()
        .iter()
        .map(|v| (v + (0.005 + 0.02 * v) * random.gen_range(-1.7..1.7)).max(0.0) as f32)
        .collect();
    let plane = Plane::from_vec(SIZE, noisy);
    SceneLinear {
        channels: [plane.clone(), plane.clone(), plane],
    }
}

/// The surface as the plate shows it.
fn plate() -> SceneLinear {
    let surface = Surface::new(1);
    picture(2, |p| surface.at(p))
}

/// The surface seen through `map`, at six tenths of the exposure, behind a stranger that covers a
/// fifth of the frame.
fn lit_through(map: &Homography) -> SceneLinear {
    let (surface, stranger) = (Surface::new(1), Surface::new(99));
    let back = map.inverse().unwrap();
    picture(3, |p| {
        let is_covered = (180.0..400.0).contains(&p.x) && (180.0..400.0).contains(&p.y);
        0.6 * if is_covered {
            stranger.at(p)
        } else {
            surface.at(back.apply(p))
        }
    })
}

/// Largest distance between where `found` takes pixels from and where they came from, over a grid.
fn largest_error(found: &Registration, back: impl Fn(Point) -> Point) -> f64 {
    let mut largest = 0.0_f64;
    for y in (20..SIZE.rows - 20).step_by(20) {
        for x in (20..SIZE.columns - 20).step_by(20) {
            let p = Point {
                x: x as f64,
                y: y as f64,
            };
            let (a, b) = (found.plate_point(p), back(p));
            largest = largest.max((a.x - b.x).hypot(a.y - b.y));
        }
    }
    largest
}

fn turned(degrees: f64, scale: f64, dx: f64, dy: f64) -> Homography {
    let (sin, cos) = degrees.to_radians().sin_cos();
    let (s, c) = (scale * sin, scale * cos);
    Homography::from_rows([c, -s, dx, s, c, dy, 0.0, 0.0, 1.0]).unwrap()
}

#[test]
fn an_unmoved_plate_stays_exactly_where_it_is() {
    let plate = plate();
    let found = register(&describe(&plate), &lit_through(&Homography::identity())).unwrap();
    assert_eq!(found.model, Model::Identity);
    assert_eq!(found.homography, Homography::identity());
    assert_eq!(found.field, None);
    let (warped, shown) = warp_plate_to_lit(&plate, &found, SIZE);
    assert_eq!(warped, plate);
    assert!(shown.as_slice().iter().all(|&shown| shown));
}

#[test]
fn no_more_of_a_map_is_taken_than_the_tiles_support() {
    let features = describe(&plate());
    let bent = Homography::from_rows([1.003, 0.002, -2.0, -0.001, 0.998, 1.5, 4e-6, -6e-6, 1.0]);
    for (map, model) in [
        (Homography::shift(2.3, -1.6), Model::Shift),
        (turned(0.4, 1.002, 1.7, -2.2), Model::Similarity),
        (bent.unwrap(), Model::Homography),
    ] {
        let found = register(&features, &lit_through(&map)).unwrap();
        assert_eq!(found.model, model);
        let back = map.inverse().unwrap();
        let error = largest_error(&found, |p| back.apply(p));
        assert!(error < 0.08, "{model:?}: {error} px");
    }
}

#[test]
fn a_hand_held_frame_is_found_five_percent_and_three_degrees_off() {
    let map = turned(3.0, 1.01, 45.0, -14.0);
    let found = register(&describe(&plate()), &lit_through(&map)).unwrap();
    let back = map.inverse().unwrap();
    let error = largest_error(&found, |p| back.apply(p));
    assert!(error < 0.08, "{error} px");
}

#[test]
fn a_pool_of_flash_and_a_hard_shadow_pull_nothing() {
    let surface = Surface::new(1);
    let map = Homography::shift(-1.3, 0.8);
    let lit = picture(5, |p| {
        let pool = 4.0 * (-((p.x - 350.0).powi(2) + (p.y - 220.0).powi(2)) / 2e4).exp();
        let shadow = if p.x - p.y > 150.0 { 1.0 } else { 0.4 };
        let seen = Point {
            x: p.x + 1.3,
            y: p.y - 0.8,
        };
        surface.at(seen) * (shadow + pool) * 0.5
    });
    let found = register(&describe(&plate()), &lit).unwrap();
    let back = map.inverse().unwrap();
    let error = largest_error(&found, |p| back.apply(p));
    assert!(error < 0.15, "{error} px");
}

#[test]
fn drifting_clouds_pull_nothing() {
    let (surface, clouds) = (Surface::new(1), Surface::new(50));
    // Clouds: a tenth of the contrast, eight times as wide.
    let scene = |drift: f64| {
        move |p: Point| {
            let cloud = Point {
                x: (p.x - drift) / 8.0,
                y: p.y / 8.0,
            };
            (p, cloud)
        }
    };
    let frame = |seed: u64, drift: f64| {
        picture(seed, |p| {
            let (ground, cloud) = scene(drift)(p);
            if p.y < 180.0 {
                0.5 * clouds.at(cloud).powf(0.3)
            } else {
                surface.at(ground)
            }
        })
    };
    for drift in [0.7, 4.0, 25.0] {
        let found = register(&describe(&frame(6, 0.0)), &frame(7, drift)).unwrap();
        assert_eq!(found.model, Model::Identity, "drift {drift} px");
    }
}

/// Clouds as rich as the ground, over three quarters of the frame: a map of theirs holds as well,
/// and on a coarse copy a shear would even hold for both.
#[test]
fn under_a_large_sky_the_map_is_that_of_the_ground() {
    let (surface, clouds) = (Surface::new(1), Surface::new(50));
    let horizon = SIZE.rows as f64 * 0.75;
    let frame = |seed: u64, drift: f64, knock: f64| {
        picture(seed, |p| {
            if p.y < horizon {
                let (x, y) = (p.x - drift, p.y - 0.1 * drift);
                clouds.at(Point { x, y })
            } else {
                let x = p.x - knock;
                surface.at(Point { x, ..p })
            }
        })
    };
    for drift in [6.0, 14.0] {
        let found = register(&describe(&frame(6, 0.0, 0.0)), &frame(7, drift, 1.5)).unwrap();
        for y in [horizon + 20.0, SIZE.rows as f64 - 20.0] {
            for x in [40.0, SIZE.columns as f64 - 40.0] {
                let from = found.plate_point(Point { x, y });
                let off = (from.x - (x - 1.5)).hypot(from.y - y);
                assert!(off < 0.2, "{off} px at {x}, {y}, clouds went {drift} px");
            }
        }
    }
}

#[test]
fn parallax_of_the_ground_becomes_a_smooth_field() {
    let surface = Surface::new(1);
    // A camera moved by a little: the ground below the horizon shifts the more, the nearer it is.
    let nearness = |p: Point| ((p.y - 150.0) / 250.0).max(0.0);
    let back = |p: Point| Point {
        x: p.x - 2.0 - 1.5 * nearness(p) * (1.0 + 0.3 * (p.x / 120.0).sin()),
        y: p.y + 1.0,
    };
    let lit = picture(8, |p| surface.at(back(p)));
    let found = register(&describe(&plate()), &lit).unwrap();
    assert!(found.field.is_some());
    let error = largest_error(&found, back);
    assert!(error < 0.2, "{error} px");
}

#[test]
fn another_scene_is_refused() {
    let other = Surface::new(77);
    let refusal = register(&describe(&plate()), &picture(9, |p| other.at(p))).unwrap_err();
    assert!(refusal.tiles < refusal.needed, "{refusal}");
}

#[test]
fn a_plate_without_texture_is_refused() {
    let blank = SceneLinear::filled(SIZE, 0.3);
    assert!(register(&describe(&blank), &blank).is_err());
    let tiny = SceneLinear::filled(
        Size {
            columns: 3,
            rows: 2,
        },
        0.3,
    );
    assert!(register(&describe(&tiny), &tiny).is_err());
}

#[test]
fn the_number_of_threads_does_not_matter() {
    let (plate, lit) = (plate(), lit_through(&turned(0.3, 1.0, 2.0, 3.0)));
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| register(&describe(&plate), &lit).unwrap())
    };
    assert_eq!(with(1), with(3));
}

#[test]
fn a_registration_of_reduced_frames_holds_for_the_full_ones() {
    let found = register(
        &describe(&plate()),
        &lit_through(&turned(0.4, 1.002, 1.7, -2.2)),
    )
    .unwrap();
    let full = found.scaled(3.0);
    let small = found.plate_point(Point { x: 100.0, y: 200.0 });
    let large = full.plate_point(Point { x: 301.0, y: 601.0 });
    assert!((large.x - (3.0 * small.x + 1.0)).abs() < 1e-6);
    assert!((large.y - (3.0 * small.y + 1.0)).abs() < 1e-6);
    assert!((full.residual_px - 3.0 * found.residual_px).abs() < 1e-12);
}
