//! Which frame of a set-up is its plate.

use std::collections::BTreeMap;

use super::Look;
use crate::classify::classify;
use crate::pipeline::SetUp;
use crate::scene::Label;

/// A frame is emptier than another when this share of the picture more is uncovered by laying it
/// under the other than the other way round. Over the 32 evaluation set-ups the plate's least lead
/// was 0.13 %, and no lit frame led another by more than 0.06 % over all.
const LEAST_LEAD: f64 = 0.001;

/// Frames between which less than this share of the picture comes and goes show the same.
const SAME_EMPTINESS: f64 = 0.004;

/// Set-ups up to this many frames are compared all with all; in larger ones a candidate is compared
/// with a handful spread over the rest.
const ALL_COMPARED: usize = 5;

/// Frames that a candidate of a larger set-up must be emptier than.
const COMPARED: usize = 4;

/// What came of the search.
#[derive(Debug, Clone, PartialEq)]
pub enum PlateSought {
    /// Plates (the emptiest first), and why.
    Found {
        /// Their indices.
        plates: Vec<usize>,
        /// Why.
        reason: Reason,
    },
    /// Some frames could be it.
    Ambiguous {
        /// Their indices, the likeliest first.
        candidates: Vec<usize>,
        /// Why none is taken.
        why: &'static str,
    },
    /// There is no other frame of the view.
    Alone,
}

/// Why a frame is taken for the plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reason {
    /// Did the flash fire in the others and not in this one, as the tags tell?
    pub flash_tag: FlashTag,
    /// Least share of the picture that it uncovers beyond what it covers, over the frames compared.
    pub lead: f64,
}

/// What the flash tags say of a plate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlashTag {
    /// It alone was taken without.
    Agrees,
    /// Nothing that tells frames apart.
    Silent,
}

impl std::fmt::Display for Reason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let stands = format!("{:.1} % of the picture", 100.0 * self.lead);
        match self.flash_tag {
            FlashTag::Agrees => write!(
                f,
                "flash did not fire; shows {stands} more of the background"
            ),
            FlashTag::Silent => write!(f, "emptiest frame: shows {stands} more of the background"),
        }
    }
}

/// Finds the plate among the frames of a set-up.
pub fn find_plate(looks: &[Look], members: &[usize]) -> PlateSought {
    if members.len() < 2 {
        return PlateSought::Alone;
    }
    let mut comparing = Comparing::new(looks, members);
    let without: Vec<usize> = members
        .iter()
        .copied()
        .filter(|&m| looks[m].facts.flash_fired == Some(false))
        .collect();
    let some_fired = members
        .iter()
        .any(|&m| looks[m].facts.flash_fired == Some(true));
    let told = some_fired && !without.is_empty();
    let leader = comparing.leader(if told { &without } else { &[] });
    match leader {
        Leader::One { plates, lead } => {
            let tag_agrees = told && plates.iter().all(|p| without.contains(p));
            if told && !tag_agrees {
                let candidates = plates.into_iter().chain(without).collect();
                return PlateSought::Ambiguous {
                    candidates: each_once(candidates),
                    why: "the flash fired in the frame in which least stands",
                };
            }
            let flash_tag = if tag_agrees {
                FlashTag::Agrees
            } else {
                FlashTag::Silent
            };
            PlateSought::Found {
                plates,
                reason: Reason { flash_tag, lead },
            }
        }
        Leader::None { likeliest } => {
            let candidates = without.into_iter().filter(|_| told).chain(likeliest);
            PlateSought::Ambiguous {
                candidates: each_once(candidates.collect()),
                why: "no frame shows clearly more of the background than all others",
            }
        }
    }
}

fn each_once(list: Vec<usize>) -> Vec<usize> {
    let mut kept: Vec<usize> = Vec::new();
    for item in list {
        if !kept.contains(&item) {
            kept.push(item);
        }
    }
    kept
}

enum Leader {
    One { plates: Vec<usize>, lead: f64 },
    None { likeliest: Vec<usize> },
}

/// Frames laid over each other, each pair once.
struct Comparing<'a> {
    looks: &'a [Look],
    members: &'a [usize],
    /// Share of the picture that stands in the second and not in the first.
    stands: BTreeMap<(usize, usize), Option<f64>>,
}

