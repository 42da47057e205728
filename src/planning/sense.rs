//! Which set-ups can be built at all.

use super::setup::{Rigging, Setup, extent};

/// Longest distance that is taken for a portrait on location, metres.
const MAX_DISTANCE: f64 = 100.0;
/// Nearest that camera, light and person come to each other, metres.
const MIN_DISTANCE: f64 = 0.2;
/// Shortest and longest focal length, millimetres.
const FOCAL_LENGTHS: [f64; 2] = [1.0, 2000.0];
/// Smallest and largest side of a sensor, millimetres: a telephone's up to a plate camera's.
const SENSOR_SIDES: [f64; 2] = [2.0, 300.0];
/// Widest angle that a rectilinear lens is built for, degrees.
const MAX_ANGLE: f64 = 150.0;
/// Steepest tilt and turn, degrees.
const MAX_AIM: f64 = 80.0;
/// Smallest and largest side of a modifier, metres.
const MODIFIER_SIDES: [f64; 2] = [0.02, 12.0];
/// A small child up to the tallest, metres.
const PERSON_HEIGHTS: [f64; 2] = [0.4, 2.8];
/// From the ground up to a crane, metres.
const HEIGHTS: [f64; 2] = [0.0, 30.0];

/// A set-up that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Nonsense {
    /// A number outside of what is built or met.
    #[error("{what} is {value} {unit}: {least} to {most} {unit} make sense")]
    OutOfRange {
        /// What the number says.
        what: &'static str,
        /// The number.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// Least that is taken.
        least: f64,
        /// Most that is taken.
        most: f64,
    },
    /// A rectilinear lens sees less than 180 degrees, and far less is built.
    #[error("this sensor and focal length would see {0:.0} degrees: no such lens is built")]
    TooWide(f64),
    /// The tape from the face does not reach that height.
    #[error("a light {distance} m from the face cannot be {height} m above the ground")]
    OutOfReach {
        /// From the face.
        distance: f64,
        /// Above the ground.
        height: f64,
    },
    /// Part of the modifier would be in the ground.
    #[error("a modifier {tall} m tall with its middle {height} m above the ground stands in it")]
    InTheGround {
        /// Height of the tilted modifier.
        tall: f64,
        /// Of its middle.
        height: f64,
    },
    /// The modifier would be where the camera stands.
    #[error("the light would stand where the camera does")]
    OnTheCamera,
}

fn within(
    what: &'static str,
    value: f64,
    unit: &'static str,
    range: [f64; 2],
) -> Result<(), Nonsense> {
    let [least, most] = range;
    if (least..=most).contains(&value) {
        Ok(())
    } else {
        Err(Nonsense::OutOfRange {
            what,
            value,
            unit,
            least,
            most,
        })
    }
}

impl Setup {
    /// Hands itself back when it could be built.
    ///
    /// # Errors
    /// [`Nonsense`] that says which number cannot be.
    pub fn checked(self) -> Result<Self, Nonsense> {
        let Self {
            camera,
            person,
            light,
        } = &self;
        let distances = [MIN_DISTANCE, MAX_DISTANCE];
        within("the focal length", camera.lens.focal.0, "mm", FOCAL_LENGTHS)?;
        for side in [camera.lens.sensor.width, camera.lens.sensor.height] {
            within("a side of the sensor", side.0, "mm", SENSOR_SIDES)?;
        }
        let widest = camera.lens.diagonal().0;
        if widest > MAX_ANGLE {
            return Err(Nonsense::TooWide(widest));
        }
        within(
            "the distance of the person",
            camera.distance.0,
            "m",
            distances,
        )?;
        within("the height of the camera", camera.height.0, "m", HEIGHTS)?;
        within("the tilt", camera.tilt.0, "degrees", [-MAX_AIM, MAX_AIM])?;
        within("the turn", camera.turn.0, "degrees", [-MAX_AIM, MAX_AIM])?;
        within(
            "the height of the person",
            person.height.0,
            "m",
            PERSON_HEIGHTS,
        )?;
        for side in light.shape.sides() {
            within("a side of the modifier", side.0, "m", MODIFIER_SIDES)?;
        }
        within(
            "the distance of the light",
            light.distance.0,
            "m",
            distances,
        )?;
        within(
            "the angle of the light",
            light.angle.0,
            "degrees",
            [-360.0, 360.0],
        )?;
        within("the height of the light", light.height.0, "m", HEIGHTS)?;
        if let Rigging::Boom(length) = light.rigging {
            within("the length of the boom", length.0, "m", [0.1, 10.0])?;
        }
        self.check_places()?;
        Ok(self)
    }

    fn check_places(&self) -> Result<(), Nonsense> {
        let light = &self.light;
        let rise = light.height.0 - self.person.face().z;
        if rise.abs() > light.distance.0 {
            return Err(Nonsense::OutOfReach {
                distance: light.distance.0,
                height: light.height.0,
            });
        }
        let corners = self.modifier();
        let (low, high) = extent(corners.iter().map(|c| c.z));
        // A box that stands on the ground touches it.
        if low < -1e-6 {
            return Err(Nonsense::InTheGround {
                tall: rounded(high - low),
                height: light.height.0,
            });
        }
        if (self.light_place() - self.lens_place()).norm() < MIN_DISTANCE {
            return Err(Nonsense::OnTheCamera);
        }
        Ok(())
    }
}

fn rounded(metres: f64) -> f64 {
    (metres * 100.0).round() / 100.0
}

#[cfg(test)]
mod tests {
    use super::super::setup::Shape;
    use super::super::setup::tests::usual;
    use super::*;
    use crate::planning::Metres;

    #[test]
    fn what_cannot_be_built_is_refused() {
        type Change = fn(&mut Setup);
        let cases: [(&str, Change); 10] = [
            ("the focal length is 0 mm", |s| s.camera.lens.focal.0 = 0.0),
            ("a side of the sensor is 900 mm", |s| {
                s.camera.lens.sensor.width.0 = 900.0;
            }),
            ("no such lens is built", |s| s.camera.lens.focal.0 = 4.0),
            ("the distance of the person is -3 m", |s| {
                s.camera.distance.0 = -3.0;
            }),
            ("the tilt is 90 degrees", |s| s.camera.tilt.0 = 90.0),
            ("the height of the person is NaN m", |s| {
                s.person.height.0 = f64::NAN;
            }),
            ("a side of the modifier is 40 m", |s| {
                s.light.shape = Shape::Round {
                    diameter: Metres(40.0),
                };
            }),
            ("cannot be 6 m above", |s| s.light.height.0 = 6.0),
            ("stands in it", |s| {
                s.light.distance.0 = 3.0;
                s.light.height.0 = 0.3;
            }),
            ("where the camera does", |s| {
                s.light.angle.0 = 0.0;
                s.light.height = Metres(1.5);
                s.light.distance = Metres(2.95);
            }),
        ];
        for (words, change) in cases {
            let mut setup = usual();
            change(&mut setup);
            let refusal = setup.checked().unwrap_err().to_string();
            assert!(refusal.contains(words), "{refusal}");
        }
    }
}
