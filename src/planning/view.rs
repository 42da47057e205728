//! Through the lens: what of person and gear is in the picture.

use serde::Serialize;

use super::setup::{Setup, Vector, extent};

/// Nothing nearer to the lens than this is drawn, metres.
const NEAR: f64 = 0.05;

/// A place in the picture: 0, 0 its upper left corner, 1, 1 its lower right one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Place {
    /// Share of the width.
    pub x: f64,
    /// Share of the height.
    pub y: f64,
}

/// Corners in the order of a walk round it; empty when nothing is before the lens.
pub type Outline = Vec<Place>;

/// A border of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
    /// Top.
    Top,
    /// Bottom.
    Bottom,
}

impl Side {
    /// In running text.
    pub fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Top => "top",
            Self::Bottom => "bottom",
        }
    }
}

/// What the lens sees of a set-up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// Share of the modifier's face that is in the picture, 0..1.
    pub modifier_share: f64,
    /// Share of the picture that the modifier covers, 0..1.
    pub covered: f64,
    /// Which part of the picture it takes up: upper left and lower right corner.
    pub covers: Option<[Place; 2]>,
    /// Borders through which the modifier comes in.
    pub enters: Vec<Side>,
    /// Is anything of stand or boom in the picture?
    pub support_shows: bool,
    /// Share of the person's outline that the modifier hides, 0..1.
    pub hides_person: f64,
    /// Share of the modifier that the person hides, 0..1: only for a light behind the person.
    pub hidden_by_person: f64,
    /// Lowest and highest part of the person in the picture, metres above the ground.
    pub person_shows: Option<[f64; 2]>,
}

impl View {
    /// Is the modifier in the picture?
    pub fn modifier_shows(&self) -> bool {
        self.modifier_share > 0.0
    }

    /// Is any gear in the picture?
    pub fn gear_shows(&self) -> bool {
        self.modifier_shows() || self.support_shows
    }
}

