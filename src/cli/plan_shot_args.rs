//! `derig plan`, as typed: a set-up in the trade's words.

use std::path::PathBuf;

use clap::ValueEnum;

use crate::planning::{
    Camera, Degrees, Exposure, GuideNumber, Lens, Light, Metres, Millimetres, Person, Rigging,
    Sensor, Setup, Shape,
};

pub(super) const EXAMPLES: &str = "\
Examples:
  derig plan --focal 24 --subject-distance 3 --modifier 0.9x1.2 --light-distance 1.5
  derig plan --focal 16 --crop 1.5 --subject-distance 8ft --modifier 60cm --light-distance 4ft \\
      --light-angle -60 --light-height 7ft --boom 1.5 --drawing plan.svg

Lengths are in metres; 90cm, 8ft and 30in are understood.";

/// Angle round the person where the key light stands by habit, degrees (common practice).
const USUAL_ANGLE: &str = "45";

/// `derig plan`.
#[derive(Debug, clap::Args)]
pub(super) struct PlanArgs {
    /// Focal length in millimetres, as engraved
    #[arg(long, value_name = "MM", help_heading = "Camera")]
    focal: f64,
    /// Sensor in millimetres
    #[arg(long, value_name = "WxH", value_parser = sensor, default_value = "36x24",
        conflicts_with = "crop", help_heading = "Camera")]
    sensor: Sensor,
    /// Crop factor instead of the sensor's sides (3:2)
    #[arg(long, value_name = "FACTOR", value_parser = crop_factor, help_heading = "Camera")]
    crop: Option<f64>,
    /// How the camera is held
    #[arg(
        long,
        value_enum,
        default_value = "landscape",
        help_heading = "Camera",
        value_name = "HOW"
    )]
    orientation: Orientation,
    /// Height of the lens
    #[arg(long, value_name = "LENGTH", value_parser = length, default_value = "1.5",
        help_heading = "Camera")]
    camera_height: Metres,
    /// Degrees the camera is aimed above the horizon
    #[arg(
        long,
        value_name = "DEGREES",
        default_value = "0",
        allow_negative_numbers = true,
        help_heading = "Camera"
    )]
    tilt: f64,
    /// Degrees the camera is aimed to the right of the person
    #[arg(
        long,
        value_name = "DEGREES",
        default_value = "0",
        allow_negative_numbers = true,
        help_heading = "Camera"
    )]
    turn: f64,
    /// From the camera to the person
    #[arg(long, value_name = "LENGTH", value_parser = length, help_heading = "Person")]
    subject_distance: Metres,
    /// Height of the person
    #[arg(long, value_name = "LENGTH", value_parser = length, default_value = "1.75",
        help_heading = "Person")]
    subject_height: Metres,
    /// Modifier: width x height, or the diameter of a round one
    #[arg(long, value_name = "WxH|D", value_parser = shape, help_heading = "Light")]
    modifier: Shape,
    /// From the face to the middle of the modifier
    #[arg(long, value_name = "LENGTH", value_parser = length, help_heading = "Light")]
    light_distance: Metres,
    /// Degrees round the person: 0 at the camera, 90 to its right, -90 left, 180 behind
    #[arg(long, value_name = "DEGREES", default_value = USUAL_ANGLE,
        allow_negative_numbers = true, help_heading = "Light")]
    light_angle: f64,
    /// Height of the modifier's middle
    #[arg(long, value_name = "LENGTH", value_parser = length, default_value = "2",
        help_heading = "Light")]
    light_height: Metres,
    /// The light hangs from a boom of this length, its stand farther out
    #[arg(long, value_name = "LENGTH", value_parser = length, help_heading = "Light")]
    boom: Option<Metres>,
    /// Guide number of the flash with its modifier (metres, ISO 100)
    #[arg(long, value_name = "GN", value_parser = positive, requires = "aperture",
        help_heading = "Exposure")]
    guide_number: Option<f64>,
    /// F-number
    #[arg(long, value_name = "N", value_parser = positive, requires = "guide_number",
        help_heading = "Exposure")]
    aperture: Option<f64>,
    /// Sensitivity
    #[arg(long, value_name = "ISO", value_parser = positive, default_value = "100",
        help_heading = "Exposure")]
    iso: f64,
    /// Draw it, from above and through the lens, into an SVG file
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub(super) drawing: Option<PathBuf>,
    /// Replace a drawing that is there
    #[arg(long, requires = "drawing", help_heading = "Output")]
    pub(super) overwrite: bool,
    /// Answer as JSON
    #[arg(long, help_heading = "Output")]
    pub(super) json: bool,
}

