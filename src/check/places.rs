//! Places in a picture: boxes, and the words for them.

use crate::report::Box2;
use crate::scene::{Plane, Size, Window};

/// A box of the small copy in pixels at full size.
pub(super) fn full(window: Window, factor: usize, size: Size) -> Box2 {
    let clip = |v: usize, most: usize| (v * factor).min(most);
    let (x, y) = (clip(window.left, size.columns), clip(window.top, size.rows));
    Box2 {
        x,
        y,
        width: clip(window.right, size.columns).saturating_sub(x).max(1),
        height: clip(window.bottom, size.rows).saturating_sub(y).max(1),
    }
}

/// A box that takes this share of the picture is no place in it.
const WHOLE_SHARE: f64 = 0.5;

/// Where a box lies: thirds of the picture, as everybody divides it.
pub(super) fn words(place: Option<Box2>, size: Size) -> String {
    let Some(place) = place else {
        return "whole picture".to_owned();
    };
    let share = (place.width * place.height) as f64 / size.area().max(1) as f64;
    if share > WHOLE_SHARE {
        return "most of the picture".to_owned();
    }
    let third = |from: usize, length: usize, whole: usize| {
        ((2 * from + length) * 3 / (2 * whole).max(1)).min(2)
    };
    let down = third(place.y, place.height, size.rows);
    let across = third(place.x, place.width, size.columns);
    match (down, across) {
        (1, 1) => "centre".to_owned(),
        (1, 0) => "left".to_owned(),
        (1, _) => "right".to_owned(),
        (down, across) => {
            let down = if down == 0 { "upper" } else { "lower" };
            let across = ["left", "middle", "right"][across];
            format!("{down} {across}")
        }
    }
}

/// The box around what is wanted, and how much there is; `None` for nothing.
pub(super) fn extent(mask: &Plane<bool>) -> Option<(Window, usize)> {
    let mut window: Option<Window> = None;
    let mut count = 0;
    for y in 0..mask.rows() {
        for (x, _) in mask.row(y).iter().enumerate().filter(|(_, m)| **m) {
            count += 1;
            let here = Window {
                left: x,
                top: y,
                right: x + 1,
                bottom: y + 1,
            };
            window = Some(window.map_or(here, |w| Window {
                left: w.left.min(x),
                top: w.top,
                right: w.right.max(x + 1),
                bottom: y + 1,
            }));
        }
    }
    window.map(|window| (window, count))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size {
        columns: 6000,
        rows: 4000,
    };

    #[test]
    fn places_are_told_by_thirds() {
        let at = |x: usize, y: usize| {
            let place = Box2 {
                x,
                y,
                width: 100,
                height: 100,
            };
            words(Some(place), SIZE)
        };
        assert_eq!(at(0, 0), "upper left");
        assert_eq!(at(3000, 3900), "lower middle");
        assert_eq!(at(5900, 2000), "right");
        assert_eq!(at(2950, 1950), "centre");
        assert_eq!(words(None, SIZE), "whole picture");
    }

    #[test]
    fn the_extent_is_the_box_around_all_that_is_set() {
        let mask = Plane::from_fn(
            Size {
                columns: 9,
                rows: 7,
            },
            |x, y| (x, y) == (2, 3) || (x, y) == (5, 1),
        );
        let (window, count) = extent(&mask).unwrap();
        assert_eq!(count, 2);
        assert_eq!((window.left, window.top), (2, 1));
        assert_eq!((window.right, window.bottom), (6, 4));
        assert_eq!(extent(&mask.map(|_| false)), None);
    }
}
