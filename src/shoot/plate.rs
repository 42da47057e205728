//! Which frame of a set-up is its plate.

use std::collections::BTreeMap;

use super::Look;
use crate::classify::classify;
use crate::pipeline::SetUp;
use crate::region::PieceFeatures;
use crate::scene::Label;

/// A frame is emptier than another when it shows this share of the picture more of what lies behind
/// gear and person. Two poses differ so by chance as well: over the 34 evaluation set-ups by up to
/// 0.97 %, while a plate's lead began at 0.15 %. So a lead alone is no proof. This and the next two
/// were set on those set-ups; on altered copies of them they err a little (DEVELOPERS.md).
const LEAST_LEAD: f64 = 0.001;

/// The flash that one frame shows and the other does not: across the ground it brought this much,
/// ln units (8 % of the light). Over the evaluation set-ups two poses in the same light came to 0.074
/// at most; a pose over its plate began there, and but for one set-up at 0.089.
const FLASH_SPREAD: f64 = 0.082;

/// Without such light a frame is emptier only when of all that differs as gear and person do this
/// share more stands in the other. Of two poses each has what the other has not: the share came to
/// 0.22 there, and to 0.36 in the set-up without much light.
const ONE_SIDED: f64 = 0.3;

/// Keeps a rim without an edge in either frame from having a say, in the units of the pieces'
/// features. Set by judgement; other values were not tried.
const EDGE_FLOOR: f64 = 0.05;

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

/// A frame laid over another that is taken for its plate.
#[derive(Debug, Clone, Copy)]
struct Laid {
    /// Share of the picture that differs as gear and person do.
    stands: f64,
    /// The same, each piece by its sign: 1 where only the frame has an edge along its rim, so that
    /// the piece stands in it, -1 where only the plate has.
    beyond_plate: f64,
    /// How unevenly it is lit beyond the plate, ln units.
    light: f64,
}

/// How much emptier one frame is than another.
#[derive(Debug, Clone, Copy)]
struct Lead {
    /// Share of the picture that it shows more of.
    share: f64,
    /// Does something beside the share say so? Tags, light, or that nearly all that differs stands
    /// in the other.
    borne_out: bool,
}

impl Lead {
    /// Of a frame that does not line up with the other.
    const NONE: Self = Self {
        share: f64::NEG_INFINITY,
        borne_out: false,
    };

    /// Of a frame that lies `below` another as its plate, and `above` with the other as its plate.
    fn between(below: Laid, above: Laid, tags: FlashTag) -> Self {
        // Each piece is seen twice, with the sign turned.
        let share = (below.beyond_plate - above.beyond_plate) / 2.0;
        let differs = f64::midpoint(below.stands, above.stands);
        Self {
            share,
            borne_out: tags == FlashTag::Agrees
                || below.light >= FLASH_SPREAD
                || share >= ONE_SIDED * differs,
        }
    }

    fn is_sure(self) -> bool {
        self.borne_out && self.share >= LEAST_LEAD
    }
}

/// Frames laid over each other, each pair once.
struct Comparing<'a> {
    looks: &'a [Look],
    members: &'a [usize],
    /// The second laid over the first.
    laid: BTreeMap<(usize, usize), Option<Laid>>,
}

impl<'a> Comparing<'a> {
    fn new(looks: &'a [Look], members: &'a [usize]) -> Self {
        Self {
            looks,
            members,
            laid: BTreeMap::new(),
        }
    }

    /// `lit` laid over `plate`; `None` when they do not line up.
    fn laid(&mut self, plate: usize, lit: usize) -> Option<Laid> {
        let looks = self.looks;
        *self
            .laid
            .entry((plate, lit))
            .or_insert_with(|| lay_over(&looks[plate], &looks[lit]))
    }

