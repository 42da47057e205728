//! A picture that shows what each piece of the frame was taken for.
//!
//! Colours are Okabe & Ito's, "Color Universal Design" (2008), which people with colour-blindness
//! tell apart; each class has a hatching of its own too, so that a grey print says the same.

use rayon::prelude::*;

use super::legend::{Canvas, Legend};
use crate::scene::{ChannelLayout, CodeValues, Label, Plane, Samples, Size};

/// sRGB codes.
pub(super) type Rgb = [u8; 3];

pub(super) const BLACK: Rgb = [0, 0, 0];
pub(super) const WHITE: Rgb = [255, 255, 255];

/// Width for which lines are one pixel wide and letters two pixels a dot.
const PIXELS_PER_LINE: usize = 800;
/// Distance of hatching lines, line widths.
const HATCH: usize = 9;
/// Width of hatching lines, line widths.
const HATCH_WIDTH: usize = 2;
/// Share of the class's colour between the hatching.
pub(super) const TINT: f32 = 0.28;
/// Share of colour that the picture itself keeps, so that classes stand out.
const PICTURE_COLOUR: f32 = 0.35;
/// Length of the dashes round what comes from the plate, line widths.
pub(super) const DASH: usize = 6;

/// How a class is hatched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hatching {
    /// Outline alone.
    None,
    /// Lines from lower left to upper right.
    Rising,
    /// Lines from upper left to lower right.
    Falling,
    /// Both.
    Crossed,
    /// Upright lines.
    Upright,
    /// Level lines.
    Level,
    /// Dots.
    Dots,
}

/// Colour (sRGB) and hatching of a class; `None` for what is not drawn.
pub fn class_style(label: Label) -> Option<(Rgb, Hatching)> {
    match label {
        Label::Other => None,
        Label::Gear => Some(([213, 94, 0], Hatching::Rising)),
        Label::GearShadow => Some(([0, 114, 178], Hatching::Falling)),
        Label::Glint => Some(([240, 228, 66], Hatching::Crossed)),
        Label::Person => Some(([0, 158, 115], Hatching::Upright)),
        Label::PersonShadow => Some(([230, 159, 0], Hatching::Level)),
        Label::Sway => Some(([204, 121, 167], Hatching::Dots)),
        Label::Sky => Some(([86, 180, 233], Hatching::None)),
    }
}

impl Hatching {
    pub(super) fn covers(self, x: usize, y: usize, line: usize) -> bool {
        let (period, width) = (HATCH * line, HATCH_WIDTH * line);
        let on = |v: usize| v % period < width;
        // Added once so that the difference stays positive.
        let falling = x + period * (y / period + 1) - y;
        match self {
            Self::None => false,
            Self::Rising => on(x + y),
            Self::Falling => on(falling),
            Self::Crossed => on(x + y) || on(falling),
            Self::Upright => on(x),
            Self::Level => on(y),
            Self::Dots => {
                let from_middle = |v: usize| (v % period).abs_diff(period / 2);
                from_middle(x).pow(2) + from_middle(y).pow(2) <= (2 * width / 3 + line).pow(2)
            }
        }
    }
}

/// What is drawn over what where several classes meet in one pixel: thin booms must not get lost.
fn weight(label: Label) -> u8 {
    match label {
        Label::Gear => 7,
        Label::Glint => 6,
        Label::GearShadow => 5,
        Label::Person => 4,
        Label::PersonShadow => 3,
        Label::Sway => 2,
        Label::Sky => 1,
        Label::Other => 0,
    }
}

/// The one of two classes that is drawn.
pub(crate) fn heavier(one: Label, other: Label) -> Label {
    if weight(other) > weight(one) {
        other
    } else {
        one
    }
}

/// Draws classes, outlines and the border of what comes from the plate over a picture, with a legend
/// below it.
///
/// `picture` is 8 bits RGB in sRGB, at any size; `labels` and `mask` (0 keep lit .. 65 535 take
/// plate) show the same frame at sizes of their own. The result is as wide as `picture` and taller by
/// the legend. Holds two small planes of the picture's size beside the result.
///
/// # Panics
/// When `picture` is not 8 bits RGB: a broken caller.
pub fn overlay(picture: &Samples, labels: &Plane<Label>, mask: &Plane<u16>) -> Samples {
    let CodeValues::Eight(codes) = &picture.values else {
        panic!("an overlay is drawn on 8 bits");
    };
    assert_eq!(
        picture.layout,
        ChannelLayout::Rgb,
        "an overlay is drawn on RGB"
    );
    let size = picture.size;
    let line = size.columns.div_ceil(PIXELS_PER_LINE).max(1);
    let labels = resized(labels, size, heavier);
    let taken = resized(mask, size, u16::max).map(|&share| share > 0);
    let legend = Legend::of(&labels, size.columns, line);
    let mut canvas = Canvas::new(Size {
        columns: size.columns,
        rows: size.rows + legend.height(),
    });
    canvas
        .rows()
        .zip(codes.par_chunks_exact(3 * size.columns))
        .enumerate()
        .for_each(|(y, (out, codes))| {
            let pixels = out.chunks_exact_mut(3).zip(codes.chunks_exact(3));
            for (x, (out, code)) in pixels.enumerate() {
                let code = pale([code[0], code[1], code[2]]);
                out.copy_from_slice(&drawn(code, [x, y], &labels, &taken, line));
            }
        });
    legend.draw(&mut canvas, size.rows);
    canvas.0
}