impl<'a> Comparing<'a> {
    fn new(looks: &'a [Look], members: &'a [usize]) -> Self {
        Self {
            looks,
            members,
            stands: BTreeMap::new(),
        }
    }

    /// Share of the picture that stands in `lit` when `plate` is its plate; `None` when they do not
    /// line up.
    fn stands(&mut self, plate: usize, lit: usize) -> Option<f64> {
        let looks = self.looks;
        *self
            .stands
            .entry((plate, lit))
            .or_insert_with(|| standing_share(&looks[plate], &looks[lit]))
    }

    fn lead(&mut self, one: usize, other: usize) -> Option<f64> {
        Some(self.stands(one, other)? - self.stands(other, one)?)
    }

    /// The frame that is emptier than all it is compared with; with `candidates` only among them.
    fn leader(&mut self, candidates: &[usize]) -> Leader {
        let members = self.members;
        let small = members.len() <= ALL_COMPARED;
        let order: Vec<usize> = match (candidates, small) {
            ([], _) | (_, true) => from_the_ends(members),
            (some, false) => some.to_vec(),
        };
        let mut leads: Vec<(f64, usize)> = Vec::new();
        for &candidate in &order {
            let rivals = if small {
                members.to_vec()
            } else {
                spread(members, COMPARED)
            };
            let plates = self.plates_like(candidate, members, small);
            let mut least = f64::INFINITY;
            for rival in rivals.into_iter().filter(|r| !plates.contains(r)) {
                least = least.min(self.lead(candidate, rival).unwrap_or(f64::NEG_INFINITY));
                if !small && least < LEAST_LEAD {
                    break;
                }
            }
            if least.is_finite() && least >= LEAST_LEAD {
                return Leader::One {
                    plates,
                    lead: least,
                };
            }
            leads.push((least, candidate));
        }
        leads.sort_by(|a, b| b.0.total_cmp(&a.0));
        let likeliest = leads.into_iter().take(3).map(|(_, m)| m).collect();
        Leader::None { likeliest }
    }

    /// The candidate, and the frames that show the same emptiness: more plates.
    fn plates_like(&mut self, candidate: usize, members: &[usize], small: bool) -> Vec<usize> {
        let mut plates = vec![candidate];
        if small {
            for &other in members.iter().filter(|&&m| m != candidate) {
                let pair = (self.stands(candidate, other), self.stands(other, candidate));
                let same = matches!(pair, (Some(a), Some(b)) if a.max(b) < SAME_EMPTINESS);
                if same && self.is_unflashed(other) == self.is_unflashed(candidate) {
                    plates.push(other);
                }
            }
        }
        // Were all the same, nothing would tell a plate.
        if plates.len() == members.len() {
            plates.truncate(1);
        }
        plates
    }

    fn is_unflashed(&self, member: usize) -> bool {
        self.looks[member].facts.flash_fired == Some(false)
    }
}

/// Plates are shot first or last.
fn from_the_ends(members: &[usize]) -> Vec<usize> {
    let half = members.len().div_ceil(2);
    let ends = (0..half).flat_map(|i| [members[members.len() - 1 - i], members[i]]);
    each_once(ends.collect())
}

fn spread(members: &[usize], count: usize) -> Vec<usize> {
    let last = members.len() - 1;
    (0..count)
        .map(|i| members[i * last / (count - 1)])
        .collect()
}

/// Share of the picture that gear and person cover in `lit` and not in `plate`.
fn standing_share(plate: &Look, lit: &Look) -> Option<f64> {
    let set_up = SetUp::new(vec![plate.small.clone()]).ok()?;
    let examined = set_up.examine(0, &lit.small).ok()?;
    let classified = classify(&examined.regions, examined.known);
    let pieces = examined
        .regions
        .pieces
        .iter()
        .zip(&classified.probabilities);
    let covered: f64 = pieces
        .map(|(piece, p)| {
            let stands = p.of(Label::Gear) + p.of(Label::Person);
            piece.area as f64 * f64::from(stands)
        })
        .sum();
    Some(covered / lit.small.samples.size.area() as f64)
}
