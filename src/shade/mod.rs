//! Stage 6c: soft shadow to its end.
//!
//! Where a shadow of gear is soft and wide its rim changes too little, pixel by pixel, to be cut
//! into pieces, yet the eye sees it whole. Averaged over cells of a few pixels it stands out from
//! the light around: from each piece of gear shadow what goes on to be darker is followed to where the light returns. What is nearer to the person along such a path is the person's own shadow
//! and stays.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use rayon::prelude::*;

use crate::classify::{Classified, label_plane};
use crate::lighting::PoolCells;
use crate::mask::REFERENCE_SIDE;
use crate::numeric::filter::{block_mean_of, box_mean, enlarge, gaussian};
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Perceived, Plane, Size};

/// Side of the cells in which the light is averaged, px of the working copy: a tenth of the noise
/// of a pixel is left with the blur below, and no soft shadow is narrower.
const CELL: usize = 4;

/// Blur of the cells' light, in cells.
const BLUR_CELLS: f32 = 1.5;

/// Share of a cell, blurred, that must show the ground to say anything of its light.
const LEAST_GROUND: f32 = 0.05;

/// Darker than the light around by this, ln units (3 %): what the pool is known to on plain ground.
const DEPTH: f32 = -0.03;

/// And by this in lightness (CIELAB): a step that is seen where it ends.
const SEEN_DARKER: f32 = 0.7;

/// Where lightness (CIELAB) changes less evenly than this, standard deviation, something moved, or a
/// hard rim runs: it is not replaced for a soft shadow's sake. Noise stays below, and the grain of a surface
/// in a little less light; gravel in half its light does not, but such shadows are seen pixel by pixel.
const UNREST: f32 = 1.6;

/// A shadow is followed this far from its pieces, px at [`REFERENCE_SIDE`]: the penumbra of a metre
/// of gear that stands a few metres off.
const SHADOW_REACH: f32 = 110.0;

/// Share of a cell from which it counts as gear, as shadow or as the person.
const CELL_SHARE: f32 = 0.25;

/// Share of a cell that is most of it.
const MOSTLY: f32 = 0.5;

/// The pool is read this far from anything that stands in the light, in its own cells: nearer, soft
/// shadow that is still to be found would pass for its fall-off; farther, its fall-off for shadow.
const POOL_MARGIN: usize = 3;

/// What was found is this deep on average, ln units (9 %): thrice what the pool is known to, for it
/// was carried on from the rim of what stands there.
const FOUND_DEPTH: f32 = -0.09;

/// Beside a shadow is what is this near, px of the working copy: the rim that its light is read in,
/// and as far the person's shadow is known by its pieces ..
const BESIDE_SHADOW: usize = 40;

/// .. and beside gear this.
const BESIDE_GEAR: usize = 20;

/// Means over so many px each way are free of noise.
const STEADY: usize = 3;

/// Darker than the pool by this, ln units (8 %), is a shadow.
const SHADE_DEPTH: f32 = -0.08;

/// Means of nothing, as sums in single precision leave them.
const NO_SHARE: f32 = 5e-5;

/// Soft shade beside so many times more of the gear's shadow than of the person's, and not beside the person,
/// is the gear's as a whole: single pieces of a wide shadow pass for somebody's.
const FAR_MORE: usize = 5;

/// How often what was found is taken out of the pool and gone on from.
const ROUNDS: usize = 2;

/// What a soft rim is given as probability of gear's shadow: it hangs on what was decided, and no
/// more is known of it.
const PROBABILITY: f32 = 0.75;

/// What soft shadows are read from; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct ShadeInputs<'a> {
    /// The lit frame as seen.
    pub lit_seen: &'a Perceived,
    /// Mean ln ratio lit / plate over the channels.
    pub ratio: &'a Plane<f32>,
    /// The pool in cells.
    pub pool: &'a PoolCells,
    /// The relit plate as seen.
    pub plate_seen: &'a Perceived,
    /// Open sky of the plate.
    pub sky: &'a Plane<bool>,
    /// Where the plate shows the lit frame's place.
    pub usable: &'a Plane<bool>,
}

