//! Did exposure, white balance, picture style or the light itself change?
//!
//! Read where both frames show the same surface. Flash only adds light to the ground and none to the
//! sky, so the sky's ratio and the low end of the ground's tell what changed everywhere; a setting of
//! the camera changes both alike.

use super::camera::EXPOSURE_STEP;
use super::{Fault, Measured, Pair, Reason, Shot, Told, Unit};
use crate::numeric::robust::{median, quantile};
use crate::pipeline::Overview;
use crate::scene::chroma;

/// Side of the cells in which ratios are read, px of the small copy.
const CELL: usize = 8;
/// Structure agreement from which a cell shows the same surface in both frames.
const SAME_SURFACE: f32 = 0.85;
/// Texture (standard deviation of ln light) that makes an agreement evidence rather than luck.
const LEAST_TEXTURE: f32 = 0.03;
/// Share of the picture from which a sky that is not clipped is believed: windows and white walls that
/// are taken for sky are smaller.
const LEAST_SKY: f64 = 0.1;
/// Fewest cells that tell a level.
const LEAST_CELLS: usize = 40;
/// Codes near either end say nothing: shares of white, scene-linear.
const TELLING_LIGHT: std::ops::Range<f32> = 0.004..0.9;
/// The ground's level is that of its least flashed cells: between these quantiles of the ratio.
const LOW_CELLS: [f64; 2] = [0.05, 0.35];
/// Those cells agree within this when no flash reaches them, stops; a room lit to its corners by the
/// flash falls off by more from wall to wall (inverse square: 0.3 stops for 10 % of distance).
const NARROW: f64 = 0.3;
/// Sky and ground agree within this when a setting changed, stops; clouds alone change by as much.
const ALIKE: f64 = 0.25;
/// Light from which a channel is clipped, share of white.
const WHITE: f32 = 0.98;
/// What flash adds to the ground's least flashed third at most, stops.
const MOST_ADDED: f64 = 0.4;
/// Sunlight against shade: a change that spoils the picture's light, stops.
const MOST_LIGHT: f64 = 0.5;
/// Stops of red over blue for a mired of colour temperature: CIE D55 to D65 (5503 and 6504 K, 28.0
/// mired; CIE 15) goes from 1.10 : 0.82 to 1 : 1 in linear sRGB, 0.42 stops.
const STOPS_PER_MIRED: f64 = 0.42 / 28.0;
/// Change of white balance that shows side by side: an eighth of a colour-correction gel is some 20
/// mired, and the least that gaffers use (common practice, no source).
const MOST_MIRED: f64 = 18.0;
/// Change of contrast: slope of ln lit over ln plate light against 1. From a neutral style to a vivid one
/// mid-tones steepen by a quarter and more (common practice, no source).
const MOST_CONTRAST: f64 = 0.25;
/// Change of saturation, likewise, as a share of chroma.
const MOST_SATURATION: f64 = 0.15;
/// CIELAB chroma from which a colour tells saturation.
const COLOURFUL: f32 = 15.0;
/// Brightness classes over which contrast is read, and fewest of them.
const CLASSES: usize = 10;
const LEAST_CLASSES: usize = 5;
/// Cells that a class needs.
const LEAST_IN_CLASS: usize = 12;

/// One cell of unmoved surface.
#[derive(Debug, Clone, Copy)]
struct Cell {
    /// lit / plate a channel, stops.
    stops: [f64; 3],
    /// log2 of the plate's light.
    level: f64,
    /// CIELAB chroma in the lit frame and the plate.
    chroma: [f64; 2],
}

/// What changed everywhere, stops a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    pub(super) stops: [f64; 3],
    /// From the low to the high end of the cells it was read from.
    pub(super) spread: f64,
}

impl Level {
    fn green(&self) -> f64 {
        self.stops[1]
    }

    /// Red over blue, mired; positive when the lit frame is the warmer.
    fn mired(&self) -> f64 {
        (self.stops[0] - self.stops[2]) / STOPS_PER_MIRED
    }
}

