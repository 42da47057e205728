//! Outlines of numbered shapes, as paths of SVG 2 (chapter 9).
//!
//! The outline runs along the edges between pixels, not through their centres, so that a boom of one
//! pixel keeps its width; then it is simplified (Douglas & Peucker, "Algorithms for the Reduction of
//! the Number of Points", 1973).

use std::collections::BTreeMap;
use std::fmt::Write as _;

use imageproc::geometry::approximate_polygon_dp;
use imageproc::point::Point;

use crate::scene::Plane;

/// Up to this tolerance every speck is drawn; beyond it, what is narrower than the tolerance is a line,
/// what is shorter than twice the tolerance is left out.
const FINE: f64 = 1.0;

/// Corner of pixels: column, row.
type Corner = (i32, i32);

/// Paths of the shapes of a plane by their numbers; 0 is no shape. `tolerance` is how far, in
/// pixels, a path may run from the pixels' edges.
pub(super) fn paths(numbers: &Plane<u32>, tolerance: f64) -> BTreeMap<u32, String> {
    edges(numbers)
        .into_iter()
        .map(|(number, edges)| (number, path(edges, tolerance)))
        .collect()
}

/// Edges of a shape by their first corner, the shape at the right hand.
type Edges = BTreeMap<Corner, Vec<Corner>>;

fn edges(numbers: &Plane<u32>) -> BTreeMap<u32, Edges> {
    let (columns, rows) = (numbers.columns() as i32, numbers.rows() as i32);
    let number = |x: i32, y: i32| {
        let inside = x >= 0 && y >= 0 && x < columns && y < rows;
        inside.then(|| *numbers.at(x as usize, y as usize))
    };
    let mut found: BTreeMap<u32, Edges> = BTreeMap::new();
    for y in 0..rows {
        for x in 0..columns {
            let own = *numbers.at(x as usize, y as usize);
            if own == 0 {
                continue;
            }
            let sides = [
                ((x, y - 1), (x, y), (x + 1, y)),
                ((x + 1, y), (x + 1, y), (x + 1, y + 1)),
                ((x, y + 1), (x + 1, y + 1), (x, y + 1)),
                ((x - 1, y), (x, y + 1), (x, y)),
            ];
            for ((nx, ny), from, to) in sides {
                if number(nx, ny) != Some(own) {
                    let edges = found.entry(own).or_default();
                    edges.entry(from).or_default().push(to);
                }
            }
        }
    }
    found
}

fn path(mut edges: Edges, tolerance: f64) -> String {
    let mut path = String::new();
    while let Some((&start, _)) = edges.first_key_value() {
        let mut corners = vec![start];
        let mut heading = (0, 0);
        let mut at = start;
        while let Some(next) = take_edge(&mut edges, at, heading) {
            let turned = (next.0 - at.0, next.1 - at.1);
            if turned == heading {
                corners.pop();
            }
            corners.push(next);
            (at, heading) = (next, turned);
            if at == start {
                break;
            }
        }
        write_loop(&mut path, &simplified(&corners, tolerance));
    }
    path
}

/// The edge that goes on from a corner. Where two do, pixels touch by their corners only: the turn to
/// the right stays with the pixel.
fn take_edge(edges: &mut Edges, at: Corner, heading: Corner) -> Option<Corner> {
    let ends = edges.get_mut(&at)?;
    let right = (at.0 - heading.1, at.1 + heading.0);
    let chosen = ends.iter().position(|&end| end == right).unwrap_or(0);
    let end = ends.swap_remove(chosen);
    if ends.is_empty() {
        edges.remove(&at);
    }
    Some(end)
}

/// A closed loop (last corner equal to the first) with fewer corners.
fn simplified(corners: &[Corner], tolerance: f64) -> Vec<Corner> {
    let squared = |c: &Corner| (c.0 - corners[0].0).pow(2) + (c.1 - corners[0].1).pow(2);
    let far = (0..corners.len())
        .max_by_key(|&i| squared(&corners[i]))
        .unwrap_or(0);
    let half = |part: &[Corner]| -> Vec<Corner> {
        let points: Vec<_> = part.iter().map(|&(x, y)| Point { x, y }).collect();
        let kept = approximate_polygon_dp(&points, tolerance, false);
        kept.into_iter().map(|p| (p.x, p.y)).collect()
    };
    let mut out = half(&corners[..=far]);
    out.pop();
    out.extend(half(&corners[far..]));
    out.pop();
    let length = f64::from(squared(&corners[far])).sqrt();
    if tolerance > FINE && length < 2.0 * tolerance {
        return Vec::new();
    }
    if tolerance <= FINE && out.len() < 3 {
        // Narrower than the tolerance all along: it stays as it is.
        return corners[..corners.len() - 1].to_vec();
    }
    out
}

