//! What the report says of a frame.

use super::SetUp;
use super::examined::Found;
use crate::classify::Classified;
use crate::region::Regions;
use crate::registration::Registration;
use crate::report::{Box2, LightReport, RegionReport, RegistrationReport};
use crate::scene::{Label, Point, Size};

impl SetUp {
    pub(super) fn registration_report(
        &self,
        registration: &Registration,
        size: Size,
    ) -> RegistrationReport {
        let full = registration.scaled(self.factor as f64);
        let centre = Point {
            x: (size.columns * self.factor) as f64 / 2.0,
            y: (size.rows * self.factor) as f64 / 2.0,
        };
        let moved = full.homography.apply(centre);
        let right = full.homography.apply(Point {
            x: centre.x + 100.0,
            ..centre
        });
        let (dx, dy) = (right.x - moved.x, right.y - moved.y);
        let corners = [
            (0.1, 0.9),
            (0.5, 0.9),
            (0.9, 0.9),
            (0.1, 0.1),
            (0.5, 0.5),
            (0.9, 0.1),
        ];
        let parallax = corners
            .into_iter()
            .filter_map(|(u, v)| {
                let at = Point {
                    x: u * 2.0 * centre.x,
                    y: v * 2.0 * centre.y,
                };
                full.field
                    .as_ref()
                    .map(|f| f.at(at))
                    .map(|d| d.x.hypot(d.y))
            })
            .fold(0.0, f64::max);
        RegistrationReport {
            model: format!("{:?}", full.model).to_lowercase(),
            homography: full.homography.to_rows(),
            shift_px: [moved.x - centre.x, moved.y - centre.y],
            rotation_deg: dy.atan2(dx).to_degrees(),
            scale: dx.hypot(dy) / 100.0,
            residual_px: full.residual_px,
            tiles: full.tiles,
            parallax_px: parallax,
        }
    }

    pub(super) fn light_report(&self, found: &Found) -> LightReport {
        let size = found.lit.size();
        let high = Point {
            x: size.columns as f64 / 2.0,
            y: size.rows as f64 / 10.0,
        };
        let (dx, dy) = found.drift.shift_at(high);
        let factor = self.factor as f64;
        LightReport {
            gain: found.gain,
            noise_at_mid_grey: found.noise.sigma(0.18),
            sky_share: found.sky.share,
            drift_px: [dx * factor, dy * factor],
        }
    }

    pub(super) fn region_reports(
        &self,
        regions: &Regions,
        classified: &Classified,
    ) -> Vec<RegionReport> {
        let factor = self.factor;
        let mut reports: Vec<RegionReport> = regions
            .pieces
            .iter()
            .zip(&classified.probabilities)
            .zip(&classified.labels)
            .filter(|(_, label)| **label != Label::Other)
            .map(|((piece, probabilities), &class)| RegionReport {
                class,
                probability: probabilities.of(class),
                place: Box2 {
                    x: piece.window.left * factor,
                    y: piece.window.top * factor,
                    width: piece.window.columns() * factor,
                    height: piece.window.rows() * factor,
                },
                area_px: piece.area * factor * factor,
                removed: class.is_removed(),
            })
            .collect();
        reports.sort_by_key(|r| std::cmp::Reverse(r.area_px));
        reports
    }
}