pub(super) fn reasons(pair: &Pair<'_>) -> Vec<Reason> {
    let (ground_cells, sky_cells) = cells(&pair.over);
    let all = pair.over.labels.size().area() / (CELL * CELL);
    let (ground, sky) = (ground_level(&ground_cells), sky_level(&sky_cells, all));
    let mut reasons = Vec::new();
    reasons.extend(changed(pair, ground, sky));
    reasons.extend(balance(pair, ground, sky));
    // A flash that reaches everywhere lightens dark walls more than light ones.
    if ground.is_some_and(|g| g.spread < NARROW) {
        reasons.extend(style(pair, &ground_cells));
    }
    reasons
}

/// Cells of ground and of sky.
fn cells(over: &Overview) -> (Vec<Cell>, Vec<Cell>) {
    let size = over.lit.size();
    let (mut ground, mut sky) = (Vec::new(), Vec::new());
    for top in (0..size.rows.saturating_sub(CELL - 1)).step_by(CELL) {
        for left in (0..size.columns.saturating_sub(CELL - 1)).step_by(CELL) {
            let Some((cell, is_sky)) = cell(over, left, top) else {
                continue;
            };
            if is_sky {
                sky.push(cell);
            } else {
                ground.push(cell);
            }
        }
    }
    (ground, sky)
}

fn cell(over: &Overview, left: usize, top: usize) -> Option<(Cell, bool)> {
    let columns = over.lit.size().columns;
    let (mut sums, mut light, mut open, mut agreement, mut texture) =
        ([0.0f32; 3], 0.0, 0, 0.0, 0.0);
    let (mut lit, mut plate) = ([0.0f32; 3], [0.0f32; 3]);
    for y in top..top + CELL {
        for x in left..left + CELL {
            let i = y * columns + x;
            let label = over.labels.as_slice()[i];
            let telling = over.lit.channels.iter().chain(&over.plate.channels);
            let tells = telling
                .into_iter()
                .all(|c| TELLING_LIGHT.contains(&c.as_slice()[i]));
            if !over.usable.as_slice()[i] || label.is_removed() || label.is_person() || !tells {
                return None;
            }
            for (c, sum) in sums.iter_mut().enumerate() {
                *sum += over.log_ratio[c].as_slice()[i];
            }
            light += over.plate.channels[1].as_slice()[i];
            open += usize::from(over.sky.as_slice()[i]);
            agreement += over.agreement.as_slice()[i];
            texture += over.plate_texture.as_slice()[i];
            for (sum, seen) in [(&mut lit, &over.lit_seen), (&mut plate, &over.plate_seen)] {
                for (s, v) in sum.iter_mut().zip(seen.at_index(i)) {
                    *s += v;
                }
            }
        }
    }
    let count = (CELL * CELL) as f32;
    let is_sky = open == CELL * CELL;
    let same = agreement / count > SAME_SURFACE && texture / count > LEAST_TEXTURE;
    if !is_sky && (open > 0 || !same) {
        return None;
    }
    let mean = |sum: [f32; 3]| sum.map(|v| v / count);
    let cell = Cell {
        stops: sums.map(|s| f64::from(s / count) / std::f64::consts::LN_2),
        level: f64::from(light / count).log2(),
        chroma: [mean(lit), mean(plate)].map(|lab| f64::from(chroma(lab))),
    };
    Some((cell, is_sky))
}

fn ground_level(cells: &[Cell]) -> Option<Level> {
    if cells.len() < LEAST_CELLS {
        return None;
    }
    let mut greens: Vec<f64> = cells.iter().map(|c| c.stops[1]).collect();
    let [low, high] = LOW_CELLS.map(|share| quantile(&mut greens, share).unwrap_or(0.0));
    let within: Vec<&Cell> = cells
        .iter()
        .filter(|c| (low..=high).contains(&c.stops[1]))
        .collect();
    let stops = std::array::from_fn(|k| {
        let mut values: Vec<f64> = within.iter().map(|c| c.stops[k]).collect();
        median(&mut values).unwrap_or(0.0)
    });
    Some(Level {
        stops,
        spread: high - low,
    })
}