/// Absolute start, relative lines: the shortest way to say it.
fn write_loop(path: &mut String, corners: &[Corner]) {
    let Some(&first) = corners.first() else {
        return;
    };
    // Writing into a `String` cannot fail.
    let _ = write!(path, "M{} {}", first.0, first.1);
    let mut at = first;
    for &(x, y) in &corners[1..] {
        let (dx, dy) = (x - at.0, y - at.1);
        let _ = match (dx, dy) {
            (dx, 0) => write!(path, "h{dx}"),
            (0, dy) => write!(path, "v{dy}"),
            (dx, dy) => write!(path, "l{dx} {dy}"),
        };
        at = (x, y);
    }
    path.push('z');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    fn plane(rows: &[&str]) -> Plane<u32> {
        let size = Size {
            columns: rows[0].len(),
            rows: rows.len(),
        };
        Plane::from_fn(size, |x, y| u32::from(rows[y].as_bytes()[x] - b'0'))
    }

    /// Corners of a path as written above, and the area it encloses (shoelace formula), holes taken off.
    fn area(path: &str) -> f64 {
        let mut twice = 0;
        for part in path.split('M').filter(|p| !p.is_empty()) {
            let (start, rest) = part.split_at(part.find(['h', 'v', 'l', 'z']).unwrap());
            let mut start = start.split(' ').map(|n| n.parse::<i64>().unwrap());
            let (mut x, mut y) = (start.next().unwrap(), start.next().unwrap());
            let first = (x, y);
            for step in rest.trim_end_matches('z').split_inclusive(|_: char| false) {
                for (dx, dy) in steps(step) {
                    twice += x * (y + dy) - (x + dx) * y;
                    (x, y) = (x + dx, y + dy);
                }
            }
            twice += x * first.1 - first.0 * y;
        }
        twice as f64 / 2.0
    }

    fn steps(text: &str) -> Vec<(i64, i64)> {
        let starts: Vec<usize> = text
            .match_indices(['h', 'v', 'l'])
            .map(|(at, _)| at)
            .chain([text.len()])
            .collect();
        let number = |n: &str| n.parse::<i64>().unwrap();
        starts
            .windows(2)
            .map(|pair| {
                let (kind, rest) = text[pair[0]..pair[1]].split_at(1);
                match kind {
                    "h" => (number(rest), 0),
                    "v" => (0, number(rest)),
                    _ => {
                        let (dx, dy) = rest.split_once(' ').unwrap();
                        (number(dx), number(dy))
                    }
                }
            })
            .collect()
    }

    #[test]
    fn a_square_is_four_corners() {
        let found = paths(&plane(&["0000", "0110", "0110", "0000"]), 0.5);
        assert_eq!(found[&1], "M1 1h2v2h-2z");
    }

    #[test]
    fn a_hole_runs_the_other_way() {
        let found = paths(&plane(&["11111", "10001", "10001", "11111"]), 0.5);
        assert!((area(&found[&1]) - 14.0).abs() < 1e-9, "{}", found[&1]);
    }

    #[test]
    fn neighbours_and_corners_are_kept_apart() {
        let found = paths(&plane(&["1022", "0122"]), 0.5);
        assert_eq!(found.len(), 2);
        assert!((area(&found[&1]) - 2.0).abs() < 1e-9);
        assert!((area(&found[&2]) - 4.0).abs() < 1e-9);
    }

    #[test]
    fn a_slanting_boom_keeps_its_area_with_few_corners() {
        let size = Size {
            columns: 300,
            rows: 120,
        };
        let boom = Plane::from_fn(size, |x, y| u32::from(3 * y > x && 3 * y < x + 8));
        let pixels = boom.as_slice().iter().filter(|&&n| n > 0).count() as f64;
        let found = paths(&boom, 1.0);
        let off = (area(&found[&1]) - pixels).abs() / pixels;
        // Stairs are cut at their lower or upper corners: at most half a pixel of three a side.
        assert!(off < 0.2, "{off}");
        assert!(found[&1].len() < 120, "{}", found[&1]);
    }

    proptest::proptest! {
        /// Before anything is simplified, an outline encloses exactly its pixels.
        #[test]
        fn an_outline_encloses_as_much_as_there_are_pixels(
            codes in proptest::collection::vec(0u32..3, 63),
        ) {
            let size = Size {
                columns: 9,
                rows: 7,
            };
            let plane = Plane::from_vec(size, codes);
            let found = paths(&plane, 1e-6);
            for number in 1..3 {
                let pixels = plane.as_slice().iter().filter(|&&n| n == number).count() as f64;
                let enclosed = found.get(&number).map_or(0.0, |path| area(path));
                proptest::prop_assert!((enclosed - pixels).abs() < 1e-9, "{:?}", found.get(&number));
            }
        }
    }
}
