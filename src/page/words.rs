//! Places and shares in words.

use crate::scene::Size;

use super::{Outcome, Purpose};
use crate::check::{Answer, Measured, Unit};

/// The third of the picture in which the middle of a place lies.
pub(super) fn place(at: [usize; 2], full: Size) -> &'static str {
    const NAMES: [[&str; 3]; 3] = [
        ["upper left", "top", "upper right"],
        ["left", "middle", "right"],
        ["lower left", "bottom", "lower right"],
    ];
    let third = |at: usize, side: usize| (3 * at / side.max(1)).min(2);
    NAMES[third(at[1], full.rows)][third(at[0], full.columns)]
}

/// `3.1 %` of the frame; two digits below one per cent.
pub(super) fn share(area: usize, full: Size) -> String {
    let percent = 100.0 * area as f64 / full.area().max(1) as f64;
    if percent >= 1.0 {
        format!("{percent:.1} %")
    } else if percent >= 0.01 {
        format!("{percent:.2} %")
    } else {
        "below 0.01 %".to_owned()
    }
}

impl Outcome {
    /// On the page.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Failed => "left as it was",
            Self::LookHere => "look here",
            Self::Finished => "finished",
            Self::NothingToRemove => "nothing to remove",
            Self::Unreadable => "cannot be read",
            Self::Checked(answer) => answer.words(),
        }
    }

    /// In the page's markup.
    pub(super) fn key(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::LookHere => "look",
            Self::Finished => "finished",
            Self::NothingToRemove => "nothing",
            Self::Unreadable => "unreadable",
            Self::Checked(Answer::ShootAgain) => "again",
            Self::Checked(Answer::CannotTell) => "doubt",
            Self::Checked(Answer::Go) => "go",
        }
    }
}

impl Purpose {
    /// What is at the left of a wipe, and what at the right.
    pub(super) fn sides(&self) -> [&'static str; 2] {
        match self {
            Self::HandBack { .. } => ["before", "after"],
            Self::Check => ["lit frame", "plate"],
        }
    }
}

/// A number and the one from which it matters.
pub(super) fn measured(measured: &Measured) -> String {
    let unit = match measured.unit {
        Unit::Px => "px",
        Unit::Percent => "%",
        Unit::Degrees => "degrees",
        Unit::Stops => "stops",
        Unit::Mired => "mired",
        Unit::ColourDifference => "CIE94",
        Unit::Minutes => "minutes",
        Unit::Places => "places",
        Unit::Settings => return String::new(),
    };
    let digits = if measured.limit >= 10.0 { 0 } else { 2 };
    format!(
        "{:.digits$} {unit}, limit {:.digits$}",
        measured.value, measured.limit
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_thirds_of_the_picture() {
        let full = Size {
            columns: 900,
            rows: 600,
        };
        assert_eq!(place([10, 10], full), "upper left");
        assert_eq!(place([450, 599], full), "bottom");
        assert_eq!(place([899, 300], full), "right");
        assert_eq!(place([900, 600], full), "lower right");
    }

    #[test]
    fn numbers_are_told_with_their_limits() {
        let told = |value: f64, limit: f64, unit: Unit| measured(&Measured { value, limit, unit });
        assert_eq!(told(31.4, 150.0, Unit::Px), "31 px, limit 150");
        assert_eq!(told(0.5, 0.3, Unit::Stops), "0.50 stops, limit 0.30");
        assert_eq!(told(1.0, 1.0, Unit::Settings), "");
    }

    #[test]
    fn small_shares_keep_digits() {
        let full = Size {
            columns: 1000,
            rows: 1000,
        };
        assert_eq!(share(31_400, full), "3.1 %");
        assert_eq!(share(310, full), "0.03 %");
        assert_eq!(share(1, full), "below 0.01 %");
    }
}
