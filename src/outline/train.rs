//! Training of [`PixelModel`]: from a table of pixels to a model, the same bits every time.

use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;

use super::model::PIXEL_MODEL_VERSION;
use super::{PIXEL_FEATURE_COUNT, PIXEL_FEATURE_NAMES, PixelModel, Side};
use crate::classify::Tree;
use crate::classify::train::{TreeLimits, fit_tree};

/// Trees of each forest.
const TREES: usize = 64;

/// Pixels a tree sees.
const DRAW: usize = 8000;

/// Share of the draw that is on the wrong side: a tenth of what is measured.
const WRONG_SHARE: f64 = 0.35;

/// Share of the features that a tree may use.
const FEATURE_SHARE: f32 = 0.4;

/// Neighbouring pixels say nearly the same: a leaf of the tree must hold more than one place.
const LIMITS: TreeLimits = TreeLimits {
    max_depth: 10,
    min_leaf: 24.0,
};

/// One measured pixel.
#[derive(Debug, Clone)]
pub struct PixelExample {
    /// Features in the order of [`PIXEL_FEATURE_NAMES`].
    pub row: [f32; PIXEL_FEATURE_COUNT],
    /// Where it was taken to be.
    pub side: Side,
    /// Does it belong to the other side?
    pub is_wrong: bool,
    /// How much of its picture it stands for, ppm.
    pub weight: f32,
}

/// Trains a model.
///
/// # Panics
/// When examples of one kind are missing: a broken caller.
pub fn train(examples: &[PixelExample]) -> PixelModel {
    PixelModel {
        version: PIXEL_MODEL_VERSION,
        features: PIXEL_FEATURE_NAMES.iter().map(|&n| n.to_owned()).collect(),
        inside: forest(examples, Side::Inside),
        beside: forest(examples, Side::Beside),
    }
}

fn forest(examples: &[PixelExample], side: Side) -> Vec<Tree> {
    let (wrong, right): (Vec<&PixelExample>, Vec<&PixelExample>) = examples
        .iter()
        .filter(|e| e.side == side)
        .partition(|e| e.is_wrong);
    assert!(
        !wrong.is_empty() && !right.is_empty(),
        "a model needs examples of both kinds"
    );
    (0..TREES)
        .into_par_iter()
        .map(|number| one_tree(&wrong, &right, number as u64))
        .collect()
}

fn one_tree(wrong: &[&PixelExample], right: &[&PixelExample], seed: u64) -> Tree {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let columns: Vec<usize> = (0..PIXEL_FEATURE_COUNT)
        .filter(|_| rng.r#gen::<f32>() < FEATURE_SHARE)
        .collect();
    let of_wrong = (DRAW as f64 * WRONG_SHARE) as usize;
    let mut drawn = draw(wrong, of_wrong, &mut rng);
    drawn.extend(draw(right, DRAW - of_wrong, &mut rng));
    let rows: Vec<&[f32]> = drawn.iter().map(|e| e.row.as_slice()).collect();
    let hits: Vec<bool> = drawn.iter().map(|e| e.is_wrong).collect();
    fit_tree(&rows, &hits, &columns, LIMITS)
}

/// Draws with replacement, in proportion to the weight.
fn draw<'a>(
    from: &[&'a PixelExample],
    count: usize,
    rng: &mut Xoshiro256PlusPlus,
) -> Vec<&'a PixelExample> {
    let mut total = 0.0f64;
    let sums: Vec<f64> = from
        .iter()
        .map(|e| {
            total += f64::from(e.weight);
            total
        })
        .collect();
    (0..count)
        .map(|_| {
            let at = rng.r#gen::<f64>() * total;
            from[sums.partition_point(|&s| s <= at).min(from.len() - 1)]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is on the wrong side inside has twice the spread, beside half; everything else is chance.
    fn examples() -> Vec<PixelExample> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(3);
        (0..600)
            .map(|i| {
                let mut row = [0.0; PIXEL_FEATURE_COUNT];
                for value in &mut row {
                    *value = rng.r#gen();
                }
                let is_wrong = i % 2 == 0;
                let side = [Side::Inside, Side::Beside][i / 2 % 2];
                let is_rough = is_wrong == (side == Side::Inside);
                for value in &mut row[..7] {
                    *value += if is_rough { 8.0 } else { 4.0 };
                }
                PixelExample {
                    row,
                    side,
                    is_wrong,
                    weight: 1.0,
                }
            })
            .collect()
    }

    #[test]
    fn training_twice_gives_the_same_bits() {
        let text = || serde_json::to_string(&train(&examples())).unwrap();
        assert_eq!(text(), text());
    }

    #[test]
    fn a_model_read_back_decides_the_same() {
        let model = train(&examples());
        let back = PixelModel::from_text(&serde_json::to_string(&model).unwrap()).unwrap();
        assert_eq!(model, back);
    }
}
