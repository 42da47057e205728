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

    /// When it was taken, as the camera tells (EXIF `DateTimeOriginal`).
    pub fn taken_at(&self) -> Option<&str> {
        self.facts.date_time_original.as_deref()
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
        match set_up_of(looks, &groups, index) {
            Some(g) => groups[g].push(index),
            None => groups.push(vec![index]),
        }
    }
    groups
}

/// The set-up among `groups` that a frame belongs to; none when it lines up with no other.
pub fn set_up_of(looks: &[Look], groups: &[Vec<usize>], index: usize) -> Option<usize> {
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
    tried.par_iter().find_map_first(|&(m, g)| {
        let lies = register(&looks[m].features, &small);
        lies.ok().map(|_| g)
    })
}

/// Minutes without a frame after which the same view may have got another plate: the sun has moved
/// on by a hand's width, and people come back to a place.
const LONG_BREAK_MINUTES: i64 = 60;

/// Sorts a shoot: set-ups with what came of the search for their plates.
///
/// Frames of one view with a long break between them are set-ups of their own where each part has a
/// plate of its own, and one set-up otherwise.
pub fn sort(looks: &[Look]) -> Vec<(Vec<usize>, PlateSought)> {
    let mut sorted = Vec::new();
    for members in group(looks) {
        let parts = split_at_breaks(looks, &members);
        if parts.len() > 1 {
            let sought: Vec<_> = parts.iter().map(|part| find_plate(looks, part)).collect();
            let each_has_one = sought
                .iter()
                .all(|s| matches!(s, PlateSought::Found { .. }));
            if each_has_one {
                sorted.extend(parts.into_iter().zip(sought));
                continue;
            }
        }
        let sought = find_plate(looks, &members);
        sorted.push((members, sought));
    }
    sorted
}

fn split_at_breaks(looks: &[Look], members: &[usize]) -> Vec<Vec<usize>> {
    let time = |m: usize| minutes(looks[m].facts.date_time_original.as_deref()?);
    let mut parts: Vec<Vec<usize>> = Vec::new();
    let mut last = None;
    for &member in members {
        let now = time(member);
        let breaks = matches!((last, now), (Some(a), Some(b)) if b - a >= LONG_BREAK_MINUTES);
        match parts.last_mut() {
            Some(part) if !breaks => part.push(member),
            _ => parts.push(vec![member]),
        }
        last = now.or(last);
    }
    parts
}

/// Minutes of an EXIF time (`YYYY:MM:DD HH:MM:SS`) on a calendar whose months all have 31 days:
/// right within a month, and never too short a break.
fn minutes(time: &str) -> Option<i64> {
    let numbers: Option<Vec<i64>> = time.split([':', ' ']).map(|n| n.parse().ok()).collect();
    match numbers?[..] {
        [year, month, day, hour, minute, _] => {
            Some(((year * 12 + month) * 31 + day) * 1440 + hour * 60 + minute)
        }
        _ => None,
    }
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
        for cell in &mut cells {
            *cell -= mean;
        }
        let length = cells.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-6);
        for cell in &mut cells {
            *cell /= length;
        }
        Self(cells)
    }

    /// Correlation, -1..1.
    fn likeness(&self, other: &Self) -> f32 {
        self.0.iter().zip(&other.0).map(|(a, b)| a * b).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn breaks_are_told_over_midnight_and_month_ends() {
        let gap = |a: &str, b: &str| minutes(b).unwrap() - minutes(a).unwrap();
        assert_eq!(gap("2026:06:14 15:12:27", "2026:06:14 16:12:30"), 60);
        assert_eq!(gap("2026:06:14 23:50:00", "2026:06:15 00:10:00"), 20);
        assert!(gap("2026:02:28 12:00:00", "2026:03:01 12:00:00") >= 1440);
        assert_eq!(minutes("    :  :     :  :  "), None);
    }

    #[test]
    fn a_picture_is_most_like_itself() {
        let picture = |phase: f32| SceneLinear {
            channels: std::array::from_fn(|_| {
                crate::scene::Plane::from_fn(
                    Size {
                        columns: 240,
                        rows: 160,
                    },
                    |x, y| 0.3 + 0.2 * (x as f32 * 0.05 + phase).sin() * (y as f32 * 0.04).cos(),
                )
            }),
        };
        let (one, other) = (Layout::of(&picture(0.0)), Layout::of(&picture(1.6)));
        assert!((one.likeness(&one) - 1.0).abs() < 1e-4);
        assert!(one.likeness(&other) < 0.8);
    }
}