/// Follows the shadows of gear to where the light returns; what is found becomes pieces of shadow.
/// Holds a plane, and some ten of a sixteenth of the frame.
pub fn complete_shadows(
    regions: &mut Regions,
    classified: &mut Classified,
    seen: &ShadeInputs<'_>,
) {
    if !classified.labels.contains(&Label::GearShadow) {
        return;
    }
    let light = Light::of(seen);
    // What is followed says nothing of whose a shadow is: it was followed from what was taken for one.
    let told = regions.pieces.len() as u32;
    for _ in 0..ROUNDS {
        let cells = Cells::of(regions, classified, (seen, &light));
        for (piece, mut pixels) in follow(&cells, told) {
            pixels.retain(|&i| {
                let shows = !seen.sky.as_slice()[i] && seen.usable.as_slice()[i];
                shows && regions.numbers.as_slice()[i] == 0
            });
            classified.add_beside(regions, &pixels, piece, (Label::GearShadow, PROBABILITY));
        }
    }
}

/// Pixels that belong to a shadow of gear, by the piece that they were followed from. Pieces up to number
/// `told` tell whose a shadow is.
fn follow(cells: &Cells, told: u32) -> BTreeMap<u32, Vec<usize>> {
    let scale = cells.pixels.long_side() as f32 / REFERENCE_SIDE / CELL as f32;
    let reach = SHADOW_REACH * scale;
    let of_gear = paths(&cells.open, reach, |i| cells.label[i] == Label::GearShadow);
    let of_person = paths(&cells.open, reach, |i| cells.label[i].is_person());
    let is_gears = shade_of_gear(cells, told);
    let taken = Plane::from_fn(cells.open.size(), |x, y| {
        let i = y * cells.open.columns() + x;
        let reaches = of_gear[i].length < f32::INFINITY;
        let is_nearer = of_gear[i].length < of_person[i].length;
        cells.open.as_slice()[i] && (is_nearer || reaches && is_gears[i])
    });
    let blobs = connected_blobs(&taken);
    let mut sums = vec![(0.0f32, 0usize); blobs.count + 1];
    for (&n, depth) in blobs.numbers.as_slice().iter().zip(cells.depth.as_slice()) {
        let (sum, count) = &mut sums[n as usize];
        *sum += depth;
        *count += 1;
    }
    let mut found = BTreeMap::<u32, Vec<usize>>::new();
    for (i, &n) in blobs.numbers.as_slice().iter().enumerate() {
        let (sum, count) = sums[n as usize];
        if n > 0 && sum < FOUND_DEPTH * count as f32 {
            let piece = cells.piece[of_gear[i].from];
            found.entry(piece).or_default().extend(cells.pixels(i));
        }
    }
    found
}

/// Of each cell: does it belong to soft shade that is the gear's as a whole?
fn shade_of_gear(cells: &Cells, told: u32) -> Vec<bool> {
    let blobs = connected_blobs(&cells.open);
    let (size, numbers) = (cells.open.size(), blobs.numbers.as_slice());
    let mut cells_of_piece = BTreeMap::<u32, usize>::new();
    for &piece in &cells.piece {
        *cells_of_piece.entry(piece).or_default() += 1;
    }
    // Pieces of shadow, and of people, that lie in soft shade or beside it.
    let mut beside = vec![BTreeMap::<u32, Label>::new(); blobs.count + 1];
    for (i, &label) in cells.label.iter().enumerate() {
        if cells.piece[i] <= told && (label == Label::GearShadow || label.is_person()) {
            let around = neighbours(i, size).map(|(j, _)| numbers[j]);
            for blob in around.chain([numbers[i]]) {
                beside[blob as usize].insert(cells.piece[i], label);
            }
        }
    }
    let is_gears = |beside: &BTreeMap<u32, Label>| {
        let of = |wanted: Label| -> usize {
            let pieces = beside.iter().filter(|(_, label)| **label == wanted);
            pieces.map(|(piece, _)| cells_of_piece[piece]).sum()
        };
        let shadows = [Label::GearShadow, Label::PersonShadow].map(of);
        of(Label::Person) == 0 && shadows[0] > FAR_MORE * shadows[1]
    };
    let is_gears: Vec<bool> = beside.iter().map(is_gears).collect();
    let numbers = numbers.iter();
    numbers.map(|&n| n > 0 && is_gears[n as usize]).collect()
}

