//! Places and shares in words.

use crate::scene::Size;

use super::Outcome;

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
        }
    }

    /// In the page's markup.
    pub(super) fn key(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::LookHere => "look",
            Self::Finished => "finished",
            Self::NothingToRemove => "nothing",
        }
    }
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
