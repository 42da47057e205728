//! Where each pixel of the lit frame lies in the plate, to a small part of a pixel, whatever moved.
//!
//! Both frames are looked at as log-luminance, tile by tile with gain and slope free, so that flash,
//! ambient light and shadow don't matter. A coarse guess (corners, phase correlation) is refined
//! down a pyramid by aligning many small tiles, each for itself with its own uncertainty, and
//! passing one robust map through those that agree: person, gear, clouds and leaves don't. What
//! neighbouring tiles agree on beyond the map, parallax and focus breathing, becomes a smooth field.

mod coarse;
mod features;
mod field;
mod fit;
mod record;
#[cfg(test)]
mod tests;
mod tiles;
mod warp;

pub use features::{Features, describe};
pub use field::ResidualField;
pub use fit::Model;
pub use warp::{warp_near, warp_plate_to_lit, warp_window};

use features::Appearance;
use fit::{Normalisation, choose, fit, residual, weight};
use tiles::{TileMatch, align};

use serde::{Deserialize, Serialize};

use crate::scene::{Homography, Point, SceneLinear, Size};

/// Guesses are tried on the first level whose long side is at most this many pixels.
const TRIAL_LONG_SIDE: usize = 700;
/// Tiles may end this many pixels of their level from where the map so far sends them.
const REACH_PX: f64 = 5.0;
/// Small tiles may end this many pixels from where the broad field sends them.
const SMALL_REACH_PX: f64 = 4.0;
/// Deviations of the map itself in pixels of the level, from the first cut-off to the last, on
/// coarse levels.
const COARSE_DEVIATIONS_PX: [f64; 3] = [2.0, 1.0, 0.5];
/// The same on the finest level, still without shear: clouds a few pixels off must not bend the map.
const TURN_DEVIATIONS_PX: [f64; 2] = [1.0, 0.5];
/// And for any map: the last is what parallax may leave. From a turn on, the first is left out.
const FINE_DEVIATIONS_PX: [f64; 4] = [1.0, 0.5, 0.25, 0.15];
/// How much more a tile says of the ground the lower it lies: at this power of its height a quarter of
/// ground outweighs three quarters of sky three times.
const GROUND_POWER: i32 = 4;
/// Share of the frame, from below, where no sky is under a portrait.
const SURELY_GROUND: f64 = 0.25;
/// A map must hold this many times better there than the one of most tiles to be tried as well.
const CLEARLY_BETTER: f64 = 1.5;
/// A guess is refined if it has this share of the best one's support on the coarse copy: a quarter of
/// ground under three quarters of sky has a third.
const WORTH_REFINING: f64 = 0.2;
/// Maps that send no corner of the coarse copy farther apart are one and the same guess.
const SAME_MAP_PX: f64 = 1.0;
/// A map that moves no corner of the frame by more than this is taken for none: resampling the
/// plate would cost more than the shift does.
const IDENTITY_BELOW_PX: f64 = 0.05;
/// Fewest tiles that must agree.
const LEAST_TILES: usize = 12;
/// Least share of the plate's textured tiles that must agree: chance puts 1 to 2 % in agreement.
const LEAST_SHARE: f64 = 0.06;

/// How the plate lies under a lit frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(
    into = "record::RegistrationRecord",
    try_from = "record::RegistrationRecord"
)]
pub struct Registration {
    /// How much of a map the tiles support.
    pub model: Model,
    /// Plate pixel to lit pixel, of the working copies that were registered.
    pub homography: Homography,
    /// Smooth displacement on top.
    pub field: Option<ResidualField>,
    /// Root mean square distance between where the agreeing tiles were found and where they are
    /// sent, pixels of the working copy.
    pub residual_px: f64,
    /// Tiles that agree.
    pub tiles: usize,
    /// Lit pixel to plate pixel, without the field.
    inverse: Homography,
}

/// The frames do not line up.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{tiles} places agree with the plate, {needed} needed")]
pub struct RegistrationError {
    /// Tiles that agree.
    pub tiles: usize,
    /// Tiles needed.
    pub needed: usize,
}