/// Where the person's shadow lies beside one of gear: what is darker there than the pool says nothing
/// of the light that is to return. Its pieces need not be whole; `excess` is the mean ln ratio above
/// the pool. Near gear itself nothing is told apart: what stood in the person's shadow is to be in it.
pub fn persons_shade(labels: &Plane<Label>, excess: &Plane<f32>) -> Plane<bool> {
    let shadows = [Label::GearShadow, Label::PersonShadow];
    if shadows.iter().any(|l| !labels.as_slice().contains(l)) {
        return Plane::filled(labels.size(), false);
    }
    let near =
        |label: Label, reach: usize| box_mean(&labels.map(|l| f32::from(*l == label)), reach);
    let of_gear = near(Label::GearShadow, BESIDE_SHADOW);
    let of_person = near(Label::PersonShadow, BESIDE_SHADOW);
    let of_both = of_gear.zip(&of_person, |gear, person| gear.min(*person));
    let gear = near(Label::Gear, BESIDE_GEAR);
    let deep = box_mean(excess, STEADY).map(|&e| e < SHADE_DEPTH);
    let beside = of_both.zip(&gear, |&shadow, &gear| {
        shadow > NO_SHARE && gear <= NO_SHARE
    });
    deep.zip(&beside, |&deep, &beside| deep && beside)
}

/// What does not change from round to round, in cells.
struct Light {
    lightness: Plane<f32>,
    /// Spread of the change of lightness: what is only darker keeps its texture.
    unrest: Plane<f32>,
}

impl Light {
    fn of(seen: &ShadeInputs<'_>) -> Self {
        let (lit, plate) = (&seen.lit_seen.lightness, &seen.plate_seen.lightness);
        let mean = |of: fn(f32) -> f32| {
            let cells = block_mean_of(lit.size(), CELL, |y, out| {
                for (out, (lit, plate)) in out.iter_mut().zip(lit.row(y).iter().zip(plate.row(y))) {
                    *out = of(lit - plate);
                }
            });
            gaussian(&cells, BLUR_CELLS)
        };
        let (change, squares) = (mean(|change| change), mean(|change| change * change));
        Self {
            lightness: block_mean_of(lit.size(), CELL, |y, out| {
                out.copy_from_slice(lit.row(y));
            }),
            unrest: squares.zip(&change, |s, c| (s - c * c).max(0.0).sqrt()),
        }
    }
}

/// The working copy in cells.
struct Cells {
    pixels: Size,
    /// Ground that is visibly darker than the light around.
    open: Plane<bool>,
    /// Ln ratio above the light around.
    depth: Plane<f32>,
    /// What most of the cell was taken for, where that is enough of it.
    label: Vec<Label>,
    /// Number of a piece of that label in it, from 1.
    piece: Vec<u32>,
}

