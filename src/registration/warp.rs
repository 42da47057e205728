//! Resamples the plate to the lit frame's pixels.

use rayon::prelude::*;

use super::{Model, Registration};
use crate::numeric::interpolation::{KernelTable, lanczos3};
use crate::numeric::spans::{Run, Spans};
use crate::scene::{Plane, Point, SceneLinear, Size, Window};
use crate::vectors::vectorised;

/// Taps of the kernel along one side.
const TAPS: usize = 6;
/// The map is computed at places this many pixels apart along a row and drawn straight between
/// them: on a wide frame turned by 3 degrees the error is below a thousandth of a pixel.
const KNOT_SPACING: usize = 16;

/// The result may pass the range of the sixteen nearest samples by this factor: peaks of texture
/// between samples do, by less; beyond, it is the kernel ringing at an edge.
const RINGING: f32 = 1.25;

/// A pixel's three channels and one lane to fill a vector.
type Pixel = [f32; 4];

/// Resamples `plate` to the pixels of a lit frame of extent `size` by a Lanczos kernel of three
/// lobes; the second result is false where the plate shows nothing. An unmoved plate is copied.
///
/// Values are kept near the range of the sixteen nearest samples, so that the kernel's negative
/// lobes leave no dark rims round highlights; they are never negative. Holds 16 bytes a pixel beside input and result.
pub fn warp_plate_to_lit(
    plate: &SceneLinear,
    registration: &Registration,
    size: Size,
) -> (SceneLinear, Plane<bool>) {
    if registration.model == Model::Identity && registration.field.is_none() && plate.size() == size
    {
        return (plate.clone(), Plane::filled(size, true));
    }
    let source = Source::of(plate, Point::default(), plate.size());
    source.resampled(registration, whole(size), None)
}

/// [`warp_plate_to_lit`] for the pixels that are `asked` for; elsewhere it may be 0. The plate has the
/// same extent; `light` tells its pixels' by index.
pub fn warp_near(
    light: impl Fn(usize) -> [f32; 3] + Sync,
    registration: &Registration,
    asked: &Spans,
) -> SceneLinear {
    let size = asked.size();
    if registration.is_identity() {
        let channel = |c: usize| {
            asked.filled(|y, run, out| {
                for (x, out) in (run.from..run.to).zip(out) {
                    *out = light(y * size.columns + x)[c];
                }
            })
        };
        return SceneLinear {
            channels: std::array::from_fn(channel),
        };
    }
    let mut pixels = vec![[0.0; 4]; size.area()];
    pixels
        .par_chunks_exact_mut(size.columns.max(1))
        .enumerate()
        .for_each(|(y, out)| {
            vectorised(
                #[inline(always)]
                || {
                    for (i, out) in (y * size.columns..).zip(out) {
                        let [red, green, blue] = light(i);
                        *out = [red, green, blue, 0.0];
                    }
                },
            );
        });
    let source = Source {
        pixels,
        size,
        corner: Point::default(),
        plate: size,
    };
    let (picture, _) = source.resampled(registration, whole(size), Some(asked));
    picture
}

/// Resamples the part of a plate that shows in `window` of the lit frame. `registration` is in the
/// pixels of the full frames ([`Registration::scaled`]), `plate_size` is the full plate's extent and
/// `read` hands over a window of the plate in scene-linear light; it is called once at most. The
/// result has the window's extent; where pixels are `asked` for, in the window's pixels, others may
/// be 0.
pub fn warp_window(
    read: impl FnOnce(Window) -> SceneLinear,
    plate_size: Size,
    registration: &Registration,
    (window, asked): (Window, Option<&Spans>),
) -> (SceneLinear, Plane<bool>) {
    let Some(part) = part_of_plate(registration, window, plate_size) else {
        let nothing = SceneLinear::filled(window.size(), 0.0);
        return (nothing, Plane::filled(window.size(), false));
    };
    let inside = window.right <= plate_size.columns && window.bottom <= plate_size.rows;
    if registration.model == Model::Identity && registration.field.is_none() && inside {
        return (read(window), Plane::filled(window.size(), true));
    }
    let corner = Point {
        x: part.left as f64,
        y: part.top as f64,
    };
    let source = Source::of(&read(part), corner, plate_size);
    source.resampled(registration, window, asked)
}

fn whole(size: Size) -> Window {
    Window {
        left: 0,
        top: 0,
        right: size.columns,
        bottom: size.rows,
    }
}