fn drawn(
    code: Rgb,
    [x, y]: [usize; 2],
    labels: &Plane<Label>,
    taken: &Plane<bool>,
    line: usize,
) -> Rgb {
    if is_border(taken, [x, y], line, |a, b| a != b) {
        return if ((x + y) / (DASH * line)).is_multiple_of(2) {
            WHITE
        } else {
            BLACK
        };
    }
    let label = *labels.at(x, y);
    let style = class_style(label);
    if is_border(labels, [x, y], line, |a, b| has_outline(*a, *b)) {
        // The heavier side carries the line; a dark one beside it keeps it off the picture.
        return style.map_or(BLACK, |(colour, _)| colour);
    }
    match style {
        None | Some((_, Hatching::None)) => code,
        Some((colour, hatching)) if hatching.covers(x, y, line) => colour,
        Some((colour, _)) => mixed(code, colour, TINT),
    }
}

/// Is a line drawn where these meet? What sways has no border to speak of: lines round every leaf
/// would hide the rest.
fn has_outline(one: Label, other: Label) -> bool {
    let is_ground = |l| matches!(l, Label::Sway | Label::Sky | Label::Other);
    let sways = one == Label::Sway || other == Label::Sway;
    one != other && !(sways && is_ground(one) && is_ground(other))
}

/// Is a neighbour a line's width away told apart?
fn is_border<T: Clone + Send + Sync + 'static>(
    plane: &Plane<T>,
    [x, y]: [usize; 2],
    line: usize,
    differs: impl Fn(&T, &T) -> bool,
) -> bool {
    let here = plane.at(x, y);
    let (right, bottom) = (plane.columns() - 1, plane.rows() - 1);
    let neighbours = [
        (x.saturating_sub(line), y),
        ((x + line).min(right), y),
        (x, y.saturating_sub(line)),
        (x, (y + line).min(bottom)),
    ];
    neighbours
        .iter()
        .any(|&(x, y)| differs(plane.at(x, y), here))
}

/// A plane at another size; where it shrinks, the `heavier` of what falls together stays.
fn resized<T: Copy + Default + Send + Sync + 'static>(
    plane: &Plane<T>,
    size: Size,
    heavier: impl Fn(T, T) -> T + Sync,
) -> Plane<T> {
    let (columns, rows) = (plane.columns(), plane.rows());
    let span = |at: usize, to: usize, from: usize| {
        let start = at * from / to;
        start..((at + 1) * from / to).clamp(start + 1, from)
    };
    Plane::from_fn(size, |x, y| {
        let (across, down) = (span(x, size.columns, columns), span(y, size.rows, rows));
        let first = *plane.at(across.start, down.start);
        down.flat_map(|y| across.clone().map(move |x| (x, y)))
            .fold(first, |kept, (x, y)| heavier(kept, *plane.at(x, y)))
    })
}

pub(super) fn mixed(one: Rgb, other: Rgb, share: f32) -> Rgb {
    std::array::from_fn(|c| {
        let (one, other) = (f32::from(one[c]), f32::from(other[c]));
        (one + share * (other - one)).round() as u8
    })
}