/// Finds where each pixel of `lit` lies in the plate. `lit` is a working copy of the plate's extent,
/// scene-linear. Holds about 5.5 bytes a pixel.
///
/// # Errors
/// [`RegistrationError`] when too few tiles agree on any map: another scene, or a camera that went
/// farther than 5 % of the width or 3 degrees.
pub fn register(plate: &Features, lit: &SceneLinear) -> Result<Registration, RegistrationError> {
    let size = lit.size();
    let lit = Appearance::of(lit);
    let levels = plate.tiles.len().min(lit.levels.len());
    let trial = (0..levels)
        .find(|&l| lit.levels[l].size().long_side() <= TRIAL_LONG_SIDE)
        .unwrap_or(levels - 1);
    let pair = Pair { plate, lit: &lit };
    let mut best: Option<Grounded> = None;
    let mut refused = None;
    for map in pair.guesses(trial) {
        let mut guess = Guess { map, field: None };
        for level in (1..=trial).rev() {
            guess = pair.refined(level, &guess);
        }
        match pair.finish(&guess, size) {
            Ok(found) if best.as_ref().is_none_or(|b| found.ground > b.ground) => {
                best = Some(found);
            }
            Ok(_) => {}
            Err(refusal) => refused = refused.or(Some(refusal)),
        }
    }
    let refusal = refused.unwrap_or(RegistrationError {
        tiles: 0,
        needed: LEAST_TILES,
    });
    best.map(|found| found.registration).ok_or(refusal)
}

/// A registration and how much of it is told by what lies low in the frame.
///
/// Clouds that drift keep their form for seconds: under a large sky two maps hold, and more tiles
/// may agree on the sky's. The ground is the one below.
struct Grounded {
    registration: Registration,
    /// Sum over the tiles that agree, each by how low it lies ([`GROUND_POWER`]).
    ground: f64,
}

/// What is known so far, in pixels of level 0.
struct Guess {
    map: Homography,
    field: Option<ResidualField>,
}

impl Guess {
    /// The same in pixels of a level that is `factor` times as large.
    fn scaled(&self, factor: f64) -> Self {
        Self {
            map: self.map.reduced(1.0 / factor),
            field: self.field.as_ref().map(|field| field.scaled(factor)),
        }
    }

    fn seen_at(&self, plate: Point) -> Point {
        let sent = self.map.apply(plate);
        self.field
            .as_ref()
            .map_or(sent, |field| field.seen_at(sent))
    }
}

/// The two frames at work.
struct Pair<'a> {
    plate: &'a Features,
    lit: &'a Appearance,
}