/// The plate's pixels that the window's pixels are computed from.
fn part_of_plate(registration: &Registration, window: Window, plate: Size) -> Option<Window> {
    let knots = |from: usize, to: usize| (from..to).step_by(KNOT_SPACING).chain(to.checked_sub(1));
    let mut low = (f64::INFINITY, f64::INFINITY);
    let mut high = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    for y in knots(window.top, window.bottom) {
        for x in knots(window.left, window.right) {
            let p = registration.plate_point(Point {
                x: x as f64,
                y: y as f64,
            });
            low = (low.0.min(p.x), low.1.min(p.y));
            high = (high.0.max(p.x), high.1.max(p.y));
        }
    }
    // One pixel more than the kernel reaches, for what bends between the knots.
    let margin = TAPS as f64 / 2.0 + 1.0;
    let span = |low: f64, high: f64, extent: usize| {
        let from = (low - margin).floor().clamp(0.0, extent as f64) as usize;
        let to = (high + margin).ceil().clamp(0.0, extent as f64) as usize;
        (from < to).then_some((from, to))
    };
    let (left, right) = span(low.0, high.0, plate.columns)?;
    let (top, bottom) = span(low.1, high.1, plate.rows)?;
    Some(Window {
        left,
        top,
        right,
        bottom,
    })
}

/// Plate pixels, channels side by side.
struct Source {
    pixels: Vec<Pixel>,
    size: Size,
    /// Place of the first pixel in the plate.
    corner: Point,
    /// Extent of the whole plate.
    plate: Size,
}

impl Source {
    fn of(picture: &SceneLinear, corner: Point, plate: Size) -> Self {
        let size = picture.size();
        let mut pixels = vec![[0.0; 4]; size.area()];
        pixels
            .par_chunks_exact_mut(size.columns.max(1))
            .enumerate()
            .for_each(|(y, out)| {
                let [red, green, blue] = picture.channels.each_ref().map(|channel| channel.row(y));
                for (out, ((r, g), b)) in out.iter_mut().zip(red.iter().zip(green).zip(blue)) {
                    *out = [*r, *g, *b, 0.0];
                }
            });
        Self {
            pixels,
            size,
            corner,
            plate,
        }
    }

    /// `asked`, in the window's pixels, may leave pixels out.
    fn resampled(
        &self,
        registration: &Registration,
        window: Window,
        asked: Option<&Spans>,
    ) -> (SceneLinear, Plane<bool>) {
        let kernel = KernelTable::<TAPS>::from_kernel(lanczos3);
        let size = window.size();
        let mut picture = match asked {
            Some(_) => SceneLinear::filled(size, 0.0),
            None => SceneLinear::unset(size),
        };
        let mut shown = Plane::filled(size, false);
        let [red, green, blue] = &mut picture.channels;
        let columns = size.columns.max(1);
        red.as_mut_slice()
            .par_chunks_exact_mut(columns)
            .zip(green.as_mut_slice().par_chunks_exact_mut(columns))
            .zip(blue.as_mut_slice().par_chunks_exact_mut(columns))
            .zip(shown.as_mut_slice().par_chunks_exact_mut(columns))
            .enumerate()
            .for_each_init(
                Default::default,
                |buffers, (y, (((red, green), blue), shown))| {
                    let (places, pixels): &mut (Vec<Point>, Vec<Pixel>) = buffers;
                    let all = [Run {
                        from: 0,
                        to: size.columns,
                    }];
                    let runs = asked.map_or(&all[..], |asked| asked.row(y));
                    if runs.is_empty() {
                        return;
                    }
                    places_along(registration, window, window.top + y, places);
                    pixels.resize(size.columns, [0.0; 4]);
                    vectorised(
                        #[inline(always)]
                        || {
                            for x in runs.iter().flat_map(|run| run.from..run.to) {
                                let place = places[x];
                                shown[x] = self.shows(place);
                                // All four lanes are kept at first: three would not make a vector.
                                pixels[x] = if shown[x] {
                                    self.sample(&kernel, place)
                                } else {
                                    [0.0; 4]
                                };
                            }
                            for x in runs.iter().flat_map(|run| run.from..run.to) {
                                [red[x], green[x], blue[x], _] = pixels[x];
                            }
                        },
                    );
                },
            );
        (picture, shown)
    }