fn sky_level(cells: &[Cell], all: usize) -> Option<Level> {
    if cells.len() < LEAST_CELLS || (cells.len() as f64) < LEAST_SKY * all as f64 {
        return None;
    }
    let of = |k: usize, share: f64| {
        let mut values: Vec<f64> = cells.iter().map(|c| c.stops[k]).collect();
        quantile(&mut values, share).unwrap_or(0.0)
    };
    Some(Level {
        stops: std::array::from_fn(|k| of(k, 0.5)),
        spread: of(1, 0.75) - of(1, 0.25),
    })
}

/// By how much at least the plate is brighter, stops below 0, where its sky is white and the lit frame's
/// is not: no channel was lifted by less than what was missing. Half of the sky says so, or more.
fn brighter_by_its_sky(over: &Overview) -> Option<f64> {
    let size = over.sky.size().area();
    let (mut open, mut missing) = (0usize, Vec::new());
    for i in (0..size).filter(|&i| over.sky.as_slice()[i] && over.usable.as_slice()[i]) {
        open += 1;
        let channels = over.lit.channels.iter().zip(&over.plate.channels);
        let channels = channels.map(|(lit, plate)| (lit.as_slice()[i], plate.as_slice()[i]));
        let lifted = channels.filter(|(lit, plate)| *plate > WHITE && TELLING_LIGHT.contains(lit));
        let least = lifted.map(|(lit, _)| lit).reduce(f32::min);
        missing.extend(least.map(|lit| f64::from(lit).log2()));
    }
    let tells = open as f64 > LEAST_SKY * size as f64 && 2 * missing.len() > open;
    tells.then(|| median(&mut missing))?
}

/// By how much the plate is brighter (negative) or darker everywhere, and whether that was the camera.
fn changed(pair: &Pair<'_>, ground: Option<Level>, sky: Option<Level>) -> Option<Reason> {
    let told_by_ground = |g: Level| g.green() < 0.0 || g.spread < NARROW;
    let (stops, alike) = match (ground, sky) {
        (Some(g), Some(s)) if s.spread < NARROW => {
            let alike = is_of_camera(&g, &s);
            // Flash only adds: the change is no larger than the ground's, whatever a clipped sky says.
            let both = g.green().min(s.green());
            (if alike { both } else { g.green() }, alike)
        }
        // Clouds that moved say less than the ground.
        (Some(g), Some(s)) => (g.green(), is_of_camera(&g, &s) || told_by_ground(g)),
        (Some(g), None) => {
            let by_sky = brighter_by_its_sky(&pair.over).filter(|_| g.green() < 0.0);
            let stops = by_sky.map_or(g.green(), |by_sky| g.green().min(by_sky));
            (stops, told_by_ground(g))
        }
        (None, Some(s)) => (s.green(), true),
        (None, None) => return None,
    };
    let is_neutral = ground
        .or(sky)
        .is_some_and(|level| level.mired().abs() < MOST_MIRED);
    let settings_known = exposure_tags_agree(pair);
    let side = if stops > 0.0 { "darker" } else { "brighter" };
    let amount = stops.abs();
    if alike && is_neutral && !settings_known {
        let measured = Measured {
            value: amount,
            limit: EXPOSURE_STEP,
            unit: Unit::Stops,
        };
        let what = format!("the plate is {amount:.1} stops {side} all over: exposure was changed");
        let told = Told::of(Shot::Plate, what).advise(
            "set shutter, aperture and ISO by hand as for the lit frame, and shoot the plate again",
            "nothing: this much is evened out; set the exposure by hand for the next plate",
        );
        return Some(pair.reason(Fault::ExposureChanged, measured, None, told));
    }
    // A ground that is brighter while the sky is not may be the flash's doing.
    let by_flash = stops > 0.0 && !alike;
    (!by_flash).then(|| {
        let measured = Measured {
            value: amount,
            limit: MOST_LIGHT,
            unit: Unit::Stops,
        };
        let what = format!("the light changed: the plate is {amount:.1} stops {side}");
        let told = Told::of(Shot::Plate, what).advise(
            "wait until the light is as it was, and shoot the plate again",
            "nothing: the plate is relit by this much; shoot the next one sooner",
        );
        pair.reason(Fault::LightChanged, measured, None, told)
    })
}

