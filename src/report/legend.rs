//! The strip below an overlay that says what colours and hatching mean.

use rayon::slice::ParallelSliceMut;

use super::lettering;
use super::overlay::{BLACK, DASH, Hatching, Rgb, TINT, WHITE, class_style, mixed};
use crate::scene::{ChannelLayout, CodeValues, LABELS, Label, Plane, Samples, Size};

/// Pixels of a letter's dot, line widths.
const DOT: usize = 2;
/// Height of a row of the legend, letter dots.
const LEGEND_ROW: usize = 13;
/// Width of a swatch, letter dots.
const SWATCH: usize = 14;
/// From a swatch to its name, letter dots.
const LETTER_GAP: usize = 4;
/// Name of the dashed line.
const FROM_PLATE: &str = "from plate";

pub(super) struct Canvas(pub(super) Samples);

impl Canvas {
    pub(super) fn new(size: Size) -> Self {
        Self(Samples {
            size,
            layout: ChannelLayout::Rgb,
            values: CodeValues::Eight(vec![255; 3 * size.area()]),
        })
    }

    /// All rows, from the top.
    pub(super) fn rows(&mut self) -> rayon::slice::ChunksExactMut<'_, u8> {
        let columns = self.0.size.columns;
        match &mut self.0.values {
            CodeValues::Eight(codes) => codes.par_chunks_exact_mut(3 * columns),
            CodeValues::Sixteen(_) => unreachable!("a canvas has 8 bits"),
        }
    }

    fn set(&mut self, x: usize, y: usize, colour: Rgb) {
        let Size { columns, rows } = self.0.size;
        if let (true, CodeValues::Eight(codes)) = (x < columns && y < rows, &mut self.0.values) {
            let at = 3 * (y * columns + x);
            codes[at..at + 3].copy_from_slice(&colour);
        }
    }

    fn fill(
        &mut self,
        [left, top]: [usize; 2],
        [width, height]: [usize; 2],
        colour: impl Fn(usize, usize) -> Rgb,
    ) {
        for y in 0..height {
            for x in 0..width {
                self.set(left + x, top + y, colour(x, y));
            }
        }
    }
}

/// Swatches with names, in rows as wide as the picture.
pub(super) struct Legend {
    /// Class (`None`: the dashed line) and upper left corner of its swatch, letter dots.
    entries: Vec<(Option<Label>, [usize; 2])>,
    rows: usize,
    /// Pixels a letter dot.
    dot: usize,
    line: usize,
}

impl Legend {
    pub(super) fn of(labels: &Plane<Label>, columns: usize, line: usize) -> Self {
        let dot = DOT * line;
        let found: std::collections::BTreeSet<_> = labels.as_slice().iter().copied().collect();
        let classes = LABELS
            .into_iter()
            .filter(|l| found.contains(l) && class_style(*l).is_some());
        let mut legend = Self {
            entries: Vec::new(),
            rows: 1,
            dot,
            line,
        };
        let mut left = 2;
        for class in classes.map(Some).chain([None]) {
            let width = SWATCH + LETTER_GAP + name(class).len() * lettering::ADVANCE;
            if left > 2 && (left + width) * dot > columns {
                legend.rows += 1;
                left = 2;
            }
            legend
                .entries
                .push((class, [left, (legend.rows - 1) * LEGEND_ROW + 3]));
            left += width + lettering::ADVANCE;
        }
        legend
    }

    pub(super) fn height(&self) -> usize {
        self.rows * LEGEND_ROW * self.dot
    }

    pub(super) fn draw(&self, canvas: &mut Canvas, top: usize) {
        let (dot, line) = (self.dot, self.line);
        for (class, [left, row]) in &self.entries {
            let corner = [left * dot, top + row * dot];
            let sides = [SWATCH * dot, lettering::ROWS * dot];
            canvas.fill(corner, sides, |x, y| swatch(*class, [x, y], sides, line));
            for (column, down) in lettering::dots(&name(*class)) {
                let at = [
                    corner[0] + (SWATCH + LETTER_GAP + column) * dot,
                    corner[1] + down * dot,
                ];
                canvas.fill(at, [dot, dot], |_, _| BLACK);
            }
        }
    }
}

fn swatch(class: Option<Label>, [x, y]: [usize; 2], sides: [usize; 2], line: usize) -> Rgb {
    let Some((colour, hatching)) = class.and_then(class_style) else {
        // A dashed line half-way down.
        let on_line = y.abs_diff(sides[1] / 2) <= line;
        let dark = (x + y) / (DASH * line) % 2 == 1;
        return match (on_line, dark) {
            (true, false) => WHITE,
            (true, true) => BLACK,
            (false, _) => [150; 3],
        };
    };
    let edge = 2 * line;
    let inside = x >= edge && y >= edge && x + edge < sides[0] && y + edge < sides[1];
    if !inside || hatching.covers(x, y, line) {
        colour
    } else if hatching == Hatching::None {
        WHITE
    } else {
        mixed(WHITE, colour, TINT)
    }
}

fn name(class: Option<Label>) -> String {
    class.map_or(FROM_PLATE.to_owned(), Label::words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_narrow_picture_gets_more_rows_of_legend() {
        let all = |columns: usize| {
            let size = Size { columns, rows: 8 };
            let labels = Plane::from_fn(size, |x, _| LABELS[x % 8]);
            Legend::of(&labels, columns, 1)
        };
        let (wide, narrow) = (all(2000), all(200));
        assert_eq!(wide.rows, 1);
        assert!(narrow.rows >= 7);
        assert_eq!(wide.entries.len(), 8);
    }
}
