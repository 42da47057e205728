//! Before the stand goes up: is the light in the picture, and what would it cost to keep it out?
//!
//! [`Setup`] describes camera, person and light in metres; [`Setup::view`] says what of the light
//! the lens sees, [`weigh`] what each way out costs in stops and in softness, [`drawing`] shows it.
//!
//! Axes, in metres: the person's feet are the origin, `x` grows to the right as the camera sees it,
//! `y` away from the camera along the ground, `z` upwards.

pub mod drawing;
mod optics;
mod sense;
mod setup;
mod view;
mod weigh;

pub use optics::{
    Degrees, GuideNumber, Lens, Metres, Millimetres, Sensor, Stops, angle_of_view, apparent_angle,
    stops_by_area, stops_by_inverse_square,
};
pub use sense::Nonsense;
pub use setup::{Camera, Light, Person, Rigging, Setup, Shape};
pub use view::{Outline, Place, Side, View, percent};
pub use weigh::{Advice, Choice, Closer, Cost, Exposure, Hiding, Move, Plate, Way, Ways, weigh};
