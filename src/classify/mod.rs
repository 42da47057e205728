//! Stage 6: what each piece of change is.
//!
//! Features to probabilities, then neighbours decide together.

mod rules;

use crate::region::{Regions, Piece};
use crate::scene::{LABELS, Label, Plane};

/// A probability for each label of [`LABELS`]; they add up to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probabilities(pub [f32; 8]);

impl Probabilities {
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
        LABELS.iter().filter(|l| l.is_removed()).map(|l| self.of(*l)).sum()
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

/// Decides what each piece is.
pub fn classify(regions: &Regions, evidence: Evidence) -> Classified {
    let own: Vec<Probabilities> =
        regions.pieces.iter().map(|p: &Piece| rules::probabilities(&p.features, evidence)).collect();
    let labels = own.iter().map(Probabilities::likeliest).collect();
    Classified { probabilities: own, labels }
}

/// The label of every pixel; unchanged pixels are [`Label::Other`].
pub fn label_plane(regions: &Regions, labels: &[Label]) -> Plane<Label> {
    regions.numbers.map(|&n| if n == 0 { Label::Other } else { labels[n as usize - 1] })
}
