//! Work on a part of the working copy: what lies far from a change need not be looked at.

use crate::scene::{Perceived, Plane, SceneLinear, Size, Window};

/// A part of a plane.
pub(super) fn part<T: Copy + Default + Send + Sync + 'static>(
    plane: &Plane<T>,
    window: Window,
) -> Plane<T> {
    Plane::from_fn(window.size(), |x, y| {
        *plane.at(window.left + x, window.top + y)
    })
}

/// A part of a picture.
pub(super) fn part_of_picture(picture: &SceneLinear, window: Window) -> SceneLinear {
    SceneLinear {
        channels: picture.channels.each_ref().map(|c| part(c, window)),
    }
}

/// A part put back in its place, `elsewhere` around it.
pub(super) fn in_place<T: Copy + Send + Sync + 'static>(
    part: &Plane<T>,
    window: Window,
    size: Size,
    elsewhere: T,
) -> Plane<T> {
    let mut whole = Plane::filled(size, elsewhere);
    for y in 0..window.rows() {
        whole.row_mut(window.top + y)[window.left..window.right].copy_from_slice(part.row(y));
    }
    whole
}

/// A part of a picture as seen put back in its place, black around it.
pub(super) fn seen_in_place(part: &Perceived, window: Window, size: Size) -> Perceived {
    Perceived {
        lightness: in_place(&part.lightness, window, size, 0.0),
        a: in_place(&part.a, window, size, 0.0),
        b: in_place(&part.b, window, size, 0.0),
    }
}

/// The smallest window with all pixels that are wanted, grown by `margin`; `None` without any.
pub(super) fn window_of<T: Clone + Send + Sync + 'static>(
    plane: &Plane<T>,
    margin: usize,
    is_wanted: impl Fn(&T) -> bool,
) -> Option<Window> {
    let mut found: Option<Window> = None;
    for y in 0..plane.rows() {
        let row = plane.row(y);
        let Some(left) = row.iter().position(&is_wanted) else {
            continue;
        };
        let right = row.iter().rposition(&is_wanted).unwrap_or(left) + 1;
        found = Some(found.map_or(
            Window {
                left,
                top: y,
                right,
                bottom: y + 1,
            },
            |w| Window {
                left: w.left.min(left),
                right: w.right.max(right),
                bottom: y + 1,
                ..w
            },
        ));
    }
    Some(found?.grown(margin, plane.size()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_goes_back_to_its_place() {
        let size = Size {
            columns: 12,
            rows: 9,
        };
        let plane = Plane::from_fn(size, |x, y| (20 * y + x) as u32);
        let wanted = |v: &u32| (43..=47).contains(v) || *v == 65;
        let window = window_of(&plane, 1, wanted).unwrap();
        let expected = Window {
            left: 2,
            top: 1,
            right: 9,
            bottom: 5,
        };
        assert_eq!(window, expected);
        let back = in_place(&part(&plane, window), window, size, 7);
        assert_eq!((*back.at(3, 2), *back.at(11, 8)), (43, 7));
        assert_eq!(window_of(&plane, 1, |v| *v == 999), None);
    }
}
