//! The ways to keep the light out of the picture, and what each costs.

use serde::Serialize;

use super::optics::{
    Degrees, GuideNumber, Metres, Millimetres, Stops, stops_by_area, stops_by_inverse_square,
};
use super::setup::{Rigging, Setup, Shape, Vector, standing};

/// Stands and tripods are not set up finer than this, metres.
const STEP: f64 = 0.05;
/// Farther than this nobody carries a light that is meant for one person, metres.
const MAX_MOVE: f64 = 20.0;
/// Nearest that a portrait is taken from, metres.
const NEAREST_CAMERA: f64 = 0.5;
/// Longest focal length that is tried, millimetres.
const LONGEST_FOCAL: f64 = 200.0;
/// The step of the dials on cameras and flashes (common practice, no source): less light lost than
/// this costs nothing that matters.
const FREE_STOPS: f64 = 1.0 / 3.0;
/// A modifier that looks smaller by less than this share gives the same light to the eye (common
/// practice, no source).
const FREE_HARDENING: f64 = 0.1;
/// From this many times its longest side on a softbox is a small source (handbook rule).
pub(super) const SMALL_SOURCE_SIDES: f64 = 5.0;

/// What the flash can do, when the photographer tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposure {
    /// Of flash and modifier together, at ISO 100.
    pub guide_number: GuideNumber,
    /// Sensitivity.
    pub iso: f64,
    /// F-number.
    pub f_number: f64,
}

/// What moving the light does to the light.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Cost {
    /// From the face to the middle of the modifier, afterwards.
    pub light_distance: Metres,
    /// By the inverse-square law, as for a small source; negative: light is lost.
    pub stops: Stops,
    /// The same for a source of this modifier's area: near by, less is lost.
    pub stops_of_this_size: Stops,
    /// Apparent size of the modifier's longer side, afterwards.
    pub softness: Degrees,
    /// By how much it then looks smaller: 0.2 is a fifth harder, negative is softer.
    pub harder_by: f64,
    /// Flash power left over afterwards, where exposure and guide number are told.
    pub power_to_spare: Option<Stops>,
}

/// A way to move the light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// To the left, as the camera sees it.
    Left,
    /// To the right.
    Right,
    /// Upwards: the stand must not stay below it, so a boom holds it.
    Up,
    /// Straight away from the person, on the ground.
    Back,
}

/// How far the light moves out of the picture, and at what cost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Move {
    /// Where to.
    pub way: Way,
    /// How far.
    pub by: Metres,
    /// What that costs.
    pub cost: Cost,
    /// Boom that reaches from a stand outside of the picture, for a light that goes up.
    pub boom: Option<Metres>,
}

/// A picture from nearer, or through a longer lens.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Closer {
    /// Camera to person.
    pub camera_distance: Metres,
    /// Focal length.
    pub focal: Millimetres,
    /// Width and height of the place that the picture then shows at the person.
    pub field: [Metres; 2],
    /// Lowest and highest part of the person that shows, metres above the ground.
    pub person_shows: Option<[f64; 2]>,
}

/// Ways to hide the light in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Hiding {
    /// A modifier of the same shape at the same place that is just out of the picture: its size
    /// over this one's; `None` when even a small one shows.
    pub smaller: Option<f64>,
    /// Apparent size of that smaller modifier.
    pub smaller_softness: Option<Degrees>,
    /// Largest width that the person hides when the light stands straight behind, as far away.
    pub behind_person: Metres,
}

/// What a plate must make good.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plate {
    /// Share of the picture that the modifier covers.
    pub covered: f64,
    /// Share of the person that it hides: no plate brings that back.
    pub hides_person: f64,
    /// How far it must go before a plate will do, when it hides the person.
    pub clears_person: Option<Move>,
}

/// What is worth the least.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Choice {
    /// No gear is in the picture.
    AlreadyOut,
    /// A move costs next to nothing.
    MoveTheLight,
    /// Leave the light and shoot a plate.
    ShootAPlate,
    /// Clear the person first, then shoot a plate.
    ClearThePersonThenPlate,
}

