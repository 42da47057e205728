//! Whole shoots: which frames belong to one tripod set-up, and which of them is its plate.
//!
//! Frames are looked at as small copies. Two belong together when camera, focal length and extent do
//! not speak against it and their pictures line up ([`crate::registration`]): that is the proof, the
//! tags only save work. Among the frames of a set-up the plate is the one in which nothing stands
//! that does not stand in the others: laid under any of them it uncovers gear and person, laid over
//! any of them it shows neither. The flash tag is evidence, not proof: a radio trigger leaves no
//! trace in it, and a flash that missed leaves a frame with all its gear.

mod plate;

pub use plate::{PlateSought, Reason, find_plate};

use rayon::prelude::*;

use crate::lighting::FLARE;
use crate::photo::{CameraFacts, Photo, screen_copy};
use crate::pipeline::Frame;
use crate::registration::{Features, describe, register};
use crate::scene::{Encoding, SceneLinear, Size};

/// Longest side of the small copies, px: a stand is still a line of one or two pixels.
const LOOK_SIDE: usize = 640;

/// Focal lengths that differ by more than this share are another picture (zooms tell 35 and 35.2).
const SAME_FOCAL_SHARE: f64 = 0.03;

/// Members of a set-up that a frame is laid over before it is taken for another one's.
const MEMBERS_TRIED: usize = 2;

/// What a small copy of a frame shows, and what its tags say.
#[derive(Debug)]
pub struct Look {
    facts: CameraFacts,
    size: Size,
    small: Frame,
    features: Features,
    layout: Layout,
}

impl Look {
    /// Looks at a decoded frame; holds some 6 bytes a pixel of the small copy.
    pub fn of(photo: &Photo) -> Self {
        let small = Frame {
            samples: screen_copy(&photo.samples, &photo.encoding, LOOK_SIDE),
            encoding: Encoding::srgb(256),
        };
        let light = small.samples.reduced(&small.encoding, 1);
        let features = describe(&light);
        Self {
            facts: photo.camera.clone(),
            size: photo.samples.size,
            layout: Layout::of(&light),
            small,
            features,
        }
    }

    /// Do the tags allow one set-up?
    fn may_belong_to(&self, other: &Self) -> bool {
        let differ = |a: &Option<String>, b: &Option<String>| a.is_some() && b.is_some() && a != b;
        let (a, b) = (&self.facts, &other.facts);
        let other_focal = match (a.focal_length, b.focal_length) {
            (Some(a), Some(b)) => (a - b).abs() > SAME_FOCAL_SHARE * a.max(b),
            _ => false,
        };
        self.size == other.size
            && !differ(&a.make, &b.make)
            && !differ(&a.model, &b.model)
            && !other_focal
    }
}

/// Groups frames into set-ups; indices in order of capture where the tags tell it, else as given.
///
/// Each frame is laid over a few members of each set-up that the tags allow, the set-up whose
/// pictures are most like it first, and joins the first that it lines up with: pictures of other
/// things do not line up by chance (on the evaluation set-ups they reached at most half of the
/// places needed).
pub fn group(looks: &[Look]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..looks.len()).collect();
    order.sort_by(|&a, &b| {
        let time = |i: usize| &looks[i].facts.date_time_original;
        time(a).cmp(time(b)).then(a.cmp(&b))
    });
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for index in order {
        let look = &looks[index];
        let likeness = |group: &Vec<usize>| {
            let each = group
                .iter()
                .map(|&m| looks[m].layout.likeness(&look.layout));
            each.fold(f32::NEG_INFINITY, f32::max)
        };
        let mut likely: Vec<(f32, usize)> = groups
            .iter()
            .enumerate()
            .filter(|(_, group)| group.iter().all(|&m| looks[m].may_belong_to(look)))
            .map(|(g, group)| (likeness(group), g))
            .collect();
        likely.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let small = look.small.samples.reduced(&look.small.encoding, 1);
        let tried = likely.iter().flat_map(|&(_, g)| {
            let members = groups[g].iter().rev().take(MEMBERS_TRIED);
            members.map(move |&m| (m, g))
        });
        let tried: Vec<_> = tried.collect();
        let found = tried.par_iter().find_map_first(|&(m, g)| {
            let lies = register(&looks[m].features, &small);
            lies.ok().map(|_| g)
        });
        match found {
            Some(g) => groups[g].push(index),
            None => groups.push(vec![index]),
        }
    }
    groups
}

/// Columns and rows of the coarse layout.
const LAYOUT: [usize; 2] = [24, 16];

/// Where a picture is light and dark, coarsely: in which order set-ups are tried.
#[derive(Debug)]
struct Layout(Vec<f32>);

impl Layout {
    fn of(picture: &SceneLinear) -> Self {
        let luminance = picture.luminance();
        let [columns, rows] = LAYOUT;
        let span = |at: usize, cells: usize, length: usize| {
            let from = at * length / cells;
            from..((at + 1) * length / cells).max(from + 1).min(length)
        };
        let cells = (0..rows).flat_map(|y| (0..columns).map(move |x| (x, y)));
        let mut cells: Vec<f32> = cells
            .map(|(x, y)| {
                let across = span(x, columns, luminance.columns());
                let down = span(y, rows, luminance.rows());
                let count = (across.len() * down.len()).max(1) as f32;
                let sum: f32 = down
                    .map(|y| luminance.row(y)[across.clone()].iter().sum::<f32>())
                    .sum();
                (sum / count + FLARE).ln()
            })
            .collect();
        let mean = cells.iter().sum::<f32>() / cells.len() as f32;
        cells.iter_mut().for_each(|v| *v -= mean);
        let length = cells.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-6);
        cells.iter_mut().for_each(|v| *v /= length);
        Self(cells)
    }

    /// Correlation, -1..1.
    fn likeness(&self, other: &Self) -> f32 {
        self.0.iter().zip(&other.0).map(|(a, b)| a * b).sum()
    }
}
