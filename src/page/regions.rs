//! The pieces of a frame that can be pointed at: what hangs together and was taken for one thing.
//!
//! They are what a point means to `derig redo`: pixels of pieces of one class that touch each other,
//! corners included.

use std::collections::BTreeMap;

use image::{GrayImage, Luma};
use imageproc::region_labelling::{Connectivity, connected_components};

use super::outline;
use crate::report::{HandWork, heavier};
use crate::scene::{LABELS, Label, Plane, Size};

/// Regions that are kept of a frame, what is taken out of the picture before the rest.
const MAX_REGIONS: usize = 40;
/// Smallest region that can be pointed at, share of the frame: 8 x 8 pixels of 24 megapixels.
const MIN_SHARE: f64 = 2.7e-6;
/// Smallest region in any frame, px of the working copy.
const MIN_AREA: usize = 12;
/// Smallest change that was taken for nothing, or sways, share of the frame: what leaves do in a wind
/// would hide the rest.
const MIN_SHARE_OF_NOTHING: f64 = 1e-3;
/// Most of those: gear that was missed is among the largest.
const MAX_OF_NOTHING: usize = 12;
/// How far outlines may run from the pixels' edges, px of the page's picture.
const TOLERANCE_PX: f64 = 1.0;
/// All outlines of a frame, bytes; coarser ones are drawn until they fit.
const MAX_PATH_BYTES: usize = 16_000;

/// A region, for the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// What it was taken for.
    pub class: Label,
    /// Pixels at full size.
    pub area_px: usize,
    /// A pixel of it at full size, column and row: the middle of its longest run along a row.
    pub point: [usize; 2],
    /// Outline in pixels of the page's picture, as an SVG path.
    pub path: String,
}

/// What was decided, in pixels of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct Pieces<'a> {
    /// Piece number from 1 a pixel; 0 where nothing changed visibly.
    pub numbers: &'a Plane<u32>,
    /// What each piece was taken for; number `n` is at index `n - 1`.
    pub labels: &'a [Label],
    /// Full pixels a working pixel, both ways.
    pub factor: usize,
}

/// A component while it is measured, working pixels.
#[derive(Debug, Clone, Copy)]
struct Found {
    class: Label,
    area: usize,
    /// Length, first column and row of the longest run.
    longest: (usize, usize, usize),
}

impl Found {
    /// A pixel of it at full size.
    fn point(&self, factor: usize) -> [usize; 2] {
        let (length, left, row) = self.longest;
        [left + length / 2, row].map(|at| at * factor + factor / 2)
    }
}

/// The regions of a frame, the largest first, drawn at `picture` size with `scale` full pixels a pixel.
/// What `told` names (full-size pixels) can be pointed at however small it is.
pub(super) fn regions(
    pieces: &Pieces<'_>,
    (picture, scale): (Size, usize),
    told: &[HandWork],
) -> Vec<Region> {
    let numbers = components(pieces);
    let found = measured(&numbers, pieces);
    let is_told = |found: &Found| {
        let [x, y] = found.point(pieces.factor);
        told.iter()
            .map(|work| work.place)
            .any(|b| (b.x..b.x + b.width).contains(&x) && (b.y..b.y + b.height).contains(&y))
    };
    let chosen = chosen(&found, numbers.size().area(), is_told);
    let class_of = |number: u32| chosen.get(&number).map(|f| f.class);
    let drawn = drawn(&numbers, picture, (scale, pieces.factor), class_of);
    let paths = outlined(&drawn);
    let mut regions: Vec<Region> = chosen
        .iter()
        .map(|(number, found)| Region {
            class: found.class,
            area_px: found.area * pieces.factor * pieces.factor,
            point: found.point(pieces.factor),
            path: paths.get(number).cloned().unwrap_or_default(),
        })
        .collect();
    regions.sort_by_key(|r| std::cmp::Reverse(r.area_px));
    regions
}