/// A share in words; what is there never reads as 0 %.
pub fn percent(share: f64) -> String {
    match 100.0 * share {
        p if p > 0.0 && p < 0.5 => "less than 1 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}

/// A plane through the lens; what is on its positive side stays.
type Border = (Option<Side>, Vector);

impl Setup {
    /// What the lens sees.
    pub fn view(&self) -> View {
        let modifier = self.before_lens(&self.modifier());
        let whole = area_in_space(&modifier.whole);
        let inside = self.projected(&modifier.inside);
        let body = self.projected(&self.before_lens(&self.body()).inside);
        let lens = self.lens_place();
        let light_is_nearer = self.light_place().y < 0.0;
        let overlap = area(&clipped_flat(&inside, &body));
        let share_of = |part: f64, all: f64| if all > 0.0 { part / all } else { 0.0 };
        debug_assert!(lens.y < 0.0, "the camera stands before the person");
        View {
            modifier_share: share_of(area_in_space(&modifier.inside), whole).min(1.0),
            covered: area(&inside),
            covers: bounds(&inside),
            enters: modifier.cut_by,
            support_shows: self.pieces_show(&self.support()),
            hides_person: if light_is_nearer {
                share_of(overlap, area(&body))
            } else {
                0.0
            },
            hidden_by_person: if light_is_nearer {
                0.0
            } else {
                share_of(overlap, area(&inside))
            },
            person_shows: self.person_shows(),
        }
    }

    /// Is anything of these pieces in the picture?
    pub(super) fn pieces_show(&self, pieces: &[Vec<Vector>]) -> bool {
        pieces
            .iter()
            .any(|piece| self.before_lens(piece).inside.len() >= 3)
    }

    /// Whole outline of a piece as far as it is before the lens, the picture's borders ignored.
    pub(super) fn outline(&self, piece: &[Vector]) -> Outline {
        let seen: Vec<_> = piece.iter().map(|&p| self.seen(p)).collect();
        self.projected(&clipped(&seen, Vector::z(), NEAR))
    }

    fn borders(&self) -> [Border; 4] {
        let sensor = self.camera.lens.sensor;
        let slope_x = sensor.width.0 / (2.0 * self.camera.lens.focal.0);
        let slope_y = sensor.height.0 / (2.0 * self.camera.lens.focal.0);
        [
            (Some(Side::Left), Vector::new(1.0, 0.0, slope_x)),
            (Some(Side::Right), Vector::new(-1.0, 0.0, slope_x)),
            (Some(Side::Top), Vector::new(0.0, 1.0, slope_y)),
            (Some(Side::Bottom), Vector::new(0.0, -1.0, slope_y)),
        ]
    }

    fn before_lens(&self, piece: &[Vector]) -> Seen {
        let whole: Vec<_> = piece.iter().map(|&p| self.seen(p)).collect();
        let mut inside = clipped(&whole, Vector::z(), NEAR);
        let mut cut_by = Vec::new();
        for (side, border) in self.borders() {
            let kept = clipped(&inside, border, 0.0);
            if !kept.is_empty() && inside.iter().any(|p| border.dot(p) < 0.0) {
                cut_by.extend(side);
            }
            inside = kept;
        }
        if inside.is_empty() {
            cut_by.clear();
        }
        Seen {
            whole,
            inside,
            cut_by,
        }
    }

    fn projected(&self, seen: &[Vector]) -> Outline {
        let lens = self.camera.lens;
        seen.iter()
            .map(|p| Place {
                x: 0.5 + p.x / p.z * lens.focal.0 / lens.sensor.width.0,
                y: 0.5 + p.y / p.z * lens.focal.0 / lens.sensor.height.0,
            })
            .collect()
    }

    fn person_shows(&self) -> Option<[f64; 2]> {
        // A thin upright strip in the middle of the person, cut by the picture's borders: what is
        // left of it, measured along it, is what shows.
        let body = self.body();
        let (feet, crown) = ((body[0] + body[1]) / 2.0, (body[2] + body[3]) / 2.0);
        let (feet, crown) = (self.seen(feet), self.seen(crown));
        let mut shown = [0.0, 1.0];
        let near = (None, Vector::z());
        for (_, border) in self.borders().into_iter().chain([near]) {
            let (a, b) = (border.dot(&feet), border.dot(&crown));
            match (a >= 0.0, b >= 0.0) {
                (true, true) => {}
                (false, false) => return None,
                (true, false) => shown[1] = f64::min(shown[1], a / (a - b)),
                (false, true) => shown[0] = f64::max(shown[0], a / (a - b)),
            }
        }
        let height = self.person.height.0;
        (shown[0] < shown[1]).then(|| shown.map(|s| s * height))
    }
}

struct Seen {
    whole: Vec<Vector>,
    inside: Vec<Vector>,
    cut_by: Vec<Side>,
}

/// The part of a convex polygon for which `normal · p >= least` (Sutherland & Hodgman 1974).
fn clipped(polygon: &[Vector], normal: Vector, least: f64) -> Vec<Vector> {
    let mut kept = Vec::with_capacity(polygon.len() + 1);
    for (i, &here) in polygon.iter().enumerate() {
        let before = polygon[(i + polygon.len() - 1) % polygon.len()];
        let (d_here, d_before) = (normal.dot(&here) - least, normal.dot(&before) - least);
        if (d_here >= 0.0) != (d_before >= 0.0) {
            kept.push(before + (here - before) * (d_before / (d_before - d_here)));
        }
        if d_here >= 0.0 {
            kept.push(here);
        }
    }
    if kept.len() < 3 { Vec::new() } else { kept }
}

/// Where two convex outlines overlap.
fn clipped_flat(one: &[Place], other: &[Place]) -> Outline {
    let flat = |p: &Place| Vector::new(p.x, p.y, 1.0);
    let mut kept: Vec<Vector> = one.iter().map(flat).collect();
    let clockwise = signed_area(other) >= 0.0;
    for (i, a) in other.iter().enumerate() {
        let b = &other[(i + 1) % other.len()];
        let line = flat(a).cross(&flat(b)) * if clockwise { 1.0 } else { -1.0 };
        kept = clipped(&kept, line, 0.0);
    }
    if other.is_empty() {
        kept.clear();
    }
    kept.iter().map(|p| Place { x: p.x, y: p.y }).collect()
}

fn signed_area(outline: &[Place]) -> f64 {
    let next = outline.iter().cycle().skip(1);
    outline
        .iter()
        .zip(next)
        .map(|(a, b)| a.x * b.y - b.x * a.y)
        .sum::<f64>()
        / 2.0
}

/// Share of the picture within an outline.
fn area(outline: &[Place]) -> f64 {
    signed_area(outline).abs()
}

fn area_in_space(polygon: &[Vector]) -> f64 {
    let next = polygon.iter().cycle().skip(1);
    let cross = polygon
        .iter()
        .zip(next)
        .map(|(a, b)| a.cross(b))
        .sum::<Vector>();
    cross.norm() / 2.0
}

fn bounds(outline: &[Place]) -> Option<[Place; 2]> {
    let (left, right) = extent(outline.iter().map(|p| p.x));
    let (top, bottom) = extent(outline.iter().map(|p| p.y));
    (!outline.is_empty()).then_some([
        Place { x: left, y: top },
        Place {
            x: right,
            y: bottom,
        },
    ])
}

#[cfg(test)]
mod tests {
    use super::super::setup::tests::usual;
    use super::*;
    use crate::planning::{Degrees, Metres, Shape};

    /// A panel straight beside the person, as far from the lens as the person is: hand-computed.
    #[test]
    fn a_panel_in_the_person_s_plane_is_cut_where_the_field_ends() {
        let mut setup = usual();
        // At 3 m, 24 mm on 36 mm see 4.5 m: the border is at 2.25 m.
        setup.light.angle = Degrees(90.0);
        let face = setup.person.face().z;
        setup.light.height = Metres(face);
        setup.light.distance = Metres(2.25);
        // It faces the person, so the border cuts it across, just in the person's plane.
        let view = setup.view();
        assert!((view.modifier_share - 0.5).abs() < 0.01, "{view:?}");
        setup.light.distance = Metres(2.5);
        assert!(!setup.view().gear_shows() || setup.view().support_shows);
        // 2 m to the side the border is at 2 / 0.75 m from the lens, 1/3 m nearer than the person.
        setup.light.distance = Metres(2.0);
        let share = (0.45 + 1.0 / 3.0) / 0.9;
        assert!((setup.view().modifier_share - share).abs() < 0.01);
    }

    #[test]
    fn a_modifier_that_looms_in_from_above_enters_through_the_top() {
        let mut setup = usual();
        setup.light.height = Metres(2.9);
        setup.light.distance = Metres(1.4);
        setup.light.angle = Degrees(80.0);
        let view = setup.view();
        assert!(view.modifier_shows());
        assert_eq!(view.enters, [Side::Top]);
        let [_, low] = view.covers.unwrap();
        assert!(low.y < 0.5);
    }

    #[test]
    fn a_light_behind_the_person_is_hidden_by_the_person() {
        let mut setup = usual();
        setup.light.angle = Degrees(180.0);
        setup.light.height = Metres(1.2);
        setup.light.shape = Shape::Round {
            diameter: Metres(0.3),
        };
        let view = setup.view();
        assert!((view.hidden_by_person - 1.0).abs() < 1e-9, "{view:?}");
        assert!(view.hides_person.abs() < 1e-12);
    }

    #[test]
    fn a_light_before_the_person_hides_the_person() {
        let mut setup = usual();
        setup.light.angle = Degrees(0.0);
        setup.light.height = Metres(1.6);
        let view = setup.view();
        assert!(view.hides_person > 0.3, "{view:?}");
        assert!((view.modifier_share - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_person_is_cut_where_the_field_ends() {
        let mut setup = usual();
        // At 1 m, 24 mm see 1 m of height round the lens's own 1.5 m.
        setup.camera.distance = Metres(1.0);
        let [low, high] = setup.view().person_shows.unwrap();
        assert!((low - 1.0).abs() < 1e-9 && (high - 1.75).abs() < 1e-9);
        setup.camera.turn = Degrees(60.0);
        assert_eq!(setup.view().person_shows, None);
    }

    #[test]
    fn overlap_does_not_ask_for_a_direction() {
        let square = |a: f64, b: f64| [(a, a), (b, a), (b, b), (a, b)].map(|(x, y)| Place { x, y });
        let (one, mut other) = (square(0.0, 2.0), square(1.0, 3.0));
        assert!((area(&clipped_flat(&one, &other)) - 1.0).abs() < 1e-12);
        other.reverse();
        assert!((area(&clipped_flat(&one, &other)) - 1.0).abs() < 1e-12);
        assert!(clipped_flat(&one, &square(5.0, 6.0)).is_empty());
    }
}