impl Pair<'_> {
    fn align(&self, level: usize, guess: impl Fn(Point) -> Point + Sync) -> Vec<TileMatch> {
        align(
            &self.plate.tiles[level],
            &self.plate.appearance.levels[level],
            &self.lit.levels[level],
            guess,
            REACH_PX,
        )
    }

    /// The smooth field on top of `map`: first from the tiles at hand, then finer from small ones.
    fn field(&self, map: &Homography, tiles: &[TileMatch], size: Size) -> Option<ResidualField> {
        let samples = field::samples(map, tiles);
        let broad = ResidualField::fitted(&ResidualField::broad(size), &samples)?;
        let small = align(
            &self.plate.small_tiles,
            &self.plate.appearance.levels[0],
            &self.lit.levels[0],
            |p| broad.seen_at(map.apply(p)),
            SMALL_REACH_PX,
        );
        let samples: Vec<_> = samples
            .into_iter()
            .chain(field::samples(map, &small))
            .collect();
        Some(broad.refined(size, &samples))
    }

    /// Maps worth refining, the plainest first.
    fn guesses(&self, level: usize) -> Vec<Homography> {
        let size = self.lit.levels[level].size();
        let mut tried: Vec<(f64, Homography)> = Vec::new();
        for guess in coarse::guesses(&self.plate.appearance, self.lit) {
            let start = guess.reduced(factor_of(level));
            let tiles = self.align(level, |p| start.apply(p));
            let map = self.fitted(level, &tiles, &start);
            let below = ground_below(&tiles, &map, size);
            for (worth, map) in [(support(&map, &tiles), Some(map)), (f64::INFINITY, below)] {
                let same = |other: &Homography| {
                    map.is_none_or(|map| farthest_apart(other, &map, size) < SAME_MAP_PX)
                };
                if let Some(map) = map.filter(|_| !tried.iter().any(|(_, other)| same(other))) {
                    tried.push((worth, map));
                }
            }
        }
        let finite = tried.iter().map(|(worth, _)| *worth);
        let most = finite.filter(|w| w.is_finite()).fold(0.0, f64::max);
        let full = 1.0 / factor_of(level);
        let worth = tried
            .iter()
            .filter(|(worth, _)| *worth >= WORTH_REFINING * most);
        worth.map(|(_, map)| map.reduced(full)).collect()
    }

    fn fitted(&self, level: usize, tiles: &[TileMatch], start: &Homography) -> Homography {
        let size = self.lit.levels[level].size();
        let frame = Normalisation::of(size);
        let fitted =
            |model| fit(tiles, model, frame, start, &COARSE_DEVIATIONS_PX).unwrap_or(*start);
        if tiles.len() < 2 * LEAST_TILES {
            return fitted(Model::Similarity);
        }
        let coarsest = COARSE_DEVIATIONS_PX[COARSE_DEVIATIONS_PX.len() - 1];
        let ground = |map: &Homography| ground_support(map, tiles, size, coarsest);
        let (turned, free) = (fitted(Model::Turn), fitted(Model::Homography));
        if ground(&turned) > ground(&free) {
            turned
        } else {
            free
        }
    }

    /// One round on a level.
    fn refined(&self, level: usize, guess: &Guess) -> Guess {
        let start = guess.scaled(1.0 / factor_of(level));
        let tiles = self.align(level, |p| start.seen_at(p));
        let map = self.fitted(level, &tiles, &start.map);
        let broad = ResidualField::broad(self.lit.levels[level].size());
        let field = Some(broad.guessed(&field::samples(&map, &tiles)));
        Guess { map, field }.scaled(factor_of(level))
    }

    fn finish(&self, guess: &Guess, size: Size) -> Result<Grounded, RegistrationError> {
        let frame = Normalisation::of(size);
        let tiles = self.align(0, |p| guess.seen_at(p));
        let needed = LEAST_TILES.max((self.plate.tiles[0].len() as f64 * LEAST_SHARE) as usize);
        let fitted = |model, start: &Homography, deviations: &[f64]| {
            fit(&tiles, model, frame, start, deviations).unwrap_or(*start)
        };
        let free = fitted(Model::Homography, &guess.map, &FINE_DEVIATIONS_PX);
        let turn = fitted(Model::Turn, &guess.map, &TURN_DEVIATIONS_PX);
        let turned = fitted(Model::Homography, &turn, &FINE_DEVIATIONS_PX[1..]);
        let finest = FINE_DEVIATIONS_PX[FINE_DEVIATIONS_PX.len() - 1];
        let ground = |map: &Homography| ground_support(map, &tiles, size, finest);
        let (best, deviations) = if ground(&turned) > ground(&free) {
            (turned, &FINE_DEVIATIONS_PX[1..])
        } else {
            (free, &FINE_DEVIATIONS_PX[..])
        };
        let ground = ground(&best);
        let agreeing = |map: &Homography| {
            tiles
                .iter()
                .filter(|tile| weight(map, tile, finest) > 0.0)
                .count()
        };
        let refusal = |tiles| RegistrationError { tiles, needed };
        let found = agreeing(&best);
        if found < needed {
            return Err(refusal(found));
        }
        let (model, homography) = choose(&tiles, frame, &best, deviations);
        if model == Model::Identity || moves_nothing(&homography, size) {
            let registration = Registration::identity(
                agreeing(&Homography::identity()),
                rms(
                    &tiles,
                    |tile| residual(&Homography::identity(), tile).norm(),
                    finest,
                ),
            );
            return Ok(Grounded {
                registration,
                ground,
            });
        }
        let field = self.field(&homography, &tiles, size);
        let registration = Registration {
            model,
            homography,
            field,
            residual_px: 0.0,
            tiles: 0,
            inverse: homography.inverse().ok_or(refusal(found))?,
        };
        let registration = registration.measured(&tiles, finest);
        Ok(Grounded {
            registration,
            ground,
        })
    }
}

impl Registration {
    /// Of pictures that were laid over each other before.
    pub fn aligned_before() -> Self {
        Self::identity(0, 0.0)
    }

    /// Nothing moved.
    fn identity(tiles: usize, residual_px: f64) -> Self {
        Self {
            model: Model::Identity,
            homography: Homography::identity(),
            field: None,
            residual_px,
            tiles,
            inverse: Homography::identity(),
        }
    }

    /// Where in the plate the lit pixel is taken from.
    pub fn plate_point(&self, lit: Point) -> Point {
        let moved = self.field.as_ref().map_or(lit, |field| {
            let d = field.at(lit);
            Point {
                x: lit.x - d.x,
                y: lit.y - d.y,
            }
        });
        self.inverse.apply(moved)
    }