/// The picture with most of its colour taken out (ITU-R BT.709 weights, on codes: it is a backdrop).
fn pale(code: Rgb) -> Rgb {
    let [r, g, b] = code.map(f32::from);
    let grey = (0.2126 * r + 0.7152 * g + 0.0722 * b).round() as u8;
    mixed([grey; 3], code, PICTURE_COLOUR)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::LABELS;

    const SIZE: Size = Size {
        columns: 120,
        rows: 90,
    };

    fn grey() -> Samples {
        Samples {
            size: SIZE,
            layout: ChannelLayout::Rgb,
            values: CodeValues::Eight(vec![128; 3 * SIZE.area()]),
        }
    }

    fn colours(
        picture: &Samples,
        x: std::ops::Range<usize>,
        y: std::ops::Range<usize>,
    ) -> Vec<Rgb> {
        let at = |x, y| std::array::from_fn(|c| picture.code(x, y, c) as u8);
        y.flat_map(|y| x.clone().map(move |x| (x, y)))
            .map(|(x, y)| at(x, y))
            .collect()
    }

    /// Okabe & Ito 2008, the seven colours beside black.
    #[test]
    fn classes_take_the_published_colours() {
        let mut published = [
            [230, 159, 0],
            [86, 180, 233],
            [0, 158, 115],
            [240, 228, 66],
            [0, 114, 178],
            [213, 94, 0],
            [204, 121, 167],
        ];
        let mut used: Vec<Rgb> = LABELS
            .iter()
            .filter_map(|&l| Some(class_style(l)?.0))
            .collect();
        used.sort_unstable();
        published.sort_unstable();
        assert_eq!(used, published);
    }

    #[test]
    fn no_two_classes_share_a_hatching() {
        let hatchings: Vec<_> = LABELS
            .iter()
            .filter_map(|&l| Some(class_style(l)?.1))
            .collect();
        for (i, one) in hatchings.iter().enumerate() {
            let pattern = |h: &Hatching| -> Vec<bool> {
                (0..40 * 40).map(|k| h.covers(k % 40, k / 40, 1)).collect()
            };
            for other in &hatchings[..i] {
                assert_ne!(pattern(one), pattern(other));
            }
        }
    }

    #[test]
    fn what_is_no_class_keeps_the_picture() {
        let labels = Plane::filled(SIZE, Label::Other);
        let drawn = overlay(&grey(), &labels, &Plane::filled(SIZE, 0));
        assert_eq!(drawn.size.columns, SIZE.columns);
        assert!(drawn.size.rows > SIZE.rows, "a legend is below");
        assert!(
            colours(&drawn, 0..120, 0..90)
                .iter()
                .all(|c| *c == [128; 3])
        );
    }

    #[test]
    fn a_class_shows_its_colour_hatching_and_outline() {
        let labels = Plane::from_fn(SIZE, |x, _| if x < 60 { Label::Gear } else { Label::Other });
        let drawn = overlay(&grey(), &labels, &Plane::filled(SIZE, 0));
        let (colour, _) = class_style(Label::Gear).unwrap();
        let inside = colours(&drawn, 10..50, 10..80);
        let solid = inside.iter().filter(|c| **c == colour).count() as f64 / inside.len() as f64;
        let share = HATCH_WIDTH as f64 / HATCH as f64;
        assert!((solid - share).abs() < 0.03, "{solid}");
        assert!(colours(&drawn, 59..60, 0..90).iter().all(|c| *c == colour));
        assert!(colours(&drawn, 60..61, 0..90).iter().all(|c| *c == BLACK));
        assert!(
            colours(&drawn, 70..119, 0..90)
                .iter()
                .all(|c| *c == [128; 3])
        );
    }

    #[test]
    fn leaves_have_no_lines_round_them_but_gear_before_leaves_has() {
        assert!(!has_outline(Label::Sway, Label::Sky) && !has_outline(Label::Other, Label::Sway));
        assert!(has_outline(Label::Sway, Label::Gear) && has_outline(Label::Sky, Label::Other));
        assert!(!has_outline(Label::Gear, Label::Gear));
    }

    #[test]
    fn a_boom_of_one_pixel_survives_being_made_smaller() {
        let large = Size {
            columns: 4 * SIZE.columns,
            rows: 4 * SIZE.rows,
        };
        let labels = Plane::from_fn(
            large,
            |_, y| {
                if y == 101 { Label::Gear } else { Label::Sky }
            },
        );
        let small = resized(&labels, SIZE, heavier);
        assert!((0..120).all(|x| *small.at(x, 25) == Label::Gear));
        assert!((0..120).all(|x| *small.at(x, 24) == Label::Sky));
        let back = resized(&small, large, |a, _| a);
        assert_eq!(back.size(), large);
    }

    #[test]
    fn the_border_of_the_mask_is_dashed_black_and_white() {
        let labels = Plane::filled(SIZE, Label::Other);
        let mask = Plane::from_fn(SIZE, |_, y| u16::from(y < 45));
        let drawn = overlay(&grey(), &labels, &mask);
        let border = colours(&drawn, 0..120, 44..46);
        assert!(border.iter().all(|c| *c == BLACK || *c == WHITE));
        assert!(border.contains(&BLACK) && border.contains(&WHITE));
    }
}
