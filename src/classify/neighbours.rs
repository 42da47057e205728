//! Neighbours decide together.
//!
//! Relaxation labelling (Rosenfeld, Hummel & Zucker, "Scene Labeling by Relaxation Operations",
//! 1976): the say of a neighbour grows with the rim that is shared.

use rayon::prelude::*;

use super::Probabilities;
use crate::region::Piece;
use crate::scene::{LABELS, Label};

/// Rounds; the labels stand still after a few.
const ROUNDS: usize = 4;

/// How much a neighbour on the whole rim can turn, ln odds.
const STRENGTH: f32 = 2.5;

/// How well two classes go side by side, -1..1.
fn compatibility(one: Label, other: Label) -> f32 {
    use Label::{Gear, GearShadow, Glint, Person, PersonShadow};
    match (one, other) {
        (a, b) if a == b => 1.0,
        (Gear, GearShadow | Glint)
        | (GearShadow | Glint, Gear)
        | (Person, PersonShadow)
        | (PersonShadow, Person) => 0.4,
        (Gear | GearShadow | Glint, Label::Other) | (Label::Other, Gear | GearShadow | Glint) => {
            0.0
        }
        _ => -0.2,
    }
}

/// Lets neighbours of pieces with the probabilities `own` agree on what they are.
pub(super) fn decide_together(own: &[Probabilities], pieces: &[Piece]) -> Vec<Probabilities> {
    let mut current = own.to_vec();
    for _ in 0..ROUNDS {
        let next = pieces
            .par_iter()
            .enumerate()
            .map(|(i, piece)| updated(own[i], piece, &current))
            .collect();
        current = next;
    }
    current
}

fn updated(own: Probabilities, piece: &Piece, current: &[Probabilities]) -> Probabilities {
    let touching: f32 = piece.neighbours.iter().map(|n| n.rim as f32).sum();
    if touching <= 0.0 {
        return own;
    }
    // A rim beside unchanged surroundings says nothing for or against.
    let total = touching / (1.0 - piece.features.near_unchanged).max(0.05);
    let mut out = own;
    for label in LABELS {
        let support: f32 = piece
            .neighbours
            .iter()
            .map(|n| {
                let theirs = &current[n.piece];
                let fit: f32 = LABELS
                    .iter()
                    .map(|&l| compatibility(label, l) * theirs.of(l))
                    .sum();
                n.rim as f32 / total * fit
            })
            .sum();
        out.0[label.index() as usize] *= (STRENGTH * support).exp();
    }
    out.normalised()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::region::{Neighbour, PieceFeatures};
    use crate::scene::Window;

    fn piece(neighbours: Vec<Neighbour>) -> Piece {
        Piece {
            features: PieceFeatures::default(),
            area: 100,
            window: Window {
                left: 0,
                top: 0,
                right: 10,
                bottom: 10,
            },
            neighbours,
        }
    }

    fn sure(label: Label, p: f32) -> Probabilities {
        let mut out = [0.0; 8];
        out[label.index() as usize] = p;
        out[Label::Other.index() as usize] = 1.0 - p;
        Probabilities(out)
    }

    #[test]
    fn a_doubtful_piece_inside_gear_becomes_gear() {
        let pieces = vec![
            piece(vec![Neighbour { piece: 1, rim: 40 }]),
            piece(vec![Neighbour { piece: 0, rim: 40 }]),
        ];
        let together = decide_together(&[sure(Label::Gear, 0.95), sure(Label::Gear, 0.3)], &pieces);
        assert_eq!(together[1].decision(), Label::Gear);
    }
}