    fn lead(&mut self, one: usize, other: usize) -> Option<Lead> {
        let (below, above) = (self.laid(one, other)?, self.laid(other, one)?);
        let tags = if self.is_unflashed(one) && self.flash_fired(other) {
            FlashTag::Agrees
        } else {
            FlashTag::Silent
        };
        Some(Lead::between(below, above, tags))
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
            let mut all_sure = true;
            for rival in rivals.into_iter().filter(|r| !plates.contains(r)) {
                let lead = self.lead(candidate, rival).unwrap_or(Lead::NONE);
                least = least.min(lead.share);
                all_sure &= lead.is_sure();
                if !small && !all_sure {
                    break;
                }
            }
            if all_sure && least.is_finite() {
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
                let pair = (self.laid(candidate, other), self.laid(other, candidate));
                let same =
                    matches!(pair, (Some(a), Some(b)) if a.stands.max(b.stands) < SAME_EMPTINESS);
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

    fn flash_fired(&self, member: usize) -> bool {
        self.looks[member].facts.flash_fired == Some(true)
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

/// What `lit` shows that `plate` does not; `None` when they do not line up.
fn lay_over(plate: &Look, lit: &Look) -> Option<Laid> {
    let set_up = SetUp::new(vec![plate.small.clone()]).ok()?;
    let examined = set_up.examine(0, &lit.small).ok()?;
    let classified = classify(&examined.regions, examined.known);
    let pieces = examined
        .regions
        .pieces
        .iter()
        .zip(&classified.probabilities);
    let (mut stands, mut beyond_plate) = (0.0, 0.0);
    for (piece, p) in pieces {
        let area = piece.area as f64 * f64::from(p.of(Label::Gear) + p.of(Label::Person));
        stands += area;
        beyond_plate += area * whose_edge(&piece.features);
    }
    let picture = lit.small.samples.size.area() as f64;
    Some(Laid {
        stands: stands / picture,
        beyond_plate: beyond_plate / picture,
        light: examined.light_spread(),
    })
}

/// 1 where a piece's rim is an edge of the lit frame alone, -1 where it is one of the plate alone: a
/// thing ends where its picture does, and what lies behind it goes on.
fn whose_edge(piece: &PieceFeatures) -> f64 {
    let [lit, plate] = [piece.rim_new_edge, piece.rim_lost_edge].map(f64::from);
    (lit - plate) / (lit + plate + EDGE_FLOOR)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of looks at two frames with this much beyond the plate, in % of the picture.
    fn lead(beyond_plate: [f64; 2], stands: f64, light: f64, tags: FlashTag) -> Lead {
        let [below, above] = beyond_plate.map(|percent| Laid {
            stands: stands / 100.0,
            beyond_plate: percent / 100.0,
            light,
        });
        Lead::between(below, above, tags)
    }

    #[test]
    fn two_poses_in_one_light_are_no_frame_and_plate_however_large_one_is() {
        // As measured on poses of evaluation set-ups without their plates.
        for (beyond_plate, stands, light) in [
            ([1.00, -0.27], 2.9, 0.025),
            ([1.14, -0.80], 5.3, 0.019),
            ([0.43, 0.08], 1.3, 0.074),
        ] {
            let lead = lead(beyond_plate, stands, light, FlashTag::Silent);
            assert!(lead.share >= LEAST_LEAD && !lead.is_sure());
        }
    }

    #[test]
    fn a_plate_is_known_by_its_light_by_what_differs_or_by_its_tag() {
        let (some, most) = ([1.76, 0.56], [2.74, -2.96]);
        assert!(lead(some, 4.6, 0.257, FlashTag::Silent).is_sure());
        assert!(lead(most, 7.3, 0.02, FlashTag::Silent).is_sure());
        assert!(lead(some, 4.6, 0.02, FlashTag::Agrees).is_sure());
        assert!(!lead(some, 4.6, 0.02, FlashTag::Silent).is_sure());
        // Nothing makes the fuller frame the plate, or one of two that are alike.
        for same in [[-2.96, 2.74], [0.5, 0.5]] {
            assert!(!lead(same, 7.3, 0.5, FlashTag::Agrees).is_sure());
        }
    }

    #[test]
    fn a_piece_stands_in_the_frame_whose_edge_it_has() {
        let piece = |lit, plate| PieceFeatures {
            rim_new_edge: lit,
            rim_lost_edge: plate,
            ..PieceFeatures::default()
        };
        assert!(whose_edge(&piece(1.0, 0.0)) > 0.9);
        assert!(whose_edge(&piece(0.0, 1.0)) < -0.9);
        assert!(whose_edge(&piece(0.005, 0.0)) < 0.1);
    }
}