/// Can one setting have changed both? Then the ground changed as the sky did, and by what flash adds.
fn is_of_camera(ground: &Level, sky: &Level) -> bool {
    (-ALIKE..MOST_ADDED).contains(&(ground.green() - sky.green()))
}

/// Do the tags say that nothing was changed?
fn exposure_tags_agree(pair: &Pair<'_>) -> bool {
    let (a, b) = (&pair.lit.camera, &pair.plate.camera);
    let known = a.exposure_time.is_some() && a.f_number.is_some() && a.iso.is_some();
    known && a.exposure_time == b.exposure_time && a.f_number == b.f_number && a.iso == b.iso
}

fn balance(pair: &Pair<'_>, ground: Option<Level>, sky: Option<Level>) -> Option<Reason> {
    let level = match (ground, sky) {
        (Some(ground), Some(sky)) => {
            let apart = (ground.mired() - sky.mired()).abs();
            // The smaller of the two where they disagree: a setting changes both.
            if apart < MOST_MIRED || ground.mired().abs() < sky.mired().abs() {
                ground
            } else {
                sky
            }
        }
        // A room that the flash lights to its corners takes on the flash's colour.
        (Some(ground), None) if ground.green() > 0.0 && ground.spread > NARROW => return None,
        (Some(level), None) | (None, Some(level)) => level,
        (None, None) => return None,
    };
    let measured = Measured {
        value: level.mired().abs(),
        limit: MOST_MIRED,
        unit: Unit::Mired,
    };
    let side = if level.mired() > 0.0 {
        "cooler"
    } else {
        "warmer"
    };
    let amount = measured.value;
    let what = format!("white balance was changed: the plate is {amount:.0} mired {side}");
    let auto = pair.plate.picture.auto_white_balance == Some(true);
    let now = if auto {
        "the camera chose the white balance: set it by hand, and shoot the plate again"
    } else {
        "set the white balance by hand for both, or develop both raw files alike"
    };
    let noted = "nothing: this much is evened out; set the white balance by hand from now on";
    let told = Told::of(Shot::Plate, what).advise(now, noted);
    Some(pair.reason(Fault::WhiteBalanceChanged, measured, None, told))
}

fn style(pair: &Pair<'_>, cells: &[Cell]) -> Option<Reason> {
    let contrast = contrast_change(cells).map(|slope| Measured {
        value: 100.0 * slope.abs(),
        limit: 100.0 * MOST_CONTRAST,
        unit: Unit::Percent,
    });
    let saturation = saturation_change(cells).map(|change| Measured {
        value: 100.0 * change.abs(),
        limit: 100.0 * MOST_SATURATION,
        unit: Unit::Percent,
    });
    let told = [(contrast, "contrast"), (saturation, "saturation")];
    let heaviest = told
        .into_iter()
        .filter_map(|(measured, name)| Some((measured?, name)))
        .max_by(|a, b| a.0.weight().total_cmp(&b.0.weight()));
    let (measured, name) = heaviest?;
    let what = format!(
        "the picture style was changed: {name} differs by {:.0} %",
        measured.value
    );
    let told = Told::of(Shot::Plate, what).advise(
        "use one picture style for both, or develop both raw files alike",
        "nothing: this much may be the light; keep one picture style",
    );
    Some(pair.reason(Fault::PictureStyleChanged, measured, None, told))
}

/// Slope of the ratio over brightness: of the least flashed cells of every brightness.
fn contrast_change(cells: &[Cell]) -> Option<f64> {
    let [low, high] = [0.02, 0.98].map(|share| {
        let mut levels: Vec<f64> = cells.iter().map(|c| c.level).collect();
        quantile(&mut levels, share)
    });
    let (low, high) = (low?, high?);
    let step = (high - low) / CLASSES as f64;
    let points: Vec<(f64, f64)> = (0..CLASSES)
        .filter_map(|k| {
            let class = low + k as f64 * step..low + (k + 1) as f64 * step;
            let inside: Vec<&Cell> = cells.iter().filter(|c| class.contains(&c.level)).collect();
            let mut ratios: Vec<f64> = inside.iter().map(|c| c.stops[1]).collect();
            (inside.len() >= LEAST_IN_CLASS)
                .then(|| Some((class.start + step / 2.0, quantile(&mut ratios, 0.2)?)))?
        })
        .collect();
    (points.len() >= LEAST_CLASSES).then(|| slope(&points))
}