impl Cells {
    fn of(
        regions: &Regions,
        classified: &Classified,
        (seen, light): (&ShadeInputs<'_>, &Light),
    ) -> Self {
        let labels = label_plane(regions, &classified.labels);
        let (share, darker) = ground(&labels, &regions.numbers, seen);
        let [wide, darker] = [&share, &darker].map(|plane| gaussian(plane, BLUR_CELLS));
        let depth = darker.zip(&wide, |d, w| d / w.max(LEAST_GROUND));
        let open = Plane::from_fn(share.size(), |x, y| {
            let wide = *wide.at(x, y);
            let depth = *depth.at(x, y);
            // CIELAB: lightness goes with the cube root of light.
            let seen = -depth * (light.lightness.at(x, y) + 16.0) / 3.0;
            let is_ground = wide > LEAST_GROUND && *share.at(x, y) > MOSTLY;
            let agrees = *light.unrest.at(x, y) < UNREST;
            is_ground && agrees && depth < DEPTH && seen > SEEN_DARKER
        });
        let mut cells = Self {
            pixels: labels.size(),
            label: vec![Label::Other; open.size().area()],
            piece: vec![0; open.size().area()],
            depth,
            open,
        };
        let content = |i| cells.content(i, &labels, &regions.numbers);
        let contents = (0..cells.label.len()).into_par_iter().map(content);
        let (label, piece): (Vec<_>, Vec<_>) = contents.unzip();
        (cells.label, cells.piece) = (label, piece);
        cells
    }

    /// What a cell shows enough of, and a piece of it.
    fn content(&self, cell: usize, labels: &Plane<Label>, numbers: &Plane<u32>) -> (Label, u32) {
        let mut counts = BTreeMap::<Label, (usize, u32)>::new();
        for i in self.pixels(cell) {
            let number = numbers.as_slice()[i];
            if number > 0 {
                let (count, piece) = counts.entry(labels.as_slice()[i]).or_default();
                *count += 1;
                *piece = number;
            }
        }
        let most = counts.into_iter().max_by_key(|(_, (count, _))| *count);
        match most {
            Some((label, (count, piece))) if count as f32 > CELL_SHARE * (CELL * CELL) as f32 => {
                (label, piece)
            }
            _ => (Label::Other, 0),
        }
    }

    /// Indices of a cell's pixels.
    fn pixels(&self, cell: usize) -> impl Iterator<Item = usize> + use<> {
        let columns = self.pixels.columns;
        let across = self.open.columns();
        let (left, top) = (cell % across * CELL, cell / across * CELL);
        let (right, bottom) = (
            (left + CELL).min(columns),
            (top + CELL).min(self.pixels.rows),
        );
        (top..bottom).flat_map(move |y| (left..right).map(move |x| y * columns + x))
    }
}

/// Share of a cell that shows the ground, shaded by gear or not at all, and its ln ratio above the
/// pool times that share. The pool is carried on through all that is known to stand in the light.
fn ground(
    labels: &Plane<Label>,
    numbers: &Plane<u32>,
    seen: &ShadeInputs<'_>,
) -> (Plane<f32>, Plane<f32>) {
    const FINER: usize = PoolCells::SIDE / CELL;
    let size = labels.size();
    let shown = |y: usize, out: &mut [f32]| {
        let pieces = labels.row(y).iter().zip(numbers.row(y));
        let shows = seen.sky.row(y).iter().zip(seen.usable.row(y));
        for (out, ((label, number), (sky, usable))) in out.iter_mut().zip(pieces.zip(shows)) {
            let counts = *number == 0 || *label == Label::GearShadow;
            *out = f32::from(counts && !sky && *usable);
        }
    };
    let share = block_mean_of(size, CELL, shown);
    let ratio = block_mean_of(size, CELL, |y, out| {
        shown(y, out);
        for (out, ratio) in out.iter_mut().zip(seen.ratio.row(y)) {
            *out *= ratio;
        }
    });
    let shaded = labels.map(|l| l.is_removed() || l.is_person());
    let pool = enlarge(
        &seen.pool.mean_without(&shaded, POOL_MARGIN),
        FINER,
        share.size(),
    );
    let darker = ratio.zip(&share.zip(&pool, |s, p| s * p), |r, p| r - p);
    (share, darker)
}

/// A shortest path.
#[derive(Debug, Clone, Copy)]
struct Path {
    /// In cells; infinite where none leads.
    length: f32,
    /// The cell that it comes from.
    from: usize,
}

/// Shortest paths from the cells that are a `start` through open ones, up to `reach` cells long.
fn paths(open: &Plane<bool>, reach: f32, start: impl Fn(usize) -> bool) -> Vec<Path> {
    let (size, open) = (open.size(), open.as_slice());
    let nowhere = Path {
        length: f32::INFINITY,
        from: 0,
    };
    let mut paths = vec![nowhere; size.area()];
    // Lengths are not negative: their bits are in their order.
    let mut queue = BinaryHeap::new();
    for (i, path) in paths.iter_mut().enumerate().filter(|&(i, _)| start(i)) {
        *path = Path {
            length: 0.0,
            from: i,
        };
        queue.push(Reverse((0.0f32.to_bits(), i)));
    }
    while let Some(Reverse((bits, i))) = queue.pop() {
        let Path { length, from } = paths[i];
        if length.to_bits() != bits {
            continue;
        }
        for (j, step) in neighbours(i, size) {
            let length = length + step;
            if length <= reach && length < paths[j].length && open[j] {
                paths[j] = Path { length, from };
                queue.push(Reverse((length.to_bits(), j)));
            }
        }
    }
    paths
}

/// The eight cells around, and how far each is.
fn neighbours(i: usize, size: Size) -> impl Iterator<Item = (usize, f32)> {
    let (x, y) = (i % size.columns, i / size.columns);
    let rows = y.saturating_sub(1)..(y + 2).min(size.rows);
    rows.flat_map(move |ny| {
        (x.saturating_sub(1)..(x + 2).min(size.columns)).map(move |nx| (nx, ny))
    })
    .filter(move |&place| place != (x, y))
    .map(move |(nx, ny)| {
        let step = if nx != x && ny != y {
            std::f32::consts::SQRT_2
        } else {
            1.0
        };
        (ny * size.columns + nx, step)
    })
}

#[cfg(test)]
mod tests;
