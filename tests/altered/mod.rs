//! Copies of a scene with one fault each, as a photographer's mishap would make it.

#![allow(dead_code, reason = "each user takes a part of it")]

mod beside;

use derig::numeric::filter::gaussian;
use derig::scene::{CodeValues, Label, Plane, Samples, Size, linear_from_srgb, srgb_from_linear};

/// A lit frame, its plate and the lit frame's true labels; 8-bit sRGB.
#[derive(Clone)]
pub(crate) struct Shots {
    pub(crate) lit: Samples,
    pub(crate) plate: Samples,
    pub(crate) labels: Plane<Label>,
}

/// One mishap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Mishap {
    /// Camera turned: everything lies 3 % of the width off.
    Shift,
    /// Zoom ring nudged by 3 %.
    Zoom,
    /// Out of focus: a Gaussian of 0.1 % of the width.
    Refocus,
    /// Half a stop more for the plate.
    BrighterPlate,
    /// Half a stop less.
    DarkerPlate,
    /// Plate some 40 mired warmer.
    WarmerPlate,
    /// Plate some 40 mired cooler.
    CoolerPlate,
    /// The person stands in the plate, before where the gear was.
    PersonLeft,
    /// The light was carried too little aside.
    GearLeft,
    /// The box was taken off, the stand left where it was.
    StandLeft,
    /// The same below a box that reaches over a border.
    StandLeftBelowBorder,
    /// Other clouds.
    OtherSky,
    /// The camera shook: everything smeared along the rows by 0.4 % of the width.
    ShakenPlate,
    /// A light stands half before the person.
    GearOnPerson,
    /// The gear's shadow falls across the ground and the person's legs.
    ShadowOnPerson,
    /// Flash glints on the face.
    Glints,
    /// Framed so tightly that the border cuts the light in two.
    PoolCut,
    /// The sky is white in both frames.
    SkyClipped,
}

pub(crate) const MISHAPS: [Mishap; 18] = [
    Mishap::Shift,
    Mishap::Zoom,
    Mishap::Refocus,
    Mishap::BrighterPlate,
    Mishap::DarkerPlate,
    Mishap::WarmerPlate,
    Mishap::CoolerPlate,
    Mishap::PersonLeft,
    Mishap::GearLeft,
    Mishap::StandLeft,
    Mishap::StandLeftBelowBorder,
    Mishap::OtherSky,
    Mishap::ShakenPlate,
    Mishap::GearOnPerson,
    Mishap::ShadowOnPerson,
    Mishap::Glints,
    Mishap::PoolCut,
    Mishap::SkyClipped,
];

/// Shares of the width.
const SHIFT: f64 = 0.03;
const DEFOCUS: f32 = 0.001;
const ZOOM: f64 = 1.03;
const SHAKE: f64 = 0.004;
/// Gains of red and blue for some 40 mired (CIE D55 to D65, 28 mired: 1.10 and 0.82).
const WARMER: [f64; 3] = [1.15, 1.0, 0.76];

impl Shots {
    /// A lit frame of a scene's folder, by its number from 1, with the plate.
    pub(crate) fn read(folder: &std::path::Path, number: usize) -> Self {
        let picture = |name: &str| {
            let photo =
                derig::photo::read(&folder.join(name), &derig::photo::ReadLimits::default());
            photo.expect("a scene's picture can be read").samples
        };
        let path = folder.join(format!("labels-{number}.png"));
        let labels = std::fs::read(path).expect("a scene has labels");
        let labels = image::load_from_memory(&labels).expect("labels are a PNG");
        let labels = labels.to_luma8();
        let size = Size {
            columns: labels.width() as usize,
            rows: labels.height() as usize,
        };
        let labels = labels.into_raw().into_iter().map(Label::from_index);
        Self {
            lit: picture(&format!("lit-{number}.jpg")),
            plate: picture("plate.jpg"),
            labels: Plane::from_vec(size, labels.collect()),
        }
    }
}