fn components(pieces: &Pieces<'_>) -> Plane<u32> {
    let size = pieces.numbers.size();
    let classes = pieces.numbers.map(|&n| match n {
        0 => 0,
        n => 1 + label(pieces, n).index(),
    });
    let picture = GrayImage::from_raw(size.columns as u32, size.rows as u32, classes.into_vec())
        .expect("a plane holds rows x columns values");
    let labelled = connected_components(&picture, Connectivity::Eight, Luma([0]));
    Plane::from_vec(size, labelled.into_raw())
}

fn label(pieces: &Pieces<'_>, number: u32) -> Label {
    let index = (number as usize).wrapping_sub(1);
    pieces.labels.get(index).copied().unwrap_or_default()
}

fn measured(numbers: &Plane<u32>, pieces: &Pieces<'_>) -> BTreeMap<u32, Found> {
    let mut found: BTreeMap<u32, Found> = BTreeMap::new();
    for y in 0..numbers.rows() {
        let mut left = 0;
        for run in numbers.row(y).chunk_by(|a, b| a == b) {
            if run[0] > 0 {
                let class = label(pieces, *pieces.numbers.at(left, y));
                let entry = found.entry(run[0]).or_insert(Found {
                    class,
                    area: 0,
                    longest: (0, left, y),
                });
                entry.area += run.len();
                if run.len() > entry.longest.0 {
                    entry.longest = (run.len(), left, y);
                }
            }
            left += run.len();
        }
    }
    found
}

fn chosen(
    found: &BTreeMap<u32, Found>,
    area: usize,
    is_told: impl Fn(&Found) -> bool,
) -> BTreeMap<u32, Found> {
    let is_nothing = |class: Label| matches!(class, Label::Other | Label::Sway | Label::Sky);
    let least = |class: Label| match class {
        class if is_nothing(class) => MIN_SHARE_OF_NOTHING,
        _ => MIN_SHARE,
    };
    let large = |f: &Found| f.area >= MIN_AREA && f.area as f64 >= least(f.class) * area as f64;
    let mut chosen: Vec<_> = found
        .iter()
        .map(|(number, f)| (*number, *f, is_told(f)))
        .filter(|(_, f, told)| *told || large(f))
        .collect();
    chosen.sort_by_key(|(number, f, told)| {
        let first = f.class.is_removed() || *told;
        (!first, std::cmp::Reverse(f.area), *number)
    });
    let mut nothing = 0..MAX_OF_NOTHING;
    chosen.retain(|(_, f, told)| *told || !is_nothing(f.class) || nothing.next().is_some());
    chosen.truncate(MAX_REGIONS);
    chosen
        .into_iter()
        .map(|(number, f, _)| (number, f))
        .collect()
}

/// The regions' numbers at the size of the page's picture; thin gear wins.
fn drawn(
    numbers: &Plane<u32>,
    picture: Size,
    (scale, factor): (usize, usize),
    class_of: impl Fn(u32) -> Option<Label> + Sync,
) -> Plane<u32> {
    let span = |at: usize, limit: usize| {
        let from = (at * scale / factor).min(limit - 1);
        from..((at + 1) * scale).div_ceil(factor).clamp(from + 1, limit)
    };
    Plane::from_fn(picture, |x, y| {
        let across = span(x, numbers.columns());
        let mut best: Option<(Label, u32)> = None;
        for row in span(y, numbers.rows()) {
            for &number in &numbers.row(row)[across.clone()] {
                let Some(class) = class_of(number) else {
                    continue;
                };
                if best.is_none_or(|(was, _)| was != class && heavier(was, class) == class) {
                    best = Some((class, number));
                }
            }
        }
        best.map_or(0, |(_, number)| number)
    })
}

