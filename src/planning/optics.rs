//! Handbook optics: angles of view, falloff, guide numbers, softness.

use serde::Serialize;

/// A length in metres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Metres(pub f64);

/// A length in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Millimetres(pub f64);

/// An angle in degrees.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Degrees(pub f64);

/// A ratio of light in stops: +1 is twice as much.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Stops(pub f64);

impl Degrees {
    /// In radians.
    pub fn radians(self) -> f64 {
        self.0.to_radians()
    }
}

/// The picture area of a camera.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sensor {
    /// Long or short side, whichever lies along the picture's width.
    pub width: Millimetres,
    /// The other side.
    pub height: Millimetres,
}

impl Sensor {
    /// 36 x 24 mm, diagonal 43.267 mm.
    pub const FULL_FRAME: Self = Self {
        width: Millimetres(36.0),
        height: Millimetres(24.0),
    };

    /// A sensor of 3:2 with a crop factor (ratio of diagonals to full frame).
    pub fn from_crop_factor(crop: f64) -> Self {
        Self {
            width: Millimetres(Self::FULL_FRAME.width.0 / crop),
            height: Millimetres(Self::FULL_FRAME.height.0 / crop),
        }
    }

    /// Corner to corner.
    pub fn diagonal(self) -> Millimetres {
        Millimetres(self.width.0.hypot(self.height.0))
    }

    /// Full frame's diagonal over this one's.
    pub fn crop_factor(self) -> f64 {
        Self::FULL_FRAME.diagonal().0 / self.diagonal().0
    }

    /// The camera turned on its side.
    #[must_use]
    pub fn turned(self) -> Self {
        Self {
            width: self.height,
            height: self.width,
        }
    }
}

/// What `side` millimetres of sensor see through a rectilinear lens focused at infinity: 2 atan(side / 2f).
pub fn angle_of_view(side: Millimetres, focal: Millimetres) -> Degrees {
    Degrees(2.0 * (side.0 / (2.0 * focal.0)).atan().to_degrees())
}

/// A rectilinear lens before a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lens {
    /// Picture area.
    pub sensor: Sensor,
    /// Focal length.
    pub focal: Millimetres,
}

impl Lens {
    /// Angle of view along the picture's width.
    pub fn horizontal(self) -> Degrees {
        angle_of_view(self.sensor.width, self.focal)
    }

    /// Angle of view along the picture's height.
    pub fn vertical(self) -> Degrees {
        angle_of_view(self.sensor.height, self.focal)
    }

    /// Angle of view from corner to corner.
    pub fn diagonal(self) -> Degrees {
        angle_of_view(self.sensor.diagonal(), self.focal)
    }

    /// Width and height of what fills the picture at a distance, straight ahead.
    pub fn field_at(self, distance: Metres) -> [Metres; 2] {
        let field = |side: Millimetres| Metres(distance.0 * side.0 / self.focal.0);
        [field(self.sensor.width), field(self.sensor.height)]
    }
}

/// Light gained (negative: lost) when a small source goes from one distance to another:
/// 2 log2(from / to), the inverse-square law.
pub fn stops_by_inverse_square(from: Metres, to: Metres) -> Stops {
    Stops(2.0 * (from.0 / to.0).log2())
}

/// As [`stops_by_inverse_square`] for a source that is not small: a disk of even brightness of
/// `area` square metres, seen straight on. It gives light as r² / (r² + d²): the view factor from a
/// surface element to a parallel disk on its axis (Howell, "A Catalog of Radiation Heat Transfer
/// Configuration Factors", case B-12; figure from memory).
pub fn stops_by_area(area: f64, from: Metres, to: Metres) -> Stops {
    let radius2 = area / std::f64::consts::PI;
    Stops(((radius2 + from.0 * from.0) / (radius2 + to.0 * to.0)).log2())
}

/// The angle that a length takes up, seen from a distance straight before its middle: what decides
/// how soft the light is.
pub fn apparent_angle(length: Metres, distance: Metres) -> Degrees {
    Degrees(2.0 * (length.0 / (2.0 * distance.0)).atan().to_degrees())
}

/// A flash's guide number in metres at ISO 100 and full power: f-number times distance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(transparent)]
pub struct GuideNumber(pub f64);

impl GuideNumber {
    /// The guide number at another sensitivity: it grows with the square root of ISO / 100.
    #[must_use]
    pub fn at_iso(self, iso: f64) -> Self {
        Self(self.0 * (iso / 100.0).sqrt())
    }

    /// The guide number at another power: a stop less divides it by the square root of 2.
    #[must_use]
    pub fn at_power(self, power: Stops) -> Self {
        Self(self.0 * (power.0 / 2.0).exp2())
    }

    /// How far the flash reaches at an f-number.
    pub fn reach(self, f_number: f64) -> Metres {
        Metres(self.0 / f_number)
    }

    /// The f-number at a distance.
    pub fn f_number(self, distance: Metres) -> f64 {
        self.0 / distance.0
    }

