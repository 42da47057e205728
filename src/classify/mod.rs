//! Stage 6: what each piece of change is.
//!
//! Features to probabilities by trained forests, then neighbours decide together.

mod adopt;
mod forest;
mod lone;
mod neighbours;
mod places;
mod recut;
#[cfg(test)]
mod rules_tests;
mod standing;
mod strays;
mod support;
pub mod train;

pub use forest::{ClassForest, Model, ModelError, Node, Tree};

use std::sync::OnceLock;

use rayon::prelude::*;

use crate::region::Regions;
use crate::scene::{LABELS, Label, Plane};

/// A probability for each label of [`LABELS`]; they add up to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probabilities(pub [f32; 8]);

impl Probabilities {
    /// Of a label, or else of what stays.
    pub fn either(label: Label, probability: f32) -> Self {
        let mut out = [0.0; 8];
        out[label.index() as usize] = probability;
        out[Label::Other.index() as usize] = 1.0 - probability;
        Self(out)
    }

    /// Of one label.
    pub fn of(&self, label: Label) -> f32 {
        self.0[label.index() as usize]
    }

    /// The likeliest label.
    pub fn likeliest(&self) -> Label {
        let best = (0..LABELS.len()).max_by(|&a, &b| self.0[a].total_cmp(&self.0[b]));
        best.map_or(Label::Other, |i| LABELS[i])
    }

    /// That the piece is to be taken out of the picture.
    pub fn removed(&self) -> f32 {
        LABELS
            .iter()
            .filter(|l| l.is_removed())
            .map(|l| self.of(*l))
            .sum()
    }

    /// The likeliest of what is taken out.
    pub fn likeliest_removed(&self) -> Label {
        let best = LABELS
            .into_iter()
            .filter(|l| l.is_removed())
            .max_by(|a, b| self.of(*a).total_cmp(&self.of(*b)));
        best.unwrap_or(Label::Gear)
    }

    /// That the piece belongs to the person.
    pub fn person(&self) -> f32 {
        LABELS
            .iter()
            .filter(|l| l.is_person())
            .map(|l| self.of(*l))
            .sum()
    }

    /// What is done with the piece: taken out only when that is likelier than not; the person
    /// goes first in doubt.
    pub fn decision(&self) -> Label {
        let likeliest = self.likeliest();
        let in_doubt = self.of(Label::Person) > PERSON_DOUBT && self.removed() < SURE_REMOVAL;
        if in_doubt {
            return Label::Person;
        }
        if self.removed() > 0.5 {
            return self.likeliest_removed();
        }
        if likeliest.is_removed() {
            let best = LABELS
                .into_iter()
                .filter(|l| l.is_person())
                .max_by(|a, b| self.of(*a).total_cmp(&self.of(*b)));
            return match best {
                Some(best) if self.person() > self.of(Label::Other) => best,
                _ => Label::Other,
            };
        }
        likeliest
    }

    /// Scaled so that they add up to 1.
    #[must_use]
    pub fn normalised(mut self) -> Self {
        let sum: f32 = self.0.iter().sum();
        if sum > 0.0 {
            self.0.iter_mut().for_each(|p| *p /= sum);
        } else {
            self.0[Label::Other.index() as usize] = 1.0;
        }
        self
    }
}

/// From this probability of the person on, a piece must be surely something else to go.
const PERSON_DOUBT: f32 = 0.2;

/// Probability of gear, shadow and glint together that is sure enough against such a doubt.
const SURE_REMOVAL: f32 = 0.75;

/// Were other poses of the set-up seen?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Evidence {
    /// This frame and the plate only.
    Alone,
    /// Stillness is known.
    WithPoses,
}

/// The class of every piece.
#[derive(Debug, Clone)]
pub struct Classified {
    /// Probabilities, by piece.
    pub probabilities: Vec<Probabilities>,
    /// Decision, by piece.
    pub labels: Vec<Label>,
}

/// Decides what each piece is, with the model that this build carries.
pub fn classify(regions: &Regions, evidence: Evidence) -> Classified {
    static ALONE: OnceLock<Model> = OnceLock::new();
    static WITH_POSES: OnceLock<Model> = OnceLock::new();
    let model = match evidence {
        Evidence::Alone => ALONE.get_or_init(|| Model::built_in(evidence)),
        Evidence::WithPoses => WITH_POSES.get_or_init(|| Model::built_in(evidence)),
    };
    classify_with(model, regions)
}

/// Decides what each piece is, with a model of the caller's.
pub fn classify_with(model: &Model, regions: &Regions) -> Classified {
    let own: Vec<Probabilities> = regions
        .pieces
        .par_iter()
        .map(|p| model.probabilities(&p.features))
        .collect();
    let probabilities = neighbours::decide_together(&own, &regions.pieces);
    let labels = probabilities.iter().map(Probabilities::decision).collect();
    let mut classified = Classified {
        probabilities,
        labels,
    };
    strays::decide_strays_anew(&mut classified, regions);
    support::demand_support(&mut classified, regions);
    let places = places::Places::of(regions);
    adopt::adopt(&mut classified, &own, (regions, &places));
    support::take_back_doubtful(&mut classified, regions);
    lone::take_back_lone(&mut classified, (regions, &places));
    classified
}

/// The label of every pixel; unchanged pixels are [`Label::Other`].
pub fn label_plane(regions: &Regions, labels: &[Label]) -> Plane<Label> {
    regions.numbers.map(|&n| {
        if n == 0 {
            Label::Other
        } else {
            labels[n as usize - 1]
        }
    })
}
