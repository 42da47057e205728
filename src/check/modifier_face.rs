//! The shining face of a modifier, wherever it stands in the lit frame.
//!
//! Gear that stands before the person is one blob with them, and is taken for them. But the face that
//! lights a person is several stops brighter than what it lights: it is clipped from edge to edge, and
//! ends there. Cloth that is clipped shades off towards its folds, ground towards where the light ends.

use super::Pair;
use super::clouds::fully_clipped;
use crate::region::connected_blobs;
use crate::scene::Plane;

/// Smallest face, share of the picture: a box of 60 x 60 cm, seen so far from the side that a quarter of
/// it shows, beside a person of 1.75 m who takes half of the height of a 3:2 picture, is 0.5 %; half of
/// it may be hidden.
const LEAST_FACE: f64 = 0.0025;
/// How far from the clipped place the light beyond its edge is read, px of the small copy: beyond the
/// lens's blur.
const BEYOND_EDGE: usize = 4;
/// Light at which the edge is past, share of white: a stop and a half below it.
const PAST_EDGE: f32 = 0.35;
/// Share of the rim that must be such an edge: a white wall behind the face, or a bright box side, may
/// hide some of it.
const LEAST_EDGE: f64 = 0.6;

/// Where the lit frame shows a modifier's face and the plate nothing as bright.
pub(super) fn modifier_faces(pair: &Pair<'_>) -> Plane<bool> {
    let over = &pair.over;
    let plate = &over.plate.channels;
    let shines = fully_clipped(&pair.lit.small.samples).zip(&over.sky, |&c, &open| c && !open);
    let shines = shines.zip(&plate[1], |&shines, &before| shines && before < PAST_EDGE);
    let blobs = connected_blobs(&shines);
    let mut areas = vec![0usize; blobs.count + 1];
    for &number in blobs.numbers.as_slice() {
        areas[number as usize] += 1;
    }
    let least = LEAST_FACE * shines.size().area() as f64;
    let edges = edges(&blobs.numbers, &over.lit.channels[1], blobs.count);
    blobs.numbers.map(|&number| {
        let is_large = number > 0 && areas[number as usize] as f64 >= least;
        is_large && edges[number as usize].is_sharp()
    })
}

/// What the light does beyond the rim of a clipped place.
#[derive(Debug, Clone, Copy, Default)]
struct Edge {
    /// Steps from the rim outwards, along rows and columns.
    steps: usize,
    /// Those at whose end the light is past the edge.
    past: usize,
}

impl Edge {
    fn is_sharp(self) -> bool {
        self.past as f64 >= LEAST_EDGE * self.steps as f64
    }
}

/// Of each blob, by its number; nothing is known beyond the picture's border.
fn edges(numbers: &Plane<u32>, light: &Plane<f32>, count: usize) -> Vec<Edge> {
    let size = numbers.size();
    let (columns, rows) = (size.columns as isize, size.rows as isize);
    let mut edges = vec![Edge::default(); count + 1];
    let at = |x: isize, y: isize| {
        let inside = (0..columns).contains(&x) && (0..rows).contains(&y);
        inside.then_some((x as usize, y as usize))
    };
    for (i, &number) in numbers.as_slice().iter().enumerate() {
        if number == 0 {
            continue;
        }
        let (x, y) = ((i % size.columns) as isize, (i / size.columns) as isize);
        for (dx, dy) in [(1, 0), (-1, 0), (0, 1), (0, -1)] {
            let far = BEYOND_EDGE as isize;
            let beside = at(x + dx, y + dy).map(|(x, y)| *numbers.at(x, y));
            let beyond = at(x + far * dx, y + far * dy).map(|(x, y)| *light.at(x, y));
            if let (Some(0), Some(beyond)) = (beside, beyond) {
                let edge = &mut edges[number as usize];
                edge.steps += 1;
                edge.past += usize::from(beyond < PAST_EDGE);
            }
        }
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    const SIZE: Size = Size {
        columns: 40,
        rows: 30,
    };

    fn edge_of(light: &Plane<f32>) -> Edge {
        let blobs = connected_blobs(&light.map(|&v| v >= 1.0));
        assert_eq!(blobs.count, 1);
        edges(&blobs.numbers, light, blobs.count)[1]
    }

    #[test]
    fn a_face_ends_at_its_edge_and_clipped_cloth_shades_off() {
        let inside = |x: usize, y: usize| (10..30).contains(&x) && (8..22).contains(&y);
        let face = Plane::from_fn(SIZE, |x, y| if inside(x, y) { 1.0 } else { 0.2 });
        let edge = edge_of(&face);
        assert_eq!((edge.steps, edge.past), (2 * (20 + 14), 2 * (20 + 14)));
        assert!(edge.is_sharp());
        // Light that falls off by a third of a stop over the four pixels beyond.
        let cloth = Plane::from_fn(SIZE, |x, _| {
            1.0 - 0.05 * (x.abs_diff(20) as f32 - 6.0).max(0.0)
        });
        assert!(!edge_of(&cloth).is_sharp());
    }

    #[test]
    fn a_face_that_the_border_cuts_is_judged_by_what_is_seen_of_its_rim() {
        let face = Plane::from_fn(SIZE, |x, _| if x < 8 { 1.0 } else { 0.1 });
        let edge = edge_of(&face);
        assert_eq!((edge.steps, edge.past), (30, 30));
    }
}
