//! Camera, person and light as they are to stand.

use nalgebra::{Rotation3, Vector3};

use super::optics::{Degrees, Lens, Metres, apparent_angle};

/// A place or direction in metres: right, away from the camera, up.
pub(super) type Vector = Vector3<f64>;

/// Height of the eyes over a person's own height (Drillis & Contini, "Body Segment Parameters",
/// 1966; figure from memory). The light is measured from the face.
const EYES_PER_HEIGHT: f64 = 0.936;
/// Width across the shoulders over a person's height (the same source, from memory).
const SHOULDERS_PER_HEIGHT: f64 = 0.259;
/// Thickness of a stand's or boom's tube, metres (common practice, no source).
const TUBE_WIDTH: f64 = 0.035;
/// Width and height of a stand's spread legs, metres (common practice, no source).
const LEGS: [f64; 2] = [1.0, 0.4];
/// Corners that stand for a round modifier.
const ROUND_CORNERS: usize = 32;

/// The camera on its tripod.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Lens and sensor.
    pub lens: Lens,
    /// Along the ground, from the person.
    pub distance: Metres,
    /// Of the lens, above the ground.
    pub height: Metres,
    /// Aimed above (positive) or below the horizon.
    pub tilt: Degrees,
    /// Aimed to the right (positive) or left of the person.
    pub turn: Degrees,
}

/// The person who stands for the portrait.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Person {
    /// From feet to crown.
    pub height: Metres,
}

impl Person {
    /// Width across the shoulders.
    pub fn shoulders(self) -> Metres {
        Metres(SHOULDERS_PER_HEIGHT * self.height.0)
    }

    pub(super) fn face(self) -> Vector {
        Vector::new(0.0, 0.0, EYES_PER_HEIGHT * self.height.0)
    }
}

/// Face of the modifier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Softbox, strip, panel.
    Rectangle {
        /// Side that lies level.
        width: Metres,
        /// The other side.
        height: Metres,
    },
    /// Octagon, umbrella, dish, bare head.
    Round {
        /// Across.
        diameter: Metres,
    },
}

impl Shape {
    /// Width and height.
    pub fn sides(self) -> [Metres; 2] {
        match self {
            Self::Rectangle { width, height } => [width, height],
            Self::Round { diameter } => [diameter; 2],
        }
    }

    /// The longer side, or the diameter.
    pub fn longest(self) -> Metres {
        let [width, height] = self.sides();
        Metres(width.0.max(height.0))
    }

    /// Square metres.
    pub fn area(self) -> f64 {
        let [width, height] = self.sides();
        match self {
            Self::Rectangle { .. } => width.0 * height.0,
            Self::Round { .. } => std::f64::consts::FRAC_PI_4 * width.0 * height.0,
        }
    }

    fn corners(self) -> Vec<[f64; 2]> {
        let [width, height] = self.sides().map(|s| s.0 / 2.0);
        match self {
            Self::Rectangle { .. } => vec![
                [-width, -height],
                [width, -height],
                [width, height],
                [-width, height],
            ],
            Self::Round { .. } => (0..ROUND_CORNERS)
                .map(|i| std::f64::consts::TAU * i as f64 / ROUND_CORNERS as f64)
                .map(|angle| [width * angle.cos(), height * angle.sin()])
                .collect(),
        }
    }
}

/// What holds the modifier up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rigging {
    /// A stand right under it.
    Stand,
    /// A boom whose stand is this much farther from the person.
    Boom(Metres),
}

/// Modifier and flash, aimed at the face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Of the modifier.
    pub shape: Shape,
    /// From the face to the middle of the modifier, as a tape measures it.
    pub distance: Metres,
    /// Round the person: 0 beside the camera, 90 to the camera's right, 180 behind.
    pub angle: Degrees,
    /// Of the modifier's middle, above the ground.
    pub height: Metres,
    /// Stand or boom.
    pub rigging: Rigging,
}

/// The whole set-up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setup {
    /// Camera.
    pub camera: Camera,
    /// Person.
    pub person: Person,
    /// Light.
    pub light: Light,
}

impl Setup {
    /// Where the lens is.
    pub(super) fn lens_place(&self) -> Vector {
        Vector::new(0.0, -self.camera.distance.0, self.camera.height.0)
    }

    /// From set-up axes to the camera's: right, down, ahead.
    pub(super) fn seen(&self, place: Vector) -> Vector {
        let from_lens = place - self.lens_place();
        let turned = Rotation3::from_axis_angle(&Vector::z_axis(), self.camera.turn.radians());
        let level = turned * from_lens;
        let tilted = Rotation3::from_axis_angle(&Vector::x_axis(), -self.camera.tilt.radians());
        let aimed = tilted * level;
        Vector::new(aimed.x, -aimed.z, aimed.y)
    }

    /// Middle of the modifier.
    pub(super) fn light_place(&self) -> Vector {
        let face = self.person.face();
        let rise = self.light.height.0 - face.z;
        let along = (self.light.distance.0.powi(2) - rise * rise)
            .max(0.0)
            .sqrt();
        let angle = self.light.angle.radians();
        Vector::new(
            along * angle.sin(),
            -along * angle.cos(),
            self.light.height.0,
        )
    }

    /// Direction along the ground from the person to the light.
    pub(super) fn outwards(&self) -> Vector {
        let angle = self.light.angle.radians();
        Vector::new(angle.sin(), -angle.cos(), 0.0)
    }