    /// Where in the lit frame a plate pixel is seen.
    pub fn lit_point(&self, plate: Point) -> Point {
        let sent = self.homography.apply(plate);
        self.field
            .as_ref()
            .map_or(sent, |field| field.seen_at(sent))
    }

    /// Does every pixel stay where it is?
    pub fn is_identity(&self) -> bool {
        self.model == Model::Identity && self.field.is_none()
    }

    /// The same registration for frames `factor` times as large (their box-reduced copies were
    /// registered); `factor` below 1 for smaller ones.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            homography: self.homography.reduced(1.0 / factor),
            inverse: self.inverse.reduced(1.0 / factor),
            field: self.field.as_ref().map(|field| field.scaled(factor)),
            residual_px: self.residual_px * factor,
            ..*self
        }
    }

    fn measured(mut self, tiles: &[TileMatch], deviation: f64) -> Self {
        let distance = |tile: &TileMatch| {
            let left = residual(&self.homography, tile);
            let field = self
                .field
                .as_ref()
                .map_or(Point::default(), |f| f.at(tile.lit));
            (left.x - field.x).hypot(left.y - field.y)
        };
        let tiles_agreeing = tiles
            .iter()
            .filter(|tile| distance(tile) < agreement_limit(tile, deviation))
            .count();
        let residual_px = rms(tiles, distance, deviation);
        self.tiles = tiles_agreeing;
        self.residual_px = residual_px;
        self
    }
}

/// Farthest a tile may lie from the map and still agree, pixels.
fn agreement_limit(tile: &TileMatch, deviation: f64) -> f64 {
    3.0 * (0.5 * tile.covariance.trace() + deviation.powi(2)).sqrt()
}

/// Root mean square distance of the tiles that agree.
fn rms(tiles: &[TileMatch], distance: impl Fn(&TileMatch) -> f64, deviation: f64) -> f64 {
    let agreeing: Vec<f64> = tiles
        .iter()
        .map(|tile| (distance(tile), agreement_limit(tile, deviation)))
        .filter(|(distance, limit)| distance < limit)
        .map(|(distance, _)| distance.powi(2))
        .collect();
    (agreeing.iter().sum::<f64>() / agreeing.len().max(1) as f64).sqrt()
}

fn moves_nothing(map: &Homography, size: Size) -> bool {
    farthest_apart(map, &Homography::identity(), size) < IDENTITY_BELOW_PX
}

/// Sum over the tiles that agree, each by how low it lies ([`GROUND_POWER`]).
fn ground_support(map: &Homography, tiles: &[TileMatch], size: Size, deviation: f64) -> f64 {
    let agree = tiles.iter().filter(|t| weight(map, t, deviation) > 0.0);
    agree
        .map(|t| (t.lit.y / size.rows as f64).powi(GROUND_POWER))
        .sum()
}

fn support(map: &Homography, tiles: &[TileMatch]) -> f64 {
    tiles.iter().map(|tile| weight(map, tile, 1.0)).sum()
}

/// A map of the lower part of the frame alone, if `map` does not hold there and the tiles agree on
/// another: what holds for most tiles may be a large sky.
fn ground_below(tiles: &[TileMatch], map: &Homography, size: Size) -> Option<Homography> {
    let horizon = size.rows as f64 * (1.0 - SURELY_GROUND);
    let low = tiles.iter().filter(|tile| tile.lit.y > horizon);
    let low: Vec<TileMatch> = low.copied().collect();
    let frame = Normalisation::of(size);
    let found = fit(&low, Model::Shift, frame, map, &COARSE_DEVIATIONS_PX)?;
    let held = support(&found, &low);
    let holds = held >= LEAST_TILES as f64 && held > CLEARLY_BETTER * support(map, &low);
    holds.then_some(found)
}

/// Farthest distance between where two maps send a corner of the frame.
fn farthest_apart(a: &Homography, b: &Homography, size: Size) -> f64 {
    let (right, bottom) = (size.columns as f64 - 1.0, size.rows as f64 - 1.0);
    [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)]
        .into_iter()
        .map(|(x, y)| (a.apply(Point { x, y }), b.apply(Point { x, y })))
        .map(|(a, b)| (a.x - b.x).hypot(a.y - b.y))
        .fold(0.0, f64::max)
}

fn factor_of(level: usize) -> f64 {
    f64::from(1_u32 << level)
}
