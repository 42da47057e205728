//! Other poses of a set-up, kept small: evidence of what stands still.

use super::comparison::{Comparison, into_plate_pixels};
use super::{Lie, SetUp};
use crate::change::relit;
use crate::numeric::spans::Spans;
use crate::region::{Camera, Companion};
use crate::registration::{Registration, warp_near};
use crate::scene::{Plane, SceneLinear};

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
    /// The pose of a frame that was compared. Holds nine planes while it works.
    pub(super) fn pose(&self, index: usize, compared: Comparison) -> Pose {
        let Comparison {
            lit,
            registration,
            drift,
            light,
            ..
        } = compared;
        let inverse = light.pool.map(|pool| pool.map(|v| -v));
        let in_plate_light = relit(&lit, &inverse);
        let in_plate_light = into_plate_pixels(in_plate_light, &registration);
        let camera = if registration.is_identity() {
            Camera::OnTripod
        } else {
            Camera::Moved
        };
        Pose {
            index,
            lie: Lie {
                registration,
                drift,
                factor: self.factor,
            },
            roots: in_plate_light.channels.map(|c| c.map(|&v| root_of(v))),
            camera,
        }
    }
}

impl Pose {
    /// The pose in the pixels of another frame of the set-up, where it is `asked` for.
    pub(super) fn companion(&self, registration: &Registration, asked: &Spans) -> Companion {
        let channels = self.roots.each_ref().map(|c| c.map(|&v| light_of(v)));
        Companion {
            in_plate_light: warp_near(SceneLinear { channels }, registration, asked),
            camera: self.camera,
        }
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