/// Median of the slopes of all pairs of points. Source: Sen, "Estimates of the Regression Coefficient
/// Based on Kendall's Tau", 1968.
fn slope(points: &[(f64, f64)]) -> f64 {
    let mut slopes: Vec<f64> = (0..points.len())
        .flat_map(|i| (0..i).map(move |k| (i, k)))
        .map(|(i, k)| (points[i].1 - points[k].1) / (points[i].0 - points[k].0))
        .collect();
    median(&mut slopes).unwrap_or(0.0)
}

fn saturation_change(cells: &[Cell]) -> Option<f64> {
    let mut ratios: Vec<f64> = cells
        .iter()
        .filter(|c| c.chroma.iter().all(|&v| v > f64::from(COLOURFUL)))
        .map(|c| c.chroma[0] / c.chroma[1])
        .collect();
    (ratios.len() >= LEAST_CELLS)
        .then(|| median(&mut ratios))?
        .map(|ratio| ratio - 1.0)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::check::SmallFrame;
    use crate::photo::{self, ReadLimits};
    use crate::pipeline::SetUp;
    use crate::scene::Plane;

    fn cell(stops: [f64; 3], level: f64) -> Cell {
        Cell {
            stops,
            level,
            chroma: [20.0, 20.0],
        }
    }

    #[test]
    fn the_low_end_of_the_ground_is_what_flash_does_not_reach() {
        let unflashed = (0..60).map(|i| cell([-0.5; 3], f64::from(i) * 0.1));
        let flashed = (0..60).map(|i| cell([f64::from(i) * 0.05; 3], f64::from(i) * 0.1));
        let cells: Vec<Cell> = unflashed.chain(flashed).collect();
        let level = ground_level(&cells).unwrap();
        assert!((level.green() + 0.5).abs() < 1e-9 && level.spread < 1e-9);
        assert_eq!(ground_level(&cells[..10]), None);
    }

    /// CIE 15: D55 against D65 is 28 mired.
    #[test]
    fn daylights_are_told_apart_in_mired() {
        let level = Level {
            stops: [(1.104f64).log2(), 0.0, (0.823f64).log2()],
            spread: 0.0,
        };
        assert!((level.mired() - 28.0).abs() < 0.5, "{}", level.mired());
    }

    /// A white sky of the plate where the lit frame's has 0.7 of white, and red less: the lift that made
    /// red white made the others white, too.
    #[test]
    fn a_white_sky_tells_how_much_brighter_the_plate_is_at_least() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/boatyard/");
        let [lit, plate] = ["lit-1.jpg", "plate.jpg"].map(|name| {
            let photo = photo::read(&Path::new(folder).join(name), &ReadLimits::default());
            SmallFrame::of(&photo.unwrap()).small
        });
        let set_up = SetUp::new(vec![plate]).unwrap();
        let mut over = set_up.overview(0, &lit).unwrap();
        let size = over.sky.size();
        over.sky = Plane::filled(size, true);
        over.usable = over.sky.clone();
        over.lit.channels = [0.65, 0.7, 0.7].map(|light| Plane::filled(size, light));
        // Up to so many rows the plate's sky is white.
        let mut told = |rows: usize| {
            let light = |_, y| if y < rows { 1.0 } else { 0.8 };
            over.plate.channels = std::array::from_fn(|_| Plane::from_fn(size, light));
            brighter_by_its_sky(&over)
        };
        let least = told(size.rows * 6 / 10).unwrap();
        assert!((least - 0.65f64.log2()).abs() < 1e-6, "{least}");
        assert_eq!(told(size.rows * 4 / 10), None);
    }

    #[test]
    fn contrast_is_a_slope_over_brightness() {
        let cells: Vec<Cell> = (0..400)
            .map(|i| {
                let level = -6.0 + f64::from(i) * 0.015;
                cell([0.2 * level; 3], level)
            })
            .collect();
        let found = contrast_change(&cells).unwrap();
        assert!((found - 0.2).abs() < 0.02, "{found}");
    }
}
