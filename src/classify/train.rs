//! Training: from a table of measured pieces to a model, the same bits every time.
//!
//! `linfa`'s decision trees, one bag of them a class. Each tree sees its own draw of the pieces
//! (in proportion to the square root of their area) and of the features. The trees are of two
//! classes each, so that no sum depends on the order in which a hash map hands out its keys.

use linfa::DatasetBase;
use linfa::traits::Fit;
use linfa_trees::{DecisionTree, SplitQuality, TreeNode};
use ndarray::{Array1, Array2};
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;

use super::Evidence;
use super::forest::{ClassForest, MODEL_VERSION, Model, Node, Tree};
use crate::region::{FEATURE_COUNT, FEATURE_NAMES, FIRST_STILLNESS_FEATURE};
use crate::scene::Label;

/// Trees a class.
const TREES: usize = 96;

/// Pieces a tree sees.
const DRAW: usize = 6000;

/// Share of the draw that is of the class itself, at most: rare classes must be seen.
const CLASS_SHARE: f32 = 0.35;

/// Deep enough for a handful of features to speak together; leaves hold a dozen pieces.
const LIMITS: TreeLimits = TreeLimits {
    max_depth: 9,
    min_leaf: 12.0,
};

/// Share of the features that a tree may use.
const FEATURE_SHARE: f32 = 0.5;

/// Classes that have a forest; what is left is [`Label::Other`].
pub const TRAINED_CLASSES: [Label; 5] = [
    Label::Gear,
    Label::GearShadow,
    Label::Glint,
    Label::Person,
    Label::PersonShadow,
];

/// One measured piece with its true class.
#[derive(Debug, Clone)]
pub struct Example {
    /// Features in the order of [`FEATURE_NAMES`].
    pub row: [f32; FEATURE_COUNT],
    /// True class.
    pub label: Label,
    /// Area, px.
    pub area: f32,
}

/// Trains a model.
///
/// # Panics
/// When there are no examples: a broken caller.
pub fn train(examples: &[Example], evidence: Evidence) -> Model {
    assert!(!examples.is_empty(), "a model needs examples");
    let usable: Vec<usize> = (0..FEATURE_COUNT)
        .filter(|&f| is_usable(f, evidence))
        .collect();
    let forests = TRAINED_CLASSES
        .into_iter()
        .map(|class| {
            let trees = (0..TREES)
                .into_par_iter()
                .map(|number| {
                    let seed = 1000 * u64::from(class.index()) + number as u64;
                    one_tree(examples, class, &usable, seed)
                })
                .collect();
            ClassForest { class, trees }
        })
        .collect();
    Model {
        version: MODEL_VERSION,
        features: FEATURE_NAMES.iter().map(|&n| n.to_owned()).collect(),
        forests,
    }
}

fn is_usable(feature: usize, evidence: Evidence) -> bool {
    let first = FEATURE_NAMES
        .iter()
        .position(|&n| n == FIRST_STILLNESS_FEATURE);
    evidence == Evidence::WithPoses || first.is_none_or(|first| feature < first)
}

fn one_tree(examples: &[Example], class: Label, usable: &[usize], seed: u64) -> Tree {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let columns: Vec<usize> = usable
        .iter()
        .copied()
        .filter(|_| rng.r#gen::<f32>() < FEATURE_SHARE)
        .collect();
    let (of_class, rest): (Vec<&Example>, Vec<&Example>) =
        examples.iter().partition(|e| e.label == class);
    let take = ((DRAW as f32 * CLASS_SHARE) as usize).min(2 * of_class.len());
    let mut drawn = draw(&of_class, take, &mut rng);
    drawn.extend(draw(&rest, DRAW - take, &mut rng));
    let rows: Vec<&[f32]> = drawn.iter().map(|e| e.row.as_slice()).collect();
    let hits: Vec<bool> = drawn.iter().map(|e| e.label == class).collect();
    fit_tree(&rows, &hits, &columns, LIMITS)
}

/// How far a tree may go.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TreeLimits {
    /// Deepest node.
    pub(crate) max_depth: usize,
    /// Fewest drawn examples in a leaf.
    pub(crate) min_leaf: f32,
}

/// One tree of two classes over drawn rows, which may use the `columns`; `hits` says of each row
/// whether it is of the class.
pub(crate) fn fit_tree(
    rows: &[&[f32]],
    hits: &[bool],
    columns: &[usize],
    limits: TreeLimits,
) -> Tree {
    let records = Array2::from_shape_fn((rows.len(), columns.len()), |(i, j)| {
        f64::from(rows[i][columns[j]])
    });
    let targets = Array1::from_shape_fn(rows.len(), |i| usize::from(hits[i]));
    let fitted = DecisionTree::params()
        .split_quality(SplitQuality::Gini)
        .max_depth(Some(limits.max_depth))
        .min_weight_leaf(limits.min_leaf)
        .min_weight_split(2.0 * limits.min_leaf)
        .fit(&DatasetBase::new(records, targets));
    let Ok(fitted) = fitted else {
        return Tree(vec![Node::Leaf(0.0)]);
    };
    let mut nodes = Vec::new();
    flatten(fitted.root_node(), columns, &mut nodes);
    with_leaf_shares(&nodes, rows, hits)
}