/// The choice, and the move that goes with it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Advice {
    /// What to do.
    pub choice: Choice,
    /// The move, where there is one.
    pub by: Option<Move>,
}

/// All that can be done about the light.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ways {
    /// Where the light stands now.
    pub now: Cost,
    /// Is the modifier far enough for the inverse-square law?
    pub small_source_from: Metres,
    /// Ways that clear the picture, the shortest first; those that never do are left out.
    pub moves: Vec<Move>,
    /// A step closer.
    pub step_closer: Option<Closer>,
    /// A longer lens.
    pub longer_lens: Option<Closer>,
    /// Hide the light.
    pub hiding: Hiding,
    /// Shoot a plate.
    pub plate: Plate,
    /// What is worth the least.
    pub advice: Advice,
}

/// Weighs all ways against each other; `setup` is [checked](Setup::checked).
pub fn weigh(setup: &Setup, exposure: Option<Exposure>) -> Ways {
    let weighing = Weighing { setup, exposure };
    let mut moves: Vec<Move> = [
        weighing.sideways(|s| !s.view().gear_shows()),
        weighing.first(Way::Up, |s| !s.view().modifier_shows()),
        weighing.first(Way::Back, |s| !s.view().gear_shows()),
    ]
    .into_iter()
    .flatten()
    .collect();
    moves.sort_by(|a, b| a.by.0.total_cmp(&b.by.0));
    let plate = weighing.plate();
    let advice = weighing.advice(&moves, &plate);
    Ways {
        now: weighing.cost(setup),
        small_source_from: Metres(SMALL_SOURCE_SIDES * setup.light.shape.longest().0),
        moves,
        step_closer: weighing.step_closer(),
        longer_lens: weighing.longer_lens(),
        hiding: weighing.hiding(),
        plate,
        advice,
    }
}

struct Weighing<'a> {
    setup: &'a Setup,
    exposure: Option<Exposure>,
}

