//! From a number to a reason: how much it matters, and the advice that fits.

use super::{Bearing, Fault, Measured, Reason, Shot, places};
use crate::report::Box2;
use crate::scene::Size;

/// From this share of its limit on, a number leaves doubt.
const DOUBT_FROM: f64 = 0.9;

/// What is said of a fault.
#[derive(Debug, Clone)]
pub(super) struct Told {
    /// Which picture it is about.
    shot: Shot,
    /// What was found.
    what: String,
    /// What to do when it spoils the frame.
    now: String,
    /// What to do when the clean-up copes with it.
    when_noted: &'static str,
    /// It never matters more than this.
    at_most: Bearing,
    /// It never matters less.
    at_least: Bearing,
}

impl Told {
    pub(super) fn of(shot: Shot, what: String) -> Self {
        Self {
            shot,
            what,
            now: String::new(),
            when_noted: "",
            at_most: Bearing::Spoils,
            at_least: Bearing::Noted,
        }
    }

    /// What to do now when it spoils the frame, and when it is noted only: then nothing has to be shot
    /// again.
    pub(super) fn advise(self, now: &str, when_noted: &'static str) -> Self {
        Self {
            now: now.to_owned(),
            when_noted,
            ..self
        }
    }

    /// However large the number.
    pub(super) fn at_most(self, at_most: Bearing) -> Self {
        Self { at_most, ..self }
    }

    /// However small the number.
    pub(super) fn at_least(self, at_least: Bearing) -> Self {
        Self { at_least, ..self }
    }

    /// The reason, graded by its number.
    pub(super) fn graded(
        self,
        fault: Fault,
        measured: Measured,
        (place, size): (Option<Box2>, Size),
    ) -> Reason {
        let weight = measured.weight();
        let by_number = if weight >= 1.0 {
            Bearing::Spoils
        } else if weight >= DOUBT_FROM {
            Bearing::Doubtful
        } else {
            Bearing::Noted
        };
        let bearing = by_number.max(self.at_least).min(self.at_most);
        let now = match bearing {
            Bearing::Spoils => self.now,
            Bearing::Doubtful => format!("look at it at 100 %; in doubt {}", self.now),
            Bearing::Noted => self.when_noted.to_owned(),
        };
        Reason {
            fault,
            bearing,
            weight,
            measured,
            place,
            place_in_words: places::words(place, size),
            what: self.what,
            now,
            shot: self.shot,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::Unit;

    const SIZE: Size = Size {
        columns: 600,
        rows: 400,
    };

    fn reason(value: f64, told: Told) -> Reason {
        let measured = Measured {
            value,
            limit: 10.0,
            unit: Unit::Px,
        };
        told.graded(Fault::OtherSky, measured, (None, SIZE))
    }

    fn told() -> Told {
        Told::of(Shot::Plate, "another sky".to_owned()).advise("shoot the plate again", "nothing")
    }

    #[test]
    fn advice_fits_how_much_a_number_matters() {
        let spoils = reason(10.0, told());
        assert_eq!(spoils.bearing, Bearing::Spoils);
        assert_eq!(spoils.now, "shoot the plate again");
        let doubtful = reason(9.5, told());
        assert_eq!(doubtful.bearing, Bearing::Doubtful);
        assert_eq!(
            doubtful.now,
            "look at it at 100 %; in doubt shoot the plate again"
        );
        let noted = reason(6.0, told());
        assert_eq!((noted.bearing, &*noted.now), (Bearing::Noted, "nothing"));
    }

    #[test]
    fn what_never_spoils_is_never_told_to_be_shot_again() {
        let noted = reason(99.0, told().at_most(Bearing::Noted));
        assert_eq!((noted.bearing, &*noted.now), (Bearing::Noted, "nothing"));
        let doubtful = reason(1.0, told().at_least(Bearing::Doubtful));
        assert_eq!(doubtful.bearing, Bearing::Doubtful);
    }
}
