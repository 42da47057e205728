//! Whose edge an edge is: gradients of ln luminance in both frames, a strip of rows at a time, so
//! that they never fill planes.

use std::ops::Range;

use crate::lighting::FLARE;
use crate::numeric::elementary::ln;
use crate::numeric::filter::{GaussianStrip, StripBuffers, gradient_row, max_row_3};
use crate::scene::SceneLinear;
use crate::vectors::vectorised;

/// Blur before edges are taken, px.
const EDGE_BLUR: f32 = 0.8;

/// Edges of some rows of a frame, rows end to end, per working pixel.
#[derive(Debug, Clone, Default)]
pub struct Edges {
    /// Gradient of ln luminance in the lit frame that the plate does not have nearby.
    pub new: Vec<f32>,
    /// Gradient of ln luminance of the plate, largest of the 3x3 neighbourhood.
    pub plate: Vec<f32>,
    /// Gradient of ln luminance in the plate that the lit frame does not have nearby.
    pub lost: Vec<f32>,
}

/// Edges of the lit frame and of the plate that is aligned with it, along the rows asked for.
pub fn edges(lit: &SceneLinear, plate: &SceneLinear, rows: Range<usize>) -> Edges {
    let columns = lit.size().columns;
    let lit = Gradients::of(lit, &rows);
    let plate = Gradients::of(plate, &rows);
    let beyond = |gradients: &Gradients, widest: &[f32]| {
        let own = &gradients.values[(rows.start - gradients.first) * columns..][..widest.len()];
        let pairs = own.iter().zip(widest);
        pairs.map(|(a, b)| (a - b).max(0.0)).collect()
    };
    let (widest_lit, widest_plate) = (lit.widest(&rows), plate.widest(&rows));
    Edges {
        new: beyond(&lit, &widest_plate),
        lost: beyond(&plate, &widest_lit),
        plate: widest_plate,
    }
}

/// Gradients along some rows and one row more above and below, where the picture has them.
struct Gradients {
    first: usize,
    columns: usize,
    values: Vec<f32>,
}

impl Gradients {
    fn of(picture: &SceneLinear, rows: &Range<usize>) -> Self {
        let size = picture.size();
        let with_margin =
            |margin: usize| rows.start.saturating_sub(margin)..(rows.end + margin).min(size.rows);
        let blurred_rows = with_margin(2);
        let mut blurred = vec![0.0f32; blurred_rows.len() * size.columns];
        let [red, green, blue] = &picture.channels;
        GaussianStrip::new(EDGE_BLUR, size).blur(
            blurred_rows.start,
            #[inline(always)]
            |y, out| {
                let light = red.row(y).iter().zip(green.row(y)).zip(blue.row(y));
                for (out, ((r, g), b)) in out.iter_mut().zip(light) {
                    let luminance = 0.2126 * r + 0.7152 * g + 0.0722 * b;
                    *out = ln(luminance.max(0.0) + FLARE);
                }
            },
            &mut StripBuffers::default(),
            &mut blurred,
        );
        let row = |y: usize| &blurred[(y - blurred_rows.start) * size.columns..][..size.columns];
        let rows = with_margin(1);
        let mut values = vec![0.0f32; rows.len() * size.columns];
        for (y, out) in rows.clone().zip(values.chunks_exact_mut(size.columns)) {
            let near = [y.saturating_sub(1), y, (y + 1).min(size.rows - 1)];
            gradient_row(near.map(row), out);
        }
        Self {
            first: rows.start,
            columns: size.columns,
            values,
        }
    }

    /// The largest of the 3x3 neighbourhood along `rows`.
    fn widest(&self, rows: &Range<usize>) -> Vec<f32> {
        let columns = self.columns;
        let mut across = vec![0.0f32; self.values.len()];
        let both = across.chunks_exact_mut(columns);
        for (out, row) in both.zip(self.values.chunks_exact(columns)) {
            max_row_3(row, out);
        }
        let last = self.values.len() / columns - 1;
        let mut out = vec![0.0f32; rows.len() * columns];
        for (y, out) in rows.clone().zip(out.chunks_exact_mut(columns)) {
            let y = y - self.first;
            let near = [y.saturating_sub(1), y, (y + 1).min(last)];
            let [above, here, below] = near.map(|y| &across[y * columns..][..columns]);
            vectorised(
                #[inline(always)]
                || {
                    for (out, ((a, b), c)) in out.iter_mut().zip(above.iter().zip(here).zip(below))
                    {
                        *out = a.max(*b).max(*c);
                    }
                },
            );
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{Plane, Size};

    const SIZE: Size = Size {
        columns: 37,
        rows: 50,
    };

    fn picture(phase: usize) -> SceneLinear {
        let plane = Plane::from_fn(SIZE, |x, y| {
            let mixed = ((x * 73 + y * 151 + phase) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            (mixed >> 40) as f32 / (1 << 24) as f32
        });
        SceneLinear {
            channels: [plane.clone(), plane.clone(), plane],
        }
    }

    #[test]
    fn strips_are_parts_of_the_whole() {
        let (lit, plate) = (picture(1), picture(9));
        let whole = edges(&lit, &plate, 0..SIZE.rows);
        for rows in [0..1, 0..7, 7..31, 31..50, 49..50] {
            let strip = edges(&lit, &plate, rows.clone());
            let part = rows.start * SIZE.columns..rows.end * SIZE.columns;
            assert_eq!(strip.new, whole.new[part.clone()]);
            assert_eq!(strip.lost, whole.lost[part.clone()]);
            assert_eq!(strip.plate, whole.plate[part]);
        }
    }

    #[test]
    fn an_edge_belongs_to_the_frame_that_shows_it() {
        let step = |at: usize| {
            let plane = Plane::from_fn(SIZE, |x, _| if x < at { 0.1 } else { 0.4 });
            SceneLinear {
                channels: [plane.clone(), plane.clone(), plane],
            }
        };
        let found = edges(&step(12), &step(25), 20..21);
        assert!(found.new[12] > 0.3 && found.new[25] < 1e-6);
        assert!(found.lost[25] > 0.3 && found.lost[12] < 1e-6);
        assert!(found.plate[26] > 0.3 && found.plate[12] < 1e-6);
    }
}