    /// Power left over at an f-number and a distance; negative when the flash is too weak.
    pub fn to_spare(self, f_number: f64, distance: Metres) -> Stops {
        stops_by_inverse_square(self.reach(f_number), distance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2 atan(d / 2f) on 36 x 24 mm, as handbook tables list it (project's check table).
    const ANGLES: [(f64, [f64; 3]); 8] = [
        (14.0, [104.3, 81.2, 114.2]),
        (16.0, [96.7, 73.7, 107.0]),
        (20.0, [84.0, 61.9, 94.5]),
        (24.0, [73.7, 53.1, 84.1]),
        (28.0, [65.5, 46.4, 75.4]),
        (35.0, [54.4, 37.8, 63.4]),
        (50.0, [39.6, 27.0, 46.8]),
        (85.0, [23.9, 16.1, 28.6]),
    ];

    #[test]
    fn angles_of_view_are_those_of_the_handbooks() {
        for (focal, published) in ANGLES {
            let lens = Lens {
                sensor: Sensor::FULL_FRAME,
                focal: Millimetres(focal),
            };
            let got = [lens.horizontal(), lens.vertical(), lens.diagonal()];
            for (got, published) in got.iter().zip(published) {
                assert!((got.0 - published).abs() < 0.1, "{focal} mm: {got:?}");
            }
        }
    }

    /// Ratios of diagonals to 43.267 mm (project's check table).
    #[test]
    fn crop_factors_are_those_of_the_handbooks() {
        let cases = [
            (17.3, 13.0, 1.999),
            (23.5, 15.6, 1.534),
            (22.3, 14.9, 1.613),
        ];
        for (width, height, published) in cases {
            let sensor = Sensor {
                width: Millimetres(width),
                height: Millimetres(height),
            };
            assert!((sensor.crop_factor() - published).abs() < 5e-4, "{width}");
        }
        assert!((Sensor::FULL_FRAME.diagonal().0 - 43.267).abs() < 5e-4);
        assert!((Sensor::from_crop_factor(1.5).crop_factor() - 1.5).abs() < 1e-12);
    }

    /// Four Thirds is 4:3: at half the focal length only the diagonal angle is full frame's.
    #[test]
    fn another_aspect_shares_the_diagonal_angle_alone() {
        let small = Lens {
            sensor: Sensor {
                width: Millimetres(17.3),
                height: Millimetres(13.0),
            },
            focal: Millimetres(12.0),
        };
        let large = Lens {
            sensor: Sensor::FULL_FRAME,
            focal: Millimetres(24.0),
        };
        assert!((small.diagonal().0 - large.diagonal().0).abs() < 0.1);
        assert!((large.horizontal().0 - small.horizontal().0) > 1.5);
        assert!((small.vertical().0 - large.vertical().0) > 3.0);
    }

    /// The inverse-square law (handbook cases of the project's check table).
    #[test]
    fn falloff_follows_the_inverse_square() {
        let stops = |from, to| stops_by_inverse_square(Metres(from), Metres(to)).0;
        assert!((stops(1.0, 2.0) + 2.0).abs() < 1e-12);
        assert!((stops(1.0, std::f64::consts::SQRT_2) + 1.0).abs() < 1e-12);
        assert!((stops(1.0, 3.0) + 3.17).abs() < 0.005);
        assert!((stops(4.0, 2.0) - 2.0).abs() < 1e-12);
    }

    /// Handbook rule: from about 5 times its longest side on, a softbox is a small source.
    #[test]
    fn far_from_a_modifier_area_and_point_agree() {
        let far = stops_by_area(1.0, Metres(5.0), Metres(10.0)).0;
        assert!((far + 2.0).abs() < 0.02, "{far}");
        let near = stops_by_area(1.0, Metres(0.5), Metres(1.0)).0;
        assert!(near > -1.3, "a near box loses less: {near}");
    }

    /// Guide number = f-number x distance; square root of ISO and of power (handbook cases of the
    /// project's check table).
    #[test]
    fn guide_numbers_give_the_handbook_reach() {
        let flash = GuideNumber(40.0);
        assert!((flash.reach(8.0).0 - 5.0).abs() < 1e-12);
        assert!((flash.at_iso(400.0).reach(8.0).0 - 10.0).abs() < 1e-12);
        assert!((flash.at_power(Stops(-1.0)).0 - 40.0 / std::f64::consts::SQRT_2).abs() < 1e-12);
        assert!((flash.f_number(Metres(2.5)) - 16.0).abs() < 1e-12);
        assert!((flash.to_spare(8.0, Metres(2.5)).0 - 2.0).abs() < 1e-12);
        assert!((flash.to_spare(8.0, Metres(10.0)).0 + 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_length_at_its_own_half_is_a_right_angle() {
        assert!((apparent_angle(Metres(1.0), Metres(0.5)).0 - 90.0).abs() < 1e-12);
    }
}