fn outlined(drawn: &Plane<u32>) -> BTreeMap<u32, String> {
    let mut tolerance = TOLERANCE_PX;
    loop {
        let paths = outline::paths(drawn, tolerance);
        let bytes: usize = paths.values().map(String::len).sum();
        if bytes <= MAX_PATH_BYTES || tolerance > drawn.size().long_side() as f64 {
            return paths;
        }
        tolerance *= 2.0;
    }
}

/// The outline of what shows the plate, coarser as long as it is too long.
pub(super) fn mask_outline(mask: &Plane<u16>, picture: Size, scale: usize) -> String {
    let taken = Plane::from_fn(picture, |x, y| {
        let across = x * scale..((x + 1) * scale).min(mask.columns());
        let mut down = y * scale..((y + 1) * scale).min(mask.rows());
        u32::from(down.any(|row| mask.row(row)[across.clone()].iter().any(|&share| share > 0)))
    });
    outlined(&taken).remove(&1).unwrap_or_default()
}

/// In words: `gear shadow`.
pub(super) fn class_words(class: Label) -> String {
    match class {
        Label::Other => "change taken for nothing".to_owned(),
        known => known.words(),
    }
}

/// Classes in the order of the legend.
pub(super) fn legend() -> impl Iterator<Item = Label> {
    LABELS.into_iter().filter(|l| *l != Label::Sky)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size {
        columns: 200,
        rows: 100,
    };

    /// Two touching pieces of gear, a person, and a speck that is too small.
    fn numbers() -> Plane<u32> {
        Plane::from_fn(SIZE, |x, y| match (x, y) {
            (10..20, 10..60) => 1,
            (20..40, 50..60) => 2,
            (100..150, 20..90) => 3,
            (180, 5) => 4,
            _ => 0,
        })
    }

    const CLASSES: [Label; 4] = [Label::Gear, Label::Gear, Label::Person, Label::Other];

    fn found() -> Vec<Region> {
        found_with(&[])
    }

    fn found_with(told: &[HandWork]) -> Vec<Region> {
        let numbers = numbers();
        let pieces = Pieces {
            numbers: &numbers,
            labels: &CLASSES,
            factor: 2,
        };
        let picture = Size {
            columns: 100,
            rows: 50,
        };
        regions(&pieces, (picture, 4), told)
    }

    #[test]
    fn touching_pieces_of_a_class_are_one_region() {
        let found = found();
        let classes: Vec<_> = found.iter().map(|r| r.class).collect();
        assert_eq!(classes, [Label::Person, Label::Gear]);
        assert_eq!(found[1].area_px, 4 * (500 + 200));
        assert_eq!(found[0].path, "M50 10h25v35h-25z");
    }

    #[test]
    fn what_is_told_can_be_pointed_at_however_small() {
        let place = crate::report::Box2 {
            x: 350,
            y: 0,
            width: 20,
            height: 20,
        };
        let told = HandWork {
            place,
            reason: "left in the picture, but may be gear or its shadow".to_owned(),
            confidence: 0.6,
        };
        assert_eq!(found().len(), 2);
        let found = found_with(&[told]);
        assert_eq!(found.len(), 3);
        assert_eq!(found[2].point, [361, 11]);
    }

    #[test]
    fn its_point_lies_in_the_region_itself() {
        let numbers = numbers();
        for region in found() {
            let [x, y] = region.point.map(|v| v / 2);
            let number = *numbers.at(x, y) as usize;
            assert_eq!(CLASSES[number - 1], region.class, "{region:?}");
        }
    }

    #[test]
    fn outlines_stay_short_however_ragged() {
        let size = Size {
            columns: 600,
            rows: 400,
        };
        let noise =
            |x: usize, y: usize| (((x * 2_654_435_761) ^ (y * 40_503)) >> 7).is_multiple_of(4);
        let leaves = Plane::from_fn(size, |x, y| u32::from(noise(x, y)));
        let bytes: usize = outlined(&leaves).values().map(String::len).sum();
        assert!(bytes <= MAX_PATH_BYTES, "{bytes}");
    }
}