    /// Does the plate show this place, up to the outer border of its pixels?
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn shows(&self, place: Point) -> bool {
        let within = |v: f64, extent: usize| v >= -0.5 && v <= extent as f64 - 0.5;
        within(place.x, self.plate.columns) && within(place.y, self.plate.rows)
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn sample(&self, kernel: &KernelTable<TAPS>, place: Point) -> Pixel {
        let (x, y) = (place.x - self.corner.x, place.y - self.corner.y);
        let (whole_x, whole_y) = (x.floor(), y.floor());
        let weights_x = kernel.at((x - whole_x) as f32);
        let weights_y = kernel.at((y - whole_y) as f32);
        let left = whole_x as isize - KernelTable::<TAPS>::BEFORE;
        let top = whole_y as isize - KernelTable::<TAPS>::BEFORE;
        let is_inside = left >= 0
            && top >= 0
            && left as usize + TAPS <= self.size.columns
            && top as usize + TAPS <= self.size.rows;
        if is_inside {
            // One row after the other is split off: that asks for no products.
            let mut rest = &self.pixels[top as usize * self.size.columns + left as usize..];
            let rows = std::array::from_fn(|row| {
                let own = rest;
                if row + 1 < TAPS {
                    rest = &rest[self.size.columns..];
                }
                own.first_chunk().expect("the kernel lies inside")
            });
            return weighted(rows, weights_x, weights_y);
        }
        let within = |v: isize, extent: usize| v.clamp(0, extent as isize - 1) as usize;
        let copies: [[Pixel; TAPS]; TAPS] = std::array::from_fn(|row| {
            let from = within(top + row as isize, self.size.rows) * self.size.columns;
            std::array::from_fn(|column| {
                self.pixels[from + within(left + column as isize, self.size.columns)]
            })
        });
        weighted(copies.each_ref(), weights_x, weights_y)
    }
}

/// The weighted sum, kept near the range of the sixteen innermost samples. Plain counted loops,
/// so that the four lanes become one vector.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn weighted(rows: [&[Pixel; TAPS]; TAPS], across: &[f32; TAPS], down: &[f32; TAPS]) -> Pixel {
    let mut sum = [0.0; 4];
    for r in 0..TAPS {
        let mut along = [0.0; 4];
        for t in 0..TAPS {
            for c in 0..4 {
                along[c] += across[t] * rows[r][t][c];
            }
        }
        for c in 0..4 {
            sum[c] += down[r] * along[c];
        }
    }
    // Row by row, then of the rows: each comparison waits for the one before.
    let (mut lows, mut highs) = ([[0.0; 4]; 4], [[0.0; 4]; 4]);
    for r in 0..4 {
        let row = rows[r + 1];
        (lows[r], highs[r]) = (row[1], row[1]);
        for &value in &row[2..5] {
            lows[r] = lower(lows[r], value);
            highs[r] = higher(highs[r], value);
        }
    }
    let low = lower(lower(lows[0], lows[1]), lower(lows[2], lows[3]));
    let high = higher(higher(highs[0], highs[1]), higher(highs[2], highs[3]));
    for c in 0..4 {
        sum[c] = sum[c].max(low[c] / RINGING).min(high[c] * RINGING);
    }
    sum
}

#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn lower(one: Pixel, other: Pixel) -> Pixel {
    std::array::from_fn(|c| if other[c] < one[c] { other[c] } else { one[c] })
}

#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn higher(one: Pixel, other: Pixel) -> Pixel {
    std::array::from_fn(|c| if other[c] > one[c] { other[c] } else { one[c] })
}

/// Places in the plate of a row of the window.
fn places_along(registration: &Registration, window: Window, y: usize, places: &mut Vec<Point>) {
    places.clear();
    let at = |x: usize| {
        registration.plate_point(Point {
            x: x as f64,
            y: y as f64,
        })
    };
    let mut from = at(window.left);
    for left in (window.left..window.right).step_by(KNOT_SPACING) {
        let to = at(left + KNOT_SPACING);
        let count = KNOT_SPACING.min(window.right - left);
        places.extend((0..count).map(|i| {
            let share = i as f64 / KNOT_SPACING as f64;
            Point {
                x: from.x + share * (to.x - from.x),
                y: from.y + share * (to.y - from.y),
            }
        }));
        from = to;
    }
}

impl Registration {
    /// Where in the plate the first `columns` pixels of row `y` of the lit frame are taken from.
    pub fn plate_row(&self, y: usize, columns: usize, places: &mut Vec<Point>) {
        places.clear();
        places.extend((0..columns).map(|x| Point {
            x: x as f64,
            y: y as f64,
        }));
        if let Some(field) = &self.field {
            field.taken_off_row(places);
        }
        self.inverse.apply_all(places);
    }

    /// Where in the lit frame the first `columns` pixels of row `y` of the plate are seen.
    pub fn lit_row(&self, y: usize, columns: usize, places: &mut Vec<Point>) {
        places.clear();
        places.extend((0..columns).map(|x| Point {
            x: x as f64,
            y: y as f64,
        }));
        self.homography.apply_all(places);
        if let Some(field) = &self.field {
            field.see(places);
        }
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "copies are exact")]
mod tests;
