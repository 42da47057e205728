//! Pixels cut out of their pieces, as pieces of their own.

use std::collections::BTreeMap;

use super::{Classified, Probabilities};
use crate::region::{Piece, Regions};
use crate::scene::{Label, Window};

impl Classified {
    /// Makes pixels, by their index in the frame, a piece of a label of their own. It keeps what was
    /// measured of the piece that most of it comes from. Where nothing had visibly changed there is
    /// nothing to cut out.
    pub fn cut_out(
        &mut self,
        regions: &mut Regions,
        pixels: &[usize],
        (label, probabilities): (Label, Probabilities),
    ) {
        let Some(window) = window_around(pixels, regions.numbers.columns()) else {
            return;
        };
        let number = regions.pieces.len() as u32 + 1;
        let mut from = BTreeMap::<u32, usize>::new();
        for &i in pixels {
            let was = std::mem::replace(&mut regions.numbers.as_mut_slice()[i], number);
            if was > 0 {
                *from.entry(was).or_default() += 1;
                regions.pieces[was as usize - 1].area -= 1;
            }
        }
        let Some((&donor, _)) = from.iter().max_by_key(|(_, count)| **count) else {
            for &i in pixels {
                regions.numbers.as_mut_slice()[i] = 0;
            }
            return;
        };
        let features = regions.pieces[donor as usize - 1].features;
        regions.pieces.push(Piece {
            features,
            area: pixels.len(),
            window,
            neighbours: Vec::new(),
        });
        self.probabilities.push(probabilities);
        self.labels.push(label);
    }

    /// Makes pixels that belong to no piece one of a label of their own, of that probability. It keeps
    /// what was measured of piece number `beside`, from 1.
    pub fn add_beside(
        &mut self,
        regions: &mut Regions,
        pixels: &[usize],
        beside: u32,
        (label, probability): (Label, f32),
    ) {
        let Some(window) = window_around(pixels, regions.numbers.columns()) else {
            return;
        };
        let number = regions.pieces.len() as u32 + 1;
        for &i in pixels {
            regions.numbers.as_mut_slice()[i] = number;
        }
        regions.pieces.push(Piece {
            features: regions.pieces[beside as usize - 1].features,
            area: pixels.len(),
            window,
            neighbours: Vec::new(),
        });
        self.probabilities
            .push(Probabilities::either(label, probability));
        self.labels.push(label);
    }
}

fn window_around(pixels: &[usize], columns: usize) -> Option<Window> {
    let mut places = pixels.iter().map(|&i| (i % columns, i / columns));
    let (x, y) = places.next()?;
    let first = Window {
        left: x,
        top: y,
        right: x + 1,
        bottom: y + 1,
    };
    Some(places.fold(first, |w, (x, y)| Window {
        left: w.left.min(x),
        top: w.top.min(y),
        right: w.right.max(x + 1),
        bottom: w.bottom.max(y + 1),
    }))
}