impl Mishap {
    /// The name of the fault that must be named first.
    pub(crate) fn fault(self) -> &'static str {
        match self {
            Self::Shift => "camera-moved",
            Self::Zoom => "zoomed",
            Self::Refocus | Self::ShakenPlate => "focus-changed",
            Self::BrighterPlate | Self::DarkerPlate => "exposure-changed",
            Self::WarmerPlate | Self::CoolerPlate => "white-balance-changed",
            Self::PersonLeft | Self::GearLeft => "stands-in-plate",
            Self::StandLeft | Self::StandLeftBelowBorder => "stand-left",
            Self::OtherSky => "other-sky",
            Self::GearOnPerson => "gear-touches-person",
            Self::ShadowOnPerson => "shadow-on-person",
            Self::Glints => "glint-on-person",
            Self::PoolCut => "pool-cut",
            Self::SkyClipped => "sky-clipped",
        }
    }

    /// Must it be named before all else? What spoils no plate, or only may, is told behind what does.
    pub(crate) fn comes_first(self) -> bool {
        !matches!(self, Self::Glints | Self::SkyClipped)
    }

    /// Is it found on any frame? The rest hangs on the classifier, which takes what touches the person
    /// for the person, and on what is seen of a stand: `xtask check-faults` counts it.
    pub(crate) fn is_found_anywhere(self) -> bool {
        !matches!(
            self,
            Self::StandLeftBelowBorder | Self::GearOnPerson | Self::ShadowOnPerson | Self::PoolCut
        )
    }

    /// The scene after the mishap; `None` where it cannot happen there (no gear, no sky, no person).
    pub(crate) fn happens_to(self, shots: &Shots) -> Option<Shots> {
        let mut after = shots.clone();
        match self {
            Self::Shift => return Some(shifted(shots)),
            Self::Zoom => after.plate = zoomed(&shots.plate),
            Self::Refocus => after.plate = defocused(&shots.plate),
            Self::BrighterPlate => after.plate = under_gains(&shots.plate, [2f64.sqrt(); 3]),
            Self::DarkerPlate => after.plate = under_gains(&shots.plate, [0.5f64.sqrt(); 3]),
            Self::WarmerPlate => after.plate = under_gains(&shots.plate, WARMER),
            Self::CoolerPlate => after.plate = under_gains(&shots.plate, WARMER.map(|g| 1.0 / g)),
            Self::PersonLeft => {
                let (gear, person) = (spot(shots, Label::Gear)?, spot(shots, Label::Person)?);
                // Not quite in the middle: some of the gear's place stays in sight.
                let aside = gear.0 as i64 - person.0 as i64;
                paste(&mut after.plate, shots, (aside, 0), |l, _| {
                    l == Label::Person
                });
            }
            Self::GearLeft => {
                let (left, right, _, _) = extent(shots, Label::Gear)?;
                let step = ((right - left) / 3) as i64;
                let roomy = right + step as usize + 1 < shots.lit.size.columns;
                let step = if roomy { step } else { -step };
                paste(&mut after.plate, shots, (step, 0), |l, _| l == Label::Gear);
            }
            Self::StandLeft | Self::StandLeftBelowBorder => {
                let below_border = self == Self::StandLeftBelowBorder;
                let from = below_the_box(shots).filter(|_| reaches_over(shots) == below_border)?;
                paste(&mut after.plate, shots, (0, 0), |l, y| {
                    l == Label::Gear && y > from
                });
            }
            Self::OtherSky => after.plate = with_other_sky(&shots.plate)?,
            Self::ShakenPlate => after.plate = smeared(&shots.plate),
            Self::GearOnPerson => after.lit = beside::gear_before_person(shots)?,
            Self::ShadowOnPerson => after.lit = beside::shadow_across_person(shots)?,
            Self::Glints => after.lit = beside::glints_on_face(shots)?,
            Self::PoolCut => return beside::cut_through_gear(shots),
            Self::SkyClipped => {
                let sky = open_sky(&shots.plate)?;
                after.lit = beside::white_where(&shots.lit, &sky);
                after.plate = beside::white_where(&shots.plate, &sky);
            }
        }
        Some(after)
    }
}

