//! Does one point or one box put right what the clean-up got wrong?

use std::collections::VecDeque;
use std::error::Error;
use std::path::Path;

use derig::pipeline::{Before, Correction, Extra, Marks, SetUp, Silent, Told};
use derig::report::Box2;
use derig::scene::{Label, Plane};

/// Regions below this share of the frame are not seen at a glance.
const MIN_SHARE: f64 = 0.0001;
/// A region is put right when this share of it has the wanted mask.
const PUT_RIGHT: f64 = 0.9;
/// Half of the plate.
const HALF: u16 = u16::MAX / 2;

/// Counts over a set of scenes.
#[derive(Default)]
struct Counts {
    regions: usize,
    by_point: usize,
    by_box: usize,
    harming: usize,
}

/// Cleans every frame and tries to correct each wrong region of its mask.
pub fn count(set: &Path) -> Result<(), Box<dyn Error>> {
    let mut all = Counts::default();
    for folder in crate::scenes::folders(set)? {
        let scene = crate::scenes::read(&folder)?;
        let mut set_up = SetUp::new(vec![scene.plate.clone()])?;
        for index in SetUp::frames_to_observe(scene.lit.len()) {
            set_up.observe(index, &scene.lit[index])?;
        }
        for (index, lit) in scene.lit.iter().enumerate() {
            let cleaned = set_up.clean_with(index, lit.clone(), &[Extra::Decision], &Silent)?;
            let decision = cleaned.extras.decision.expect("it was asked for");
            let before = Before {
                merged: &cleaned.merged,
                mask: &cleaned.mask,
                decision: &decision,
            };
            let wanted = crate::scenes::to_replace(&folder, index)?;
            let labels = &scene.labels[index];
            let reopened = set_up.reopen(lit, &decision, &Silent)?;
            let mut counts = Counts::default();
            for (told, region) in wrong_regions(&cleaned.mask, &wanted, labels) {
                counts.regions += 1;
                let tried = |marks: Marks| {
                    let correction = Correction { told, marks };
                    let corrected = reopened.corrected(lit, &before, &[correction]);
                    let right = region.iter().filter(|&&at| {
                        let taken = corrected.mask.as_slice()[at] > HALF;
                        taken == (told == Told::Take)
                    });
                    let is_right = right.count() as f64 >= PUT_RIGHT * region.len() as f64;
                    let harm = person_taken(&corrected.mask, labels)
                        > person_taken(&cleaned.mask, labels)
                            + (MIN_SHARE * labels.size().area() as f64) as usize;
                    (is_right, harm)
                };
                let columns = labels.size().columns;
                let (is_right, harms) = tried(inner_point(&region, columns));
                if is_right && !harms {
                    counts.by_point += 1;
                    continue;
                }
                let (is_right, harms) = tried(surrounding_box(&region, columns));
                if is_right && !harms {
                    counts.by_box += 1;
                } else {
                    counts.harming += usize::from(is_right);
                    let Marks::Box(place) = surrounding_box(&region, columns) else {
                        continue;
                    };
                    println!("  left: {told:?} {} px at {place:?}", region.len());
                }
            }
            println!(
                "{} {}: {} regions, {} by a point, {} by a box",
                scene.name,
                index + 1,
                counts.regions,
                counts.by_point,
                counts.by_box
            );
            all.regions += counts.regions;
            all.by_point += counts.by_point;
            all.by_box += counts.by_box;
            all.harming += counts.harming;
        }
    }
    println!(
        "all: {} regions, {} by a point, {} by a box, {} only with harm to the person",
        all.regions, all.by_point, all.by_box, all.harming
    );
    Ok(())
}

fn person_taken(mask: &Plane<u16>, labels: &Plane<Label>) -> usize {
    let pairs = mask.as_slice().iter().zip(labels.as_slice());
    pairs
        .filter(|(share, label)| **share > HALF && **label == Label::Person)
        .count()
}

/// Connected wrong pixels: what should have gone and stays, and person that was taken.
fn wrong_regions(
    mask: &Plane<u16>,
    wanted: &Plane<bool>,
    labels: &Plane<Label>,
) -> Vec<(Told, Vec<usize>)> {
    let size = mask.size();
    let least = (MIN_SHARE * size.area() as f64) as usize;
    let wrong = Plane::from_fn(size, |x, y| {
        let taken = *mask.at(x, y) > HALF;
        match (*wanted.at(x, y), taken, *labels.at(x, y)) {
            (true, false, label) if label != Label::Person => Some(Told::Take),
            (_, true, Label::Person) => Some(Told::Keep),
            _ => None,
        }
    });
    let mut seen = Plane::filled(size, false);
    let mut regions = Vec::new();
    for start in 0..size.area() {
        let Some(told) = wrong.as_slice()[start] else {
            continue;
        };
        if seen.as_slice()[start] {
            continue;
        }
        let mut region = Vec::new();
        let mut queue = VecDeque::from([start]);
        seen.as_mut_slice()[start] = true;
        while let Some(at) = queue.pop_front() {
            region.push(at);
            let (x, y) = (at % size.columns, at / size.columns);
            for ny in y.saturating_sub(1)..=(y + 1).min(size.rows - 1) {
                for nx in x.saturating_sub(1)..=(x + 1).min(size.columns - 1) {
                    let next = ny * size.columns + nx;
                    if !seen.as_slice()[next] && wrong.as_slice()[next] == Some(told) {
                        seen.as_mut_slice()[next] = true;
                        queue.push_back(next);
                    }
                }
            }
        }
        if region.len() >= least {
            regions.push((told, region));
        }
    }
    regions
}

/// The region's pixel nearest to the middle of it.
fn inner_point(region: &[usize], columns: usize) -> Marks {
    let count = region.len() as f64;
    let mean =
        |of: &dyn Fn(usize) -> usize| region.iter().map(|&at| of(at) as f64).sum::<f64>() / count;
    let (x0, y0) = (mean(&|at| at % columns), mean(&|at| at / columns));
    let off = |at: usize| (at % columns) as f64 - x0;
    let down = |at: usize| (at / columns) as f64 - y0;
    let nearest = region
        .iter()
        .copied()
        .min_by(|&a, &b| off(a).hypot(down(a)).total_cmp(&off(b).hypot(down(b))))
        .unwrap_or_default();
    Marks::Point {
        x: nearest % columns,
        y: nearest / columns,
    }
}

/// Drawn a little larger than the region, as people do.
fn surrounding_box(region: &[usize], columns: usize) -> Marks {
    let xs = || region.iter().map(|at| at % columns);
    let ys = || region.iter().map(|at| at / columns);
    let (left, right) = (xs().min().unwrap_or(0), xs().max().unwrap_or(0));
    let (top, bottom) = (ys().min().unwrap_or(0), ys().max().unwrap_or(0));
    let margin = 4;
    let (x, y) = (left.saturating_sub(margin), top.saturating_sub(margin));
    Marks::Box(Box2 {
        x,
        y,
        width: right + margin + 1 - x,
        height: bottom + margin + 1 - y,
    })
}