/// How the camera is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Orientation {
    /// Long side level
    Landscape,
    /// Long side upright
    Portrait,
}

impl PlanArgs {
    /// The set-up as typed, not yet checked.
    pub(super) fn setup(&self) -> Setup {
        let sensor = self.crop.map_or(self.sensor, Sensor::from_crop_factor);
        let is_upright = sensor.height > sensor.width;
        let sensor = match (self.orientation, is_upright) {
            (Orientation::Landscape, true) | (Orientation::Portrait, false) => sensor.turned(),
            _ => sensor,
        };
        Setup {
            camera: Camera {
                lens: Lens {
                    sensor,
                    focal: Millimetres(self.focal),
                },
                distance: self.subject_distance,
                height: self.camera_height,
                tilt: Degrees(self.tilt),
                turn: Degrees(self.turn),
            },
            person: Person {
                height: self.subject_height,
            },
            light: Light {
                shape: self.modifier,
                distance: self.light_distance,
                angle: Degrees(self.light_angle),
                height: self.light_height,
                rigging: self.boom.map_or(Rigging::Stand, Rigging::Boom),
            },
        }
    }

    pub(super) fn exposure(&self) -> Option<Exposure> {
        Some(Exposure {
            guide_number: GuideNumber(self.guide_number?),
            iso: self.iso,
            f_number: self.aperture?,
        })
    }
}

/// Units of length and how many metres they are (the foot and the inch: ISO 31-1, exact).
const UNITS: [(&str, f64); 5] = [
    ("cm", 0.01),
    ("mm", 0.001),
    ("m", 1.0),
    ("ft", 0.3048),
    ("in", 0.0254),
];

fn length(typed: &str) -> Result<Metres, String> {
    let typed = typed.trim();
    let (number, metres) = UNITS
        .iter()
        .find_map(|(unit, metres)| Some((typed.strip_suffix(unit)?, *metres)))
        .unwrap_or((typed, 1.0));
    let number: f64 = number
        .trim()
        .parse()
        .map_err(|_| "a length such as 2.5, 90cm, 8ft or 30in is meant".to_owned())?;
    if number.is_finite() {
        Ok(Metres(number * metres))
    } else {
        Err("a length has an end".to_owned())
    }
}

fn positive(typed: &str) -> Result<f64, String> {
    match typed.parse::<f64>() {
        Ok(number) if number.is_finite() && number > 0.0 => Ok(number),
        _ => Err("a number above 0 is meant".to_owned()),
    }
}

fn crop_factor(typed: &str) -> Result<f64, String> {
    positive(typed)
}

fn two(typed: &str) -> Option<(&str, &str)> {
    typed.split_once(['x', 'X', '×'])
}

fn sensor(typed: &str) -> Result<Sensor, String> {
    let sides =
        two(typed).and_then(|(w, h)| Some((w.trim().parse().ok()?, h.trim().parse().ok()?)));
    match sides {
        Some((width, height)) => Ok(Sensor {
            width: Millimetres(width),
            height: Millimetres(height),
        }),
        None => Err("two sides in millimetres are meant, such as 36x24".to_owned()),
    }
}

fn shape(typed: &str) -> Result<Shape, String> {
    match two(typed) {
        Some((width, height)) => Ok(Shape::Rectangle {
            width: length(width)?,
            height: length(height)?,
        }),
        None => Ok(Shape::Round {
            diameter: length(typed)?,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_come_in_the_units_of_tapes() {
        let metres = |typed| length(typed).unwrap().0;
        assert!((metres("2.5") - 2.5).abs() < 1e-12);
        assert!((metres("90cm") - 0.9).abs() < 1e-12);
        assert!((metres("8ft") - 2.4384).abs() < 1e-12);
        assert!((metres("30 in") - 0.762).abs() < 1e-12);
        for nonsense in ["", "far", "3 yards", "inf", "NaN", "2,5"] {
            assert!(length(nonsense).is_err(), "{nonsense}");
        }
    }

    #[test]
    fn modifiers_are_boxes_or_round() {
        assert_eq!(
            shape("0.9x120cm").unwrap(),
            Shape::Rectangle {
                width: Metres(0.9),
                height: Metres(1.2)
            }
        );
        assert!(matches!(shape("1.2").unwrap(), Shape::Round { .. }));
        assert!(shape("0.9x").is_err());
    }

    #[test]
    fn sensors_are_two_sides() {
        assert_eq!(sensor("36x24").unwrap(), Sensor::FULL_FRAME);
        assert!(sensor("36").is_err());
        assert!(positive("0").is_err() && positive("-1").is_err());
    }
}