fn codes(samples: &Samples) -> &[u8] {
    match &samples.values {
        CodeValues::Eight(v) => v,
        CodeValues::Sixteen(_) => panic!("scenes are 8-bit JPEGs"),
    }
}

fn from_codes(size: Size, like: &Samples, values: Vec<u8>) -> Samples {
    Samples {
        size,
        layout: like.layout,
        values: CodeValues::Eight(values),
    }
}

/// Both frames cut to what a turned camera would show of both.
fn shifted(shots: &Shots) -> Shots {
    let size = shots.lit.size;
    let step = (SHIFT * size.columns as f64) as usize;
    let cut_size = Size {
        columns: size.columns - step,
        rows: size.rows,
    };
    Shots {
        lit: columns_of(&shots.lit, 0..cut_size.columns),
        plate: columns_of(&shots.plate, step..size.columns),
        labels: Plane::from_fn(cut_size, |x, y| *shots.labels.at(x, y)),
    }
}

/// A part of the picture, from top to bottom.
fn columns_of(samples: &Samples, part: std::ops::Range<usize>) -> Samples {
    let rows = codes(samples).chunks_exact(3 * samples.size.columns);
    let values = rows.flat_map(|row| row[3 * part.start..3 * part.end].to_vec());
    let size = Size {
        columns: part.len(),
        rows: samples.size.rows,
    };
    from_codes(size, samples, values.collect())
}

fn zoomed(plate: &Samples) -> Samples {
    let size = plate.size;
    let old = codes(plate);
    let centre = [size.columns, size.rows].map(|v| (v as f64 - 1.0) / 2.0);
    let mut values = Vec::with_capacity(old.len());
    for y in 0..size.rows {
        for x in 0..size.columns {
            let u = centre[0] + (x as f64 - centre[0]) / ZOOM;
            let v = centre[1] + (y as f64 - centre[1]) / ZOOM;
            for c in 0..3 {
                values.push(cubic(old, size, (u, v), c));
            }
        }
    }
    from_codes(size, plate, values)
}

/// Source of the kernel: Keys, "Cubic Convolution Interpolation for Digital Image Processing", 1981.
fn cubic(codes: &[u8], size: Size, (u, v): (f64, f64), channel: usize) -> u8 {
    let weight = |t: f64| {
        let t = t.abs();
        if t < 1.0 {
            1.5 * t.powi(3) - 2.5 * t * t + 1.0
        } else if t < 2.0 {
            -0.5 * t.powi(3) + 2.5 * t * t - 4.0 * t + 2.0
        } else {
            0.0
        }
    };
    let (left, top) = (u.floor() as i64 - 1, v.floor() as i64 - 1);
    let mut sum = 0.0;
    for y in top..top + 4 {
        for x in left..left + 4 {
            let column = x.clamp(0, size.columns as i64 - 1) as usize;
            let row = y.clamp(0, size.rows as i64 - 1) as usize;
            let code = codes[3 * (row * size.columns + column) + channel];
            sum += weight(u - x as f64) * weight(v - y as f64) * f64::from(code);
        }
    }
    sum.round().clamp(0.0, 255.0) as u8
}

fn linear(code: u8) -> f64 {
    linear_from_srgb(f64::from(code) / 255.0)
}

fn code_of(light: f64) -> u8 {
    (255.0 * srgb_from_linear(light.clamp(0.0, 1.0)) + 0.5) as u8
}

