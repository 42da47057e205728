//! Trained models: one small forest a class, kept as readable text.

use serde::{Deserialize, Serialize};

use super::{Evidence, Probabilities};
use crate::region::{FEATURE_COUNT, FEATURE_NAMES, PieceFeatures};
use crate::scene::Label;

/// Version of the model's layout.
pub(super) const MODEL_VERSION: u32 = 1;

/// One node of a tree.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Node {
    /// `[feature, threshold, node if at or below, node if above]`.
    Split(u16, f32, u32, u32),
    /// Share of the class among the training pieces that end here.
    Leaf(f32),
}

/// A decision tree; node 0 is the root.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Tree(pub Vec<Node>);

/// The forest that tells one class from everything else.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassForest {
    /// The class.
    pub class: Label,
    /// Its trees; their mean is the probability.
    pub trees: Vec<Tree>,
}

/// A trained model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Model {
    /// [`MODEL_VERSION`] at the time of training.
    pub version: u32,
    /// Names of the features, in the order the trees count them.
    pub features: Vec<String>,
    /// One forest a class.
    pub forests: Vec<ClassForest>,
}

/// Why a model cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// The text is not a model.
    #[error("the model is not readable")]
    Unreadable(#[from] serde_json::Error),
    /// Made for other features or another layout.
    #[error("the model was made for other features; train it anew")]
    OtherFeatures,
    /// A tree points outside itself.
    #[error("a tree of the model is broken")]
    BrokenTree,
}

impl Model {
    /// Reads a model from its text and checks that it fits the features of this build.
    ///
    /// # Errors
    /// [`ModelError`] when it does not.
    pub fn from_text(text: &str) -> Result<Self, ModelError> {
        let model: Self = serde_json::from_str(text)?;
        if model.version != MODEL_VERSION || model.features != FEATURE_NAMES {
            return Err(ModelError::OtherFeatures);
        }
        let is_sound = |tree: &Tree| tree.is_sound(FEATURE_COUNT);
        if model.forests.iter().all(|f| f.trees.iter().all(is_sound)) {
            Ok(model)
        } else {
            Err(ModelError::BrokenTree)
        }
    }

    /// The model that this build carries for a kind of evidence.
    ///
    /// # Panics
    /// When the model in the source tree is broken; a test reads it.
    pub fn built_in(evidence: Evidence) -> Self {
        let text = match evidence {
            Evidence::Alone => include_str!("../../models/alone.json"),
            Evidence::WithPoses => include_str!("../../models/with-poses.json"),
        };
        Self::from_text(text).expect("the built-in models are checked by a test")
    }

    /// Probabilities of one piece by itself.
    pub fn probabilities(&self, features: &PieceFeatures) -> Probabilities {
        self.probabilities_of_row(&features.to_row())
    }

    /// The same for features in the order of [`FEATURE_NAMES`].
    pub fn probabilities_of_row(&self, row: &[f32; FEATURE_COUNT]) -> Probabilities {
        let mut out = [0.0f32; 8];
        for forest in &self.forests {
            let sum: f32 = forest.trees.iter().map(|t| t.leaf(row)).sum();
            out[forest.class.index() as usize] = sum / forest.trees.len().max(1) as f32;
        }
        let sum: f32 = out.iter().sum();
        out[Label::Other.index() as usize] = (1.0 - sum).max(0.0);
        Probabilities(out).normalised()
    }
}

impl Tree {
    /// Does every walk over a row of `features` values end, at a share?
    pub fn is_sound(&self, features: usize) -> bool {
        let nodes = &self.0;
        !nodes.is_empty()
            && nodes.iter().enumerate().all(|(at, node)| match *node {
                // Children lie behind their parent, so that every walk ends.
                Node::Split(feature, _, low, high) => {
                    (feature as usize) < features
                        && (low as usize) > at
                        && (high as usize) > at
                        && (low as usize) < nodes.len()
                        && (high as usize) < nodes.len()
                }
                Node::Leaf(p) => (0.0..=1.0).contains(&p),
            })
    }

    /// The share in which the walk over a row of features ends.
    pub fn leaf(&self, row: &[f32]) -> f32 {
        let mut at = 0;
        loop {
            match self.0[at] {
                Node::Leaf(share) => return share,
                Node::Split(feature, threshold, low, high) => {
                    at = if row[feature as usize] <= threshold {
                        low
                    } else {
                        high
                    } as usize;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_models_are_sound() {
        for evidence in [Evidence::Alone, Evidence::WithPoses] {
            assert!(!Model::built_in(evidence).forests.is_empty());
        }
    }

    #[test]
    fn a_tree_that_runs_in_circles_is_refused() {
        let model = Model {
            version: MODEL_VERSION,
            features: FEATURE_NAMES.iter().map(|&n| n.to_owned()).collect(),
            forests: vec![ClassForest {
                class: Label::Gear,
                trees: vec![Tree(vec![Node::Split(0, 0.5, 0, 0)])],
            }],
        };
        let text = serde_json::to_string(&model).unwrap();
        assert!(matches!(
            Model::from_text(&text),
            Err(ModelError::BrokenTree)
        ));
    }
}