impl Weighing<'_> {
    fn cost(&self, moved: &Setup) -> Cost {
        let (from, to) = (self.setup.light.distance, moved.light.distance);
        let softness = moved.softness();
        Cost {
            light_distance: to,
            stops: stops_by_inverse_square(from, to),
            stops_of_this_size: stops_by_area(self.setup.light.shape.area(), from, to),
            softness,
            harder_by: 1.0 - softness.0 / self.setup.softness().0,
            power_to_spare: self.exposure.map(|e| {
                let guide = e.guide_number.at_iso(e.iso);
                guide.to_spare(e.f_number, to)
            }),
        }
    }

    fn sideways(&self, is_clear: impl Fn(&Setup) -> bool) -> Option<Move> {
        let left = self.first(Way::Left, &is_clear);
        let right = self.first(Way::Right, &is_clear);
        [left, right]
            .into_iter()
            .flatten()
            .min_by(|a, b| a.by.0.total_cmp(&b.by.0))
    }

    /// The shortest move after which the set-up is clear; `None` when it is now or never is.
    fn first(&self, way: Way, is_clear: impl Fn(&Setup) -> bool) -> Option<Move> {
        if is_clear(self.setup) {
            return None;
        }
        let steps = (MAX_MOVE / STEP) as usize;
        (1..=steps).find_map(|step| {
            let by = Metres(step as f64 * STEP);
            let moved = self.setup.with_light_moved(way, by);
            (moved.checked().is_ok() && is_clear(&moved)).then(|| Move {
                way,
                by,
                cost: self.cost(&moved),
                boom: match way {
                    Way::Up => boom_from_outside(&moved),
                    _ => None,
                },
            })
        })
    }

    fn step_closer(&self) -> Option<Closer> {
        let now = self.setup.camera.distance.0;
        let steps = ((now - NEAREST_CAMERA) / STEP).max(0.0) as usize;
        self.closer((1..=steps).map(|step| {
            let mut nearer = *self.setup;
            nearer.camera.distance = Metres(now - step as f64 * STEP);
            nearer
        }))
    }

    fn longer_lens(&self) -> Option<Closer> {
        let now = self.setup.camera.lens.focal.0;
        let longer = (now.floor() as usize + 1)..=(LONGEST_FOCAL as usize);
        self.closer(longer.map(|focal| {
            let mut setup = *self.setup;
            setup.camera.lens.focal = Millimetres(focal as f64);
            setup
        }))
    }

    fn closer(&self, mut tries: impl Iterator<Item = Setup>) -> Option<Closer> {
        if !self.setup.view().gear_shows() {
            return None;
        }
        let found = tries.find(|s| s.checked().is_ok() && !s.view().gear_shows())?;
        let Setup { camera, .. } = found;
        Some(Closer {
            camera_distance: camera.distance,
            focal: camera.lens.focal,
            field: camera.lens.field_at(camera.distance),
            person_shows: found.view().person_shows,
        })
    }

    fn hiding(&self) -> Hiding {
        let setup = self.setup;
        let shows = setup.view().modifier_shows();
        let smaller = (1..100)
            .rev()
            .map(|percent| f64::from(percent) / 100.0)
            .map(|scale| (scale, setup.with_modifier_scaled(scale)))
            .find(|(_, s)| shows && s.checked().is_ok() && !s.view().modifier_shows());
        let (distance, behind) = (setup.camera.distance.0, setup.light.distance.0);
        Hiding {
            smaller: smaller.map(|(scale, _)| scale),
            smaller_softness: smaller.map(|(_, s)| s.softness()),
            behind_person: Metres(setup.person.shoulders().0 * (distance + behind) / distance),
        }
    }

    fn plate(&self) -> Plate {
        let view = self.setup.view();
        Plate {
            covered: view.covered,
            hides_person: view.hides_person,
            clears_person: self.sideways(|s| s.view().hides_person <= 0.0),
        }
    }

    fn advice(&self, moves: &[Move], plate: &Plate) -> Advice {
        let is_free = |m: &&Move| {
            m.cost.stops_of_this_size.0 >= -FREE_STOPS && m.cost.harder_by <= FREE_HARDENING
        };
        let (choice, by) = if !self.setup.view().gear_shows() {
            (Choice::AlreadyOut, None)
        } else if let Some(free) = moves.iter().find(is_free) {
            (Choice::MoveTheLight, Some(*free))
        } else if plate.hides_person > 0.0 {
            (Choice::ClearThePersonThenPlate, plate.clears_person)
        } else {
            (Choice::ShootAPlate, None)
        };
        Advice { choice, by }
    }
}

impl Setup {
    /// The light carried elsewhere and aimed at the face again.
    #[must_use]
    pub fn with_light_moved(&self, way: Way, by: Metres) -> Self {
        // Sideways is across the picture: at right angles to where the camera looks.
        let turn = self.camera.turn.radians();
        let right = Vector::new(turn.cos(), -turn.sin(), 0.0);
        let direction = match way {
            Way::Left => -right,
            Way::Right => right,
            Way::Up => Vector::z(),
            Way::Back => self.outwards(),
        };
        let place = self.light_place() + direction * by.0;
        let from_face = place - self.person.face();
        let mut moved = *self;
        moved.light.distance = Metres(from_face.norm());
        moved.light.height = Metres(place.z);
        if from_face.xy().norm() > 1e-9 {
            moved.light.angle = Degrees(from_face.x.atan2(-from_face.y).to_degrees());
        }
        moved
    }

    fn with_modifier_scaled(&self, scale: f64) -> Self {
        let mut scaled = *self;
        let times = |m: Metres| Metres(m.0 * scale);
        scaled.light.shape = match self.light.shape {
            Shape::Rectangle { width, height } => Shape::Rectangle {
                width: times(width),
                height: times(height),
            },
            Shape::Round { diameter } => Shape::Round {
                diameter: times(diameter),
            },
        };
        scaled
    }
}