/// Every row smeared as a hand that presses too hard would.
fn smeared(plate: &Samples) -> Samples {
    let size = plate.size;
    let old = codes(plate);
    let reach = ((SHAKE * size.columns as f64 / 2.0).round() as usize).max(1);
    let values = (0..size.area()).flat_map(|i| {
        let (x, row) = (i % size.columns, i - i % size.columns);
        let part = x.saturating_sub(reach)..(x + reach + 1).min(size.columns);
        (0..3).map(move |c| {
            let lights = part.clone().map(|x| linear(old[3 * (row + x) + c]));
            code_of(lights.sum::<f64>() / part.len() as f64)
        })
    });
    from_codes(size, plate, values.collect())
}

fn defocused(plate: &Samples) -> Samples {
    let size = plate.size;
    let old = codes(plate);
    let planes: Vec<Plane<f32>> = (0..3)
        .map(|c| {
            let plane = Plane::from_fn(size, |x, y| {
                linear(old[3 * (y * size.columns + x) + c]) as f32
            });
            gaussian(&plane, DEFOCUS * size.columns as f32)
        })
        .collect();
    let values = (0..size.area()).flat_map(|i| {
        let planes = &planes;
        (0..3).map(move |c| code_of(f64::from(planes[c].as_slice()[i])))
    });
    from_codes(size, plate, values.collect())
}

fn under_gains(plate: &Samples, gains: [f64; 3]) -> Samples {
    let tables = gains.map(|gain| {
        let table: Vec<u8> = (0..=255).map(|code| code_of(gain * linear(code))).collect();
        table
    });
    let values = codes(plate).iter().enumerate();
    let values = values.map(|(i, &code)| tables[i % 3][usize::from(code)]);
    from_codes(plate.size, plate, values.collect())
}

/// Column and row of the middle of what carries a label; `None` when that is hardly anything.
fn spot(shots: &Shots, label: Label) -> Option<(usize, usize)> {
    let size = shots.labels.size();
    let places: Vec<usize> = (0..size.area())
        .filter(|&i| shots.labels.as_slice()[i] == label)
        .collect();
    if places.len() * 1000 < 3 * size.area() {
        return None;
    }
    let mean = |of: fn(usize, usize) -> usize| {
        places.iter().map(|&i| of(i, size.columns)).sum::<usize>() / places.len()
    };
    Some((mean(|i, c| i % c), mean(|i, c| i / c)))
}

/// Left, right, top, bottom of what carries a label.
fn extent(shots: &Shots, label: Label) -> Option<(usize, usize, usize, usize)> {
    spot(shots, label)?;
    let size = shots.labels.size();
    let places = (0..size.area()).filter(|&i| shots.labels.as_slice()[i] == label);
    let places: Vec<(usize, usize)> = places
        .map(|i| (i % size.columns, i / size.columns))
        .collect();
    let columns = || places.iter().map(|p| p.0);
    let rows = || places.iter().map(|p| p.1);
    Some((
        columns().min()?,
        columns().max()?,
        rows().min()?,
        rows().max()?,
    ))
}

/// Does the gear reach over the left, upper or right border?
fn reaches_over(shots: &Shots) -> bool {
    extent(shots, Label::Gear).is_some_and(|(left, right, top, _)| {
        left == 0 || top == 0 || right + 1 == shots.lit.size.columns
    })
}

/// Row from which only the stand is left of the gear: where its width falls below a third of the
/// largest and stays there for a sixth of the height at least.
fn below_the_box(shots: &Shots) -> Option<usize> {
    let (_, _, top, bottom) = extent(shots, Label::Gear)?;
    let width = |y: usize| {
        let row = shots.labels.row(y);
        row.iter().filter(|l| **l == Label::Gear).count()
    };
    let widest = (top..=bottom).map(width).max()?;
    let last_wide = (top..=bottom).rev().find(|&y| 2 * width(y) > widest)?;
    let from = (last_wide..bottom).find(|&y| 3 * width(y) < widest)?;
    (6 * (bottom - from) > shots.lit.size.rows).then_some(from)
}

