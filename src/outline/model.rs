//! The forests that tell on which side of gear's outline a pixel is.

use serde::{Deserialize, Serialize};

use super::{Measured, PIXEL_FEATURE_COUNT, PIXEL_FEATURE_NAMES, Side};
use crate::classify::{ModelError, Tree};

/// Version of the model's layout.
pub(super) const PIXEL_MODEL_VERSION: u32 = 1;

/// A trained model, kept as readable text.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PixelModel {
    /// [`PIXEL_MODEL_VERSION`] at the time of training.
    pub version: u32,
    /// Names of the features, in the order the trees count them.
    pub features: Vec<String>,
    /// Trees whose mean is the probability that a pixel inside is no gear.
    pub inside: Vec<Tree>,
    /// Trees whose mean is the probability that a pixel beside is gear.
    pub beside: Vec<Tree>,
}

impl PixelModel {
    /// Reads a model from its text and checks that it fits the features of this build.
    ///
    /// # Errors
    /// [`ModelError`] when it does not.
    pub fn from_text(text: &str) -> Result<Self, ModelError> {
        let model: Self = serde_json::from_str(text)?;
        if model.version != PIXEL_MODEL_VERSION || model.features != PIXEL_FEATURE_NAMES {
            return Err(ModelError::OtherFeatures);
        }
        let features = model.features.len();
        let mut trees = model.inside.iter().chain(&model.beside);
        if trees.all(|tree| tree.is_sound(features)) {
            Ok(model)
        } else {
            Err(ModelError::BrokenTree)
        }
    }

    /// The model that this build carries.
    ///
    /// # Panics
    /// When the model in the source tree is broken; a test reads it.
    pub fn built_in() -> Self {
        Self::from_text(include_str!("../../models/pixels.json"))
            .expect("the built-in model is checked by a test")
    }

    /// Probability that a pixel belongs to the other side, by its features in the order of
    /// [`PIXEL_FEATURE_NAMES`].
    pub fn changes_side(&self, side: Side, row: &[f32; PIXEL_FEATURE_COUNT]) -> f32 {
        let trees = self.trees(side);
        let sum: f32 = trees.iter().map(|tree| tree.leaf(row)).sum();
        sum / trees.len().max(1) as f32
    }

    /// That probability where it is above `level`. Asks no more trees once the rest cannot lift it
    /// so high.
    pub(super) fn changes_side_above(&self, level: f32, pixel: &Measured) -> Option<f32> {
        let trees = self.trees(pixel.side);
        let row = pixel.features.to_row();
        let needed = level * trees.len() as f32;
        let mut sum = 0.0;
        for (asked, tree) in trees.iter().enumerate() {
            if sum + (trees.len() - asked) as f32 <= needed {
                return None;
            }
            sum += tree.leaf(&row);
        }
        (sum > needed).then(|| sum / trees.len() as f32)
    }

    fn trees(&self, side: Side) -> &[Tree] {
        match side {
            Side::Inside => &self.inside,
            Side::Beside => &self.beside,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::Node;
    use crate::outline::PixelFeatures;

    #[test]
    fn the_built_in_model_is_sound() {
        let model = PixelModel::built_in();
        assert!(!model.inside.is_empty() && !model.beside.is_empty());
    }

    #[test]
    fn asking_no_more_trees_than_needed_changes_no_answer() {
        let model = PixelModel::built_in();
        for side in [Side::Inside, Side::Beside] {
            for step in 0..200 {
                let mut pixel = Measured {
                    index: 0,
                    side,
                    features: PixelFeatures::default(),
                };
                pixel.features.spread_4 = 0.2 * step as f32;
                pixel.features.smooth_distance = (step % 40) as f32;
                pixel.features.difference = (step % 30) as f32;
                let probability = model.changes_side(side, &pixel.features.to_row());
                for level in [0.2, 0.5, 0.8] {
                    let above = model.changes_side_above(level, &pixel);
                    assert_eq!(above, (probability > level).then_some(probability));
                }
            }
        }
    }

    #[test]
    fn a_model_for_other_features_is_refused() {
        let mut model = PixelModel::built_in();
        model.features.swap(0, 1);
        let text = serde_json::to_string(&model).unwrap();
        assert!(matches!(
            PixelModel::from_text(&text),
            Err(ModelError::OtherFeatures)
        ));
    }

    #[test]
    fn a_tree_that_runs_in_circles_is_refused() {
        let mut model = PixelModel::built_in();
        model.beside = vec![Tree(vec![Node::Split(0, 0.5, 0, 0)])];
        let text = serde_json::to_string(&model).unwrap();
        assert!(matches!(
            PixelModel::from_text(&text),
            Err(ModelError::BrokenTree)
        ));
    }
}