/// Shortest boom that holds the light from a stand outside of the picture, to either side or back.
fn boom_from_outside(setup: &Setup) -> Option<Metres> {
    let middle = setup.light_place();
    let under = Vector::new(middle.x, middle.y, 0.0);
    let sides = [Vector::x(), -Vector::x(), setup.outwards()];
    let steps = (MAX_MOVE / STEP) as usize;
    let length = (0..=steps).map(|s| s as f64 * STEP).find(|&length| {
        sides
            .iter()
            .any(|side| !setup.pieces_show(&standing(under + side * length, middle.z)))
    })?;
    match setup.light.rigging {
        Rigging::Boom(has) if has.0 >= length => Some(has),
        _ => Some(Metres(length)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::setup::tests::usual;
    use super::*;

    #[test]
    fn after_every_move_the_light_is_just_out_of_the_picture() {
        let setup = usual();
        let ways = weigh(&setup, None);
        assert_eq!(ways.moves.len(), 3, "{:?}", ways.moves);
        for found in &ways.moves {
            let there = setup.with_light_moved(found.way, found.by);
            let shows = |s: &Setup| match found.way {
                Way::Up => s.view().modifier_shows(),
                _ => s.view().gear_shows(),
            };
            assert!(!shows(&there), "{found:?}");
            let before = setup.with_light_moved(found.way, Metres(found.by.0 - STEP));
            assert!(shows(&before), "{found:?}");
        }
    }

    #[test]
    fn a_light_twice_as_far_costs_two_stops() {
        let setup = usual();
        let weighing = Weighing {
            setup: &setup,
            exposure: Some(Exposure {
                guide_number: GuideNumber(24.0),
                iso: 100.0,
                f_number: 8.0,
            }),
        };
        let mut far = setup;
        far.light.distance = Metres(3.0);
        let cost = weighing.cost(&far);
        assert!((cost.stops.0 + 2.0).abs() < 1e-12);
        assert!(cost.stops_of_this_size.0 > cost.stops.0);
        assert!(
            (cost.power_to_spare.unwrap().0).abs() < 1e-12,
            "24 / 8 = 3 m"
        );
        assert!(cost.harder_by > 0.4 && cost.harder_by < 0.5);
    }

    #[test]
    fn moving_up_and_back_down_again_changes_nothing() {
        let setup = usual();
        let there = setup.with_light_moved(Way::Right, Metres(0.7));
        let back = there.with_light_moved(Way::Left, Metres(0.7));
        assert!((back.light.distance.0 - setup.light.distance.0).abs() < 1e-9);
        assert!((back.light.angle.0 - setup.light.angle.0).abs() < 1e-9);
    }

    #[test]
    fn a_light_outside_asks_for_nothing() {
        let mut setup = usual();
        setup.light.distance = Metres(4.0);
        setup.light.angle = Degrees(100.0);
        let ways = weigh(&setup, None);
        assert_eq!(ways.advice.choice, Choice::AlreadyOut);
        assert!(ways.moves.is_empty() && ways.step_closer.is_none());
    }

    #[test]
    fn a_boom_right_over_the_person_is_worth_a_plate() {
        let mut setup = usual();
        setup.light.angle = Degrees(70.0);
        setup.light.distance = Metres(1.0);
        setup.light.height = Metres(2.3);
        setup.light.rigging = Rigging::Boom(Metres(1.5));
        let ways = weigh(&setup, None);
        assert_eq!(ways.advice.choice, Choice::ShootAPlate, "{ways:?}");
        assert!(ways.plate.hides_person <= 0.0);
    }

    #[test]
    fn a_light_before_the_person_must_clear_the_person_first() {
        let mut setup = usual();
        setup.light.angle = Degrees(10.0);
        let ways = weigh(&setup, None);
        assert_eq!(ways.advice.choice, Choice::ClearThePersonThenPlate);
        let clear = ways.plate.clears_person.unwrap();
        let there = setup.with_light_moved(clear.way, clear.by);
        assert!(there.view().hides_person <= 0.0 && there.view().modifier_shows());
    }

    /// Similar triangles: twice the distance, twice the width.
    #[test]
    fn the_person_hides_what_lies_in_their_shadow() {
        let mut setup = usual();
        setup.light.distance = setup.camera.distance;
        let ways = weigh(&setup, None);
        let twice = 2.0 * setup.person.shoulders().0;
        assert!((ways.hiding.behind_person.0 - twice).abs() < 1e-12);
    }
}