    /// Corners of the modifier, which faces the face.
    pub(super) fn modifier(&self) -> Vec<Vector> {
        let middle = self.light_place();
        let normal = (self.person.face() - middle).normalize();
        // Its width lies level; straight overhead it lies across the line to the light.
        let level = Vector::new(self.outwards().y, -self.outwards().x, 0.0);
        let up = normal.cross(&level);
        self.light
            .shape
            .corners()
            .into_iter()
            .map(|[x, y]| middle + level * x + up * y)
            .collect()
    }

    /// Where the stand's foot is.
    pub(super) fn foot(&self) -> Vector {
        let middle = self.light_place();
        let under = Vector::new(middle.x, middle.y, 0.0);
        match self.light.rigging {
            Rigging::Stand => under,
            Rigging::Boom(length) => under + self.outwards() * length.0,
        }
    }

    /// Stand, legs and boom as flat pieces that face the lens.
    pub(super) fn support(&self) -> Vec<Vec<Vector>> {
        let foot = self.foot();
        let middle = self.light_place();
        let top = Vector::new(foot.x, foot.y, middle.z);
        let mut pieces = standing(foot, middle.z);
        if let Rigging::Boom(_) = self.light.rigging {
            let half = Vector::z() * (TUBE_WIDTH / 2.0);
            pieces.push(vec![top - half, middle - half, middle + half, top + half]);
        }
        pieces
    }

    /// The person as a flat shape across the shoulders.
    pub(super) fn body(&self) -> Vec<Vector> {
        let half = self.person.shoulders().0 / 2.0;
        let height = self.person.height.0;
        vec![
            Vector::new(-half, 0.0, 0.0),
            Vector::new(half, 0.0, 0.0),
            Vector::new(half, 0.0, height),
            Vector::new(-half, 0.0, height),
        ]
    }

    /// How large the modifier is, seen from the face: its longer side.
    pub fn softness(&self) -> Degrees {
        apparent_angle(self.light.shape.longest(), self.light.distance)
    }
}

/// Tube and legs of a stand at a place.
pub(super) fn standing(foot: Vector, height: f64) -> Vec<Vec<Vector>> {
    let half = Vector::x() * (TUBE_WIDTH / 2.0);
    let up = Vector::z() * height;
    let spread = Vector::x() * (LEGS[0] / 2.0);
    let apex = Vector::z() * LEGS[1].min(height);
    vec![
        vec![foot - half, foot + half, foot + half + up, foot - half + up],
        vec![foot - spread, foot + spread, foot + apex],
    ]
}

pub(super) fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::planning::{Millimetres, Sensor};

    /// 24 mm on full frame, person 3 m away, a 0.9 x 1.2 m box at 45 degrees to the right.
    pub(in crate::planning) fn usual() -> Setup {
        Setup {
            camera: Camera {
                lens: Lens {
                    sensor: Sensor::FULL_FRAME,
                    focal: Millimetres(24.0),
                },
                distance: Metres(3.0),
                height: Metres(1.5),
                tilt: Degrees(0.0),
                turn: Degrees(0.0),
            },
            person: Person {
                height: Metres(1.75),
            },
            light: Light {
                shape: Shape::Rectangle {
                    width: Metres(0.9),
                    height: Metres(1.2),
                },
                distance: Metres(1.5),
                angle: Degrees(45.0),
                height: Metres(2.1),
                rigging: Rigging::Stand,
            },
        }
    }

    #[test]
    fn the_light_is_as_far_from_the_face_as_the_tape_says() {
        let setup = usual().checked().unwrap();
        let from_face = setup.light_place() - setup.person.face();
        assert!((from_face.norm() - 1.5).abs() < 1e-12);
        assert!((from_face.x + from_face.y).abs() < 1e-12, "45 degrees");
        assert!(from_face.x > 0.0, "to the camera's right");
    }

    #[test]
    fn the_modifier_faces_the_face_with_its_width_level() {
        let setup = usual();
        let corners = setup.modifier();
        let distance = |c: &Vector| (c - setup.person.face()).norm();
        let half_diagonal = 0.75;
        for corner in &corners {
            assert!((distance(corner) - 1.5f64.hypot(half_diagonal)).abs() < 1e-9);
        }
        assert!((corners[0].z - corners[1].z).abs() < 1e-12);
        assert!(((corners[1] - corners[0]).norm() - 0.9).abs() < 1e-12);
        assert!(corners[2].z > corners[1].z);
    }

    #[test]
    fn a_tilted_camera_sees_the_horizon_sink() {
        let mut setup = usual();
        let ahead = Vector::new(0.0, 0.0, 1.5);
        assert!(setup.seen(ahead).y.abs() < 1e-12);
        assert!((setup.seen(ahead).z - 3.0).abs() < 1e-12);
        setup.camera.tilt = Degrees(10.0);
        let seen = setup.seen(ahead);
        assert!((seen.y / seen.z - 10f64.to_radians().tan()).abs() < 1e-12);
        setup.camera = Camera {
            tilt: Degrees(0.0),
            turn: Degrees(20.0),
            ..setup.camera
        };
        let seen = setup.seen(ahead);
        assert!(
            (seen.x / seen.z + 20f64.to_radians().tan()).abs() < 1e-12,
            "goes left"
        );
    }
}