/// Puts pixels of the lit frame into the plate, `step` aside.
fn paste(
    plate: &mut Samples,
    shots: &Shots,
    step: (i64, i64),
    wanted: impl Fn(Label, usize) -> bool,
) {
    let size = shots.lit.size;
    let from = codes(&shots.lit);
    let CodeValues::Eight(to) = &mut plate.values else {
        panic!("scenes are 8-bit JPEGs")
    };
    for y in 0..size.rows {
        for x in 0..size.columns {
            if !wanted(*shots.labels.at(x, y), y) {
                continue;
            }
            let (u, v) = (x as i64 + step.0, y as i64 + step.1);
            let inside = |v: i64, length: usize| (0..length as i64).contains(&v);
            if inside(u, size.columns) && inside(v, size.rows) {
                let (a, b) = (
                    3 * (y * size.columns + x),
                    3 * (v as usize * size.columns + u as usize),
                );
                to[b..b + 3].copy_from_slice(&from[a..a + 3]);
            }
        }
    }
}

/// The plate's sky, where it has one.
fn open_sky(plate: &Samples) -> Option<Plane<bool>> {
    use derig::scene::{Encoding, Perceived, XYZ_FROM_SRGB};
    let encoding = Encoding::srgb(256);
    let light = plate.reduced(&encoding, 1);
    let seen = Perceived::from_linear(&light, &XYZ_FROM_SRGB);
    let sky = derig::sky::find_sky(&light, &seen);
    (sky.share >= 0.05).then_some(sky.mask)
}

/// Fair-weather clouds that nobody saw there, in the light of the sky that was.
fn with_other_sky(plate: &Samples) -> Option<Samples> {
    let sky = open_sky(plate)?;
    let mut after = plate.clone();
    let CodeValues::Eight(to) = &mut after.values else {
        return None;
    };
    let size = plate.size;
    for y in 0..size.rows {
        for x in 0..size.columns {
            if *sky.at(x, y) {
                let cover = clouds(
                    x as f64 / size.columns as f64,
                    y as f64 / size.columns as f64,
                );
                let at = 3 * (y * size.columns + x);
                for (c, (blue, white)) in [(0.16, 0.80), (0.30, 0.80), (0.58, 0.82)]
                    .into_iter()
                    .enumerate()
                {
                    to[at + c] = code_of(blue + cover * (white - blue));
                }
            }
        }
    }
    Some(after)
}

/// Cover of clouds, 0..1: value noise of five octaves (Perlin's fractal sum, 1985).
fn clouds(x: f64, y: f64) -> f64 {
    let mut sum = 0.0;
    let (mut scale, mut weight) = (4.0, 0.5);
    for octave in 0..5 {
        sum += weight * noise(x * scale, 2.0 * y * scale, octave);
        scale *= 2.0;
        weight *= 0.5;
    }
    ((sum - 0.4) * 4.0).clamp(0.0, 1.0)
}

fn noise(x: f64, y: f64, seed: u64) -> f64 {
    let lattice = |i: f64, k: f64| {
        let mixed = (i as i64 as u64)
            .wrapping_mul(0x9e37_79b9_7f4a_7c15)
            .wrapping_add((k as i64 as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f))
            .wrapping_add(seed.wrapping_mul(0x1656_67b1_9e37_79f9));
        let mixed = (mixed ^ (mixed >> 31)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        ((mixed ^ (mixed >> 29)) >> 11) as f64 / (1u64 << 53) as f64
    };
    let (i, k) = (x.floor(), y.floor());
    let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
    let (u, v) = (smooth(x - i), smooth(y - k));
    let up = lattice(i, k) + u * (lattice(i + 1.0, k) - lattice(i, k));
    let down = lattice(i, k + 1.0) + u * (lattice(i + 1.0, k + 1.0) - lattice(i, k + 1.0));
    up + v * (down - up)
}