/// Draws with replacement, in proportion to the square root of the area.
fn draw<'a>(from: &[&'a Example], count: usize, rng: &mut Xoshiro256PlusPlus) -> Vec<&'a Example> {
    if from.is_empty() {
        return Vec::new();
    }
    let mut sums = Vec::with_capacity(from.len());
    let mut total = 0.0f64;
    for e in from {
        total += f64::from(e.area).sqrt();
        sums.push(total);
    }
    (0..count)
        .map(|_| {
            let at = rng.r#gen::<f64>() * total;
            from[sums.partition_point(|&s| s <= at).min(from.len() - 1)]
        })
        .collect()
}

fn flatten(node: &TreeNode<f64, usize>, columns: &[usize], out: &mut Vec<Node>) -> u32 {
    let at = out.len();
    out.push(Node::Leaf(0.0));
    let children = node.children();
    if let [Some(low), Some(high)] = children.as_slice()
        && !node.is_leaf()
    {
        let (feature, threshold, _) = node.split();
        let low = flatten(low, columns, out);
        let high = flatten(high, columns, out);
        out[at] = Node::Split(
            columns[feature] as u16,
            rounded(threshold as f32),
            low,
            high,
        );
    }
    at as u32
}

/// Six significant digits: the text stays short, and the trees are applied as they are written.
fn rounded(value: f32) -> f32 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// Drawn pieces that reach a node.
#[derive(Debug, Clone, Copy, Default)]
struct Reached {
    of_class: f32,
    all: f32,
}

impl Reached {
    /// Share of the class, drawn towards one half by one piece each way.
    fn share(self) -> f32 {
        (1000.0 * (self.of_class + 1.0) / (self.all + 2.0)).round() / 1000.0
    }

    /// Above 0 when most are of the class.
    fn majority(self) -> f32 {
        2.0 * self.of_class - self.all
    }
}

/// Leaves take the share of the class among the drawn pieces that reach them.
fn with_leaf_shares(nodes: &[Node], rows: &[&[f32]], hits: &[bool]) -> Tree {
    let mut reached = vec![Reached::default(); nodes.len()];
    for (row, &hit) in rows.iter().zip(hits) {
        let mut at = 0;
        loop {
            reached[at].of_class += f32::from(u8::from(hit));
            reached[at].all += 1.0;
            let Node::Split(feature, threshold, low, high) = nodes[at] else {
                break;
            };
            at = if row[feature as usize] <= threshold {
                low
            } else {
                high
            } as usize;
        }
    }
    let mut out = Vec::new();
    settle(nodes, &reached, 0, &mut out);
    Tree(out)
}

/// Copies a subtree, and joins leaves that say the same. `linfa` does so too, but by what a hash map
/// names first where a leaf is undecided: undecided leaves are always joined here, so that the same
/// pieces give the same tree.
fn settle(nodes: &[Node], reached: &[Reached], at: usize, out: &mut Vec<Node>) -> f32 {
    const INNER: f32 = f32::NAN;
    let here = out.len();
    let leaf = Node::Leaf(reached[at].share());
    out.push(leaf);
    let Node::Split(feature, threshold, low, high) = nodes[at] else {
        return reached[at].majority();
    };
    let low_at = out.len() as u32;
    let low = settle(nodes, reached, low as usize, out);
    let high_at = out.len() as u32;
    let high = settle(nodes, reached, high as usize, out);
    // Not so for inner nodes, which compare as false.
    if low * high >= 0.0 {
        out.truncate(here);
        out.push(leaf);
        return reached[at].majority();
    }
    out[here] = Node::Split(feature, threshold, low_at, high_at);
    INNER
}

#[cfg(test)]
mod tests {
    use super::*;

    fn examples() -> Vec<Example> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(5);
        (0..400)
            .map(|i| {
                let mut row = [0.0; FEATURE_COUNT];
                for v in &mut row {
                    *v = rng.r#gen::<f32>();
                }
                let label = if i % 2 == 0 {
                    Label::Gear
                } else {
                    Label::Other
                };
                let still = FEATURE_NAMES.iter().position(|&n| n == "still").unwrap();
                let difference = FEATURE_NAMES
                    .iter()
                    .position(|&n| n == "difference")
                    .unwrap();
                let high = if label == Label::Gear { 1.0 } else { 0.0 };
                row[still] = high + 0.4 * row[still];
                row[difference] = high + 0.4 * row[difference];
                Example {
                    row,
                    label,
                    area: 50.0 + i as f32,
                }
            })
            .collect()
    }

    #[test]
    fn training_twice_gives_the_same_bits() {
        let examples = examples();
        let text = |m: &Model| serde_json::to_string(m).unwrap();
        let one = train(&examples, Evidence::WithPoses);
        let other = train(&examples, Evidence::WithPoses);
        assert_eq!(text(&one), text(&other));
    }

    #[test]
    fn a_model_read_back_decides_the_same() {
        let examples = examples();
        let model = train(&examples, Evidence::WithPoses);
        let back = Model::from_text(&serde_json::to_string(&model).unwrap()).unwrap();
        assert_eq!(model, back);
    }
}
