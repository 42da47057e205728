//! Other poses of a set-up, kept small: evidence of what stands still.

use rayon::prelude::*;

use super::comparison::Comparison;
use super::{Lie, SetUp};
use crate::change::unlit;
use crate::numeric::spans::Spans;
use crate::region::{Camera, Companion};
use crate::registration::{Registration, warp_near};
use crate::scene::{Plane, Point, SceneLinear, Size};

/// Most light that is told apart, in whites: under the plate's light a face in full flash stays below.
const MOST_LIGHT: f32 = 16.0;

/// A lit frame under the plate's light, in the plate's pixels.
#[derive(Debug)]
pub(super) struct Pose {
    pub(super) index: usize,
    /// Where the plate lies under the frame: worked out once.
    pub(super) lie: Lie,
    /// Square roots of light in 65 535ths of the root of [`MOST_LIGHT`]: half the memory, and at
    /// 1 % of white steps of 0.1 % of the light, far below its noise.
    roots: [Plane<u16>; 3],
    camera: Camera,
}

impl SetUp {
    /// The pose of a frame that was compared. Holds five planes while it works.
    pub(super) fn pose(&self, index: usize, compared: &Comparison) -> Pose {
        let Comparison {
            lit,
            registration,
            drift,
            light,
            ..
        } = compared;
        let in_plate_light = unlit(lit, &light.pool);
        let roots = roots_in_plate_pixels(&in_plate_light, registration);
        let camera = if registration.is_identity() {
            Camera::OnTripod
        } else {
            Camera::Moved
        };
        Pose {
            index,
            lie: Lie {
                registration: registration.clone(),
                drift: *drift,
                factor: self.factor,
            },
            roots,
            camera,
        }
    }
}

impl Pose {
    /// The pose in the pixels of another frame of the set-up, where it is `asked` for.
    pub(super) fn companion(&self, registration: &Registration, asked: &Spans) -> Companion {
        let roots = self.roots.each_ref().map(Plane::as_slice);
        Companion {
            in_plate_light: warp_near(
                #[inline(always)]
                |i| roots.map(|roots| light_of(roots[i])),
                registration,
                asked,
            ),
            camera: self.camera,
        }
    }
}

/// A working copy resampled to the plate's pixels (bilinear: it is compared with a tolerance), as roots.
fn roots_in_plate_pixels(picture: &SceneLinear, registration: &Registration) -> [Plane<u16>; 3] {
    if registration.is_identity() {
        return picture.channels.each_ref().map(|c| c.map(|&v| root_of(v)));
    }
    let size = picture.size();
    let mut out = [(); 3].map(|()| Plane::filled(size, 0u16));
    let [red, green, blue] = &mut out;
    red.as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .zip(green.as_mut_slice().par_chunks_exact_mut(size.columns))
        .zip(blue.as_mut_slice().par_chunks_exact_mut(size.columns))
        .enumerate()
        .for_each_init(Vec::new, |places, (y, ((red, green), blue))| {
            registration.lit_row(y, size.columns, places);
            let colours = red.iter_mut().zip(green).zip(blue);
            for (((red, green), blue), &place) in colours.zip(places.iter()) {
                let between = Between::of(place, size);
                let root = |c: usize| root_of(between.value(&picture.channels[c]));
                (*red, *green, *blue) = (root(0), root(1), root(2));
            }
        });
    out
}

/// A place among the four pixels around it.
struct Between {
    columns: [usize; 2],
    rows: [usize; 2],
    /// How far it lies towards the second.
    share: [f32; 2],
}

impl Between {
    /// Places outside count as the nearest border's.
    fn of(p: Point, size: Size) -> Self {
        let x = p.x.clamp(0.0, (size.columns - 1) as f64);
        let y = p.y.clamp(0.0, (size.rows - 1) as f64);
        let (l, t) = (x as usize, y as usize);
        Self {
            columns: [l, (l + 1).min(size.columns - 1)],
            rows: [t, (t + 1).min(size.rows - 1)],
            share: [(x - l as f64) as f32, (y - t as f64) as f32],
        }
    }

    /// Bilinear.
    fn value(&self, plane: &Plane<f32>) -> f32 {
        let [l, r] = self.columns;
        let [u, v] = self.share;
        let [up, down] = self.rows.map(|row| {
            let row = plane.row(row);
            row[l] + u * (row[r] - row[l])
        });
        up + v * (down - up)
    }
}

fn root_of(light: f32) -> u16 {
    let root = (light.max(0.0) / MOST_LIGHT).sqrt();
    (root * f32::from(u16::MAX) + 0.5) as u16
}

fn light_of(root: u16) -> f32 {
    let root = f32::from(root) / f32::from(u16::MAX);
    root * root * MOST_LIGHT
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn light_comes_back_to_a_small_part_of_its_noise() {
        for light in [0.0f32, 1e-4, 0.01, 0.18, 1.0, 4.0, 15.9] {
            let back = light_of(root_of(light));
            assert!(
                (back - light).abs() <= 1e-3 * light + 1e-6,
                "{light}: {back}"
            );
        }
        assert!(light_of(root_of(100.0)) <= MOST_LIGHT);
    }
}
