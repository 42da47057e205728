//! Scenes on photographs that nobody here made.
//!
//! Person, gear and gear shadows of a rendered scene are set into a photograph; the photograph, knocked
//! by a fraction of a pixel, is the plate. Real haze, blur, leaves and skies are what rendered scenes
//! lack; what is drawn into them keeps its exact truth. Light that photograph and gear do not share and
//! shadows that fall across what stands there are the price: look at what the scorer calls left.

use std::error::Error;
use std::path::{Path, PathBuf};

use derig::change::as_seen;
use derig::photo::{self, ReadLimits};
use derig::pipeline::Frame;
use derig::scene::{
    Homography, Label, Perceived, Plane, Point, SceneLinear, Size, difference, srgb_from_linear,
};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, GrayImage, ImageEncoder};

use crate::scenes::{self, Scene};

/// By how much the plate lies beside the lit frames, px: a tripod that was touched.
const KNOCKS: [(f64, f64); 3] = [(0.8, -0.6), (0.0, 0.0), (2.3, 1.4)];
/// The plate's exposure over the lit frames' ambient light.
const AMBIENT: [f32; 3] = [0.96, 1.0, 1.06];
/// How far the plate's sky has gone, px, where a picture beside the photograph says what is sky.
const DRIFT: (f64, f64) = (14.0, 2.0);
/// Gain of the flash in the middle of its pool.
const POOL: f32 = 0.5;
/// Variance of the sensor's noise: of the light, and of the dark (scene-linear, white is 1).
const SHOT_NOISE: (f32, f32) = (2.5e-4, 2e-6);
/// A difference from here on must be replaced, as in the rendered scenes (CIE94 here).
const TO_REPLACE: f32 = 1.5;
/// Quality of the frames, and of the truth.
const QUALITY: (u8, u8) = (94, 97);

/// Sets the frames of `set` into the photographs of a folder, one scene a photograph.
pub fn compose(photographs: &Path, set: &Path, out: &Path) -> Result<(), Box<dyn Error>> {
    let donors = scenes::folders(set)?;
    for (number, path) in pictures(photographs)?.iter().enumerate() {
        let folder = &donors[number % donors.len()];
        let scene = scenes::read(folder)?;
        let name = path.file_stem().unwrap_or_default().to_string_lossy();
        let name = format!("{}-{}", name.to_lowercase(), scene.name);
        let into = out.join(&name);
        std::fs::create_dir_all(&into)?;
        Composer::new(path, &scene, number)?.write(folder, &into, &name)?;
        println!("{name}");
    }
    Ok(())
}

fn pictures(folder: &Path) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder)?
        .filter_map(|entry| entry.ok().map(|e| e.path()))
        .filter(|path| {
            path.extension()
                .is_some_and(|e| e.eq_ignore_ascii_case("jpg"))
        })
        .collect();
    found.sort();
    Ok(found)
}

struct Composer<'a> {
    donor: &'a Scene,
    number: usize,
    /// The photograph at the donor's size.
    base: SceneLinear,
    plate: SceneLinear,
    sky: Option<Plane<f32>>,
}

impl<'a> Composer<'a> {
    fn new(path: &Path, donor: &'a Scene, number: usize) -> Result<Self, Box<dyn Error>> {
        let size = donor.labels[0].size();
        let picture = linear(&read(path)?);
        let knock = KNOCKS[number % KNOCKS.len()];
        let base = fitted(&picture, size, (0.0, 0.0));
        let mut plate = fitted(&picture, size, knock);
        let beside = path.with_file_name(format!(
            "{}-sky.png",
            path.file_stem().unwrap_or_default().to_string_lossy()
        ));
        let sky = match beside.is_file() {
            true => Some(fitted(&linear(&read(&beside)?), size, (0.0, 0.0)).channels[1].clone()),
            false => None,
        };
        if let Some(sky) = &sky {
            let gone = |p: Point| Point {
                x: p.x - DRIFT.0,
                y: p.y - DRIFT.1,
            };
            let drifted = moved(&base, &gone);
            plate = mixed(&plate, &drifted, |x, y| {
                *sky.at(x, y) * at(sky, gone(point(x, y)))
            });
        }
        let ambient = AMBIENT[number % AMBIENT.len()];
        Ok(Self {
            donor,
            number,
            plate: scaled(&plate, |_, _| ambient),
            base,
            sky,
        })
    }

    fn write(&self, folder: &Path, into: &Path, name: &str) -> Result<(), Box<dyn Error>> {
        let save = |file: &str, picture: &SceneLinear, quality| {
            save_jpeg(&into.join(file), picture, quality)
        };
        save(
            "plate.jpg",
            &noisy(&self.plate, self.number as u32),
            QUALITY.0,
        )?;
        let maps = scenes::homographies(folder)?;
        let mut frames = Vec::new();
        for (index, map) in maps.iter().enumerate() {
            let n = index + 1;
            let ideal = read(&folder.join(format!("ideal-{n}.jpg")))?;
            let (lit, ideal, labels) = self.frame(index, &linear(&ideal), map);
            let seed = (self.number * 10 + n) as u32;
            save(&format!("lit-{n}.jpg"), &noisy(&lit, seed), QUALITY.0)?;
            save(&format!("ideal-{n}.jpg"), &ideal, QUALITY.1)?;
            let encoding = &self.donor.lit[index].encoding;
            let seen = [&lit, &ideal].map(|p| as_seen(p, &encoding.to_xyz));
            let clean = to_replace(&seen, &labels);
            save_grey(
                &into.join(format!("labels-{n}.png")),
                &labels.map(|l| l.index()),
            )?;
            save_grey(
                &into.join(format!("clean-{n}.png")),
                &clean.map(|&c| u8::from(c) * 255),
            )?;
            let (x, y) = KNOCKS[self.number % KNOCKS.len()];
            frames.push(serde_json::json!({
                "lit": format!("lit-{n}.jpg"), "ideal": format!("ideal-{n}.jpg"),
                "labels": format!("labels-{n}.png"), "clean": format!("clean-{n}.png"),
                "homography": [1.0, 0.0, x, 0.0, 1.0, y, 0.0, 0.0, 1.0],
            }));
        }
        let size = self.base.size();
        let facts = serde_json::json!({
            "name": name, "story": "", "notes": "", "width": size.columns, "height": size.rows,
            "plate": "plate.jpg", "frames": frames, "tags": ["photograph"],
        });
        std::fs::write(into.join("scene.json"), facts.to_string())?;
        Ok(())
    }

    /// Lit frame, truth and labels.
    fn frame(
        &self,
        index: usize,
        ideal: &SceneLinear,
        map: &Homography,
    ) -> (SceneLinear, SceneLinear, Plane<Label>) {
        // Hand-held frames of the donor are brought onto its plate: here is one tripod.
        let back = |p: Point| map.apply(p);
        let lit = moved(&linear(&self.donor.lit[index]), &back);
        let ideal = moved(ideal, &back);
        let size = lit.size();
        let labels = Plane::from_fn(size, |x, y| {
            let p = back(point(x, y));
            *self.donor.labels[index].at(
                (p.x + 0.5).clamp(0.0, (size.columns - 1) as f64) as usize,
                (p.y + 0.5).clamp(0.0, (size.rows - 1) as f64) as usize,
            )
        });
        let of = |label: Label| soft(&labels.map(|&l| f32::from(u8::from(l == label))));
        let (gear, person) = (of(Label::Gear), of(Label::Person));
        let shadow = shadow_of(&lit, &ideal, &labels);
        let feet = feet_of(&labels);
        let under_flash = scaled(&self.base, |x, y| {
            let (u, v) = (
                (x as f64 - feet.x) / 500.0,
                (y as f64 - feet.y + 150.0) / 350.0,
            );
            let open = self.sky.as_ref().map_or(0.0, |sky| *sky.at(x, y));
            1.0 + POOL * (-(u * u + v * v)).exp() as f32 * (1.0 - open)
        });
        let truth = mixed(&under_flash, &lit, |x, y| *person.at(x, y));
        let shaded = scaled(&under_flash, |x, y| *shadow.at(x, y));
        let picture = mixed(&shaded, &lit, |x, y| person.at(x, y).max(*gear.at(x, y)));
        let kept = |l: &Label| match l {
            Label::Gear | Label::GearShadow | Label::Person => *l,
            _ => Label::Other,
        };
        (picture, truth, labels.map(kept))
    }
}

fn read(path: &Path) -> Result<Frame, Box<dyn Error>> {
    let photo = photo::read(path, &ReadLimits::default())?;
    Ok(Frame {
        samples: photo.samples,
        encoding: photo.encoding,
    })
}

fn linear(frame: &Frame) -> SceneLinear {
    frame.samples.reduced(&frame.encoding, 1)
}

fn point(x: usize, y: usize) -> Point {
    Point {
        x: x as f64,
        y: y as f64,
    }
}

/// The picture's lower middle in another size, as the camera would have seen it `knock` pixels aside:
/// means of 4 x 4 bilinear samples a pixel.
fn fitted(picture: &SceneLinear, size: Size, knock: (f64, f64)) -> SceneLinear {
    let from = picture.size();
    let scale =
        (from.columns as f64 / size.columns as f64).min(from.rows as f64 / size.rows as f64);
    let left = (from.columns as f64 - scale * size.columns as f64) / 2.0;
    let top = from.rows as f64 - scale * size.rows as f64;
    let channel = |plane: &Plane<f32>| {
        Plane::from_fn(size, |x, y| {
            let sum: f32 = (0..16)
                .map(|i| {
                    let (u, v) = (f64::from(i % 4) + 0.5, f64::from(i / 4) + 0.5);
                    let p = Point {
                        x: left + scale * (x as f64 + knock.0 + u / 4.0) - 0.5,
                        y: top + scale * (y as f64 + knock.1 + v / 4.0) - 0.5,
                    };
                    at(plane, p)
                })
                .sum();
            sum / 16.0
        })
    };
    SceneLinear {
        channels: picture.channels.each_ref().map(channel),
    }
}

/// Each pixel from where `from` says.
fn moved(picture: &SceneLinear, from: &(impl Fn(Point) -> Point + Sync)) -> SceneLinear {
    let channel =
        |plane: &Plane<f32>| Plane::from_fn(plane.size(), |x, y| at(plane, from(point(x, y))));
    SceneLinear {
        channels: picture.channels.each_ref().map(channel),
    }
}

/// Bilinear; beyond the border the border's.
fn at(plane: &Plane<f32>, p: Point) -> f32 {
    let (x, y) = (
        p.x.clamp(0.0, (plane.columns() - 1) as f64),
        p.y.clamp(0.0, (plane.rows() - 1) as f64),
    );
    let (l, t) = (x as usize, y as usize);
    let (r, b) = (
        (l + 1).min(plane.columns() - 1),
        (t + 1).min(plane.rows() - 1),
    );
    let (u, v) = ((x - l as f64) as f32, (y - t as f64) as f32);
    let above = plane.at(l, t) + u * (plane.at(r, t) - plane.at(l, t));
    let below = plane.at(l, b) + u * (plane.at(r, b) - plane.at(l, b));
    above + v * (below - above)
}

fn scaled(picture: &SceneLinear, gain: impl Fn(usize, usize) -> f32 + Sync) -> SceneLinear {
    let channel =
        |plane: &Plane<f32>| Plane::from_fn(plane.size(), |x, y| plane.at(x, y) * gain(x, y));
    SceneLinear {
        channels: picture.channels.each_ref().map(channel),
    }
}

/// `one` and `other` by the latter's share.
fn mixed(
    one: &SceneLinear,
    other: &SceneLinear,
    share: impl Fn(usize, usize) -> f32 + Sync,
) -> SceneLinear {
    let channel = |c: usize| {
        let (one, other) = (&one.channels[c], &other.channels[c]);
        Plane::from_fn(one.size(), |x, y| {
            one.at(x, y) + share(x, y) * (other.at(x, y) - one.at(x, y))
        })
    };
    SceneLinear {
        channels: std::array::from_fn(channel),
    }
}

/// Means of 3 x 3: the rim that a lens would have drawn.
fn soft(plane: &Plane<f32>) -> Plane<f32> {
    Plane::from_fn(plane.size(), |x, y| {
        let near = |v: usize, extent: usize| v.saturating_sub(1)..=(v + 1).min(extent - 1);
        let (columns, rows) = (near(x, plane.columns()), near(y, plane.rows()));
        let count = (columns.clone().count() * rows.clone().count()) as f32;
        let values = rows.flat_map(|y| columns.clone().map(move |x| (x, y)));
        values.map(|(x, y)| *plane.at(x, y)).sum::<f32>() / count
    })
}

/// Share of the light that the gear's shadow leaves, 0 to 1.
fn shadow_of(lit: &SceneLinear, ideal: &SceneLinear, labels: &Plane<Label>) -> Plane<f32> {
    let light = |p: &SceneLinear| {
        let sum = Plane::from_fn(p.size(), |x, y| p.channels.iter().map(|c| c.at(x, y)).sum());
        soft(&soft(&sum))
    };
    let (lit, ideal) = (light(lit), light(ideal));
    soft(&Plane::from_fn(labels.size(), |x, y| {
        match labels.at(x, y) {
            Label::GearShadow => ((lit.at(x, y) + 1e-3) / (ideal.at(x, y) + 1e-3)).clamp(0.3, 1.0),
            _ => 1.0,
        }
    }))
}

/// Where the person stands: middle and lowest row; the frame's lower middle where there is none.
fn feet_of(labels: &Plane<Label>) -> Point {
    let size = labels.size();
    let places = (0..size.rows).flat_map(|y| (0..size.columns).map(move |x| (x, y)));
    let (mut sum, mut count, mut lowest) = (0.0, 0.0, 0);
    for (x, y) in places.filter(|&(x, y)| *labels.at(x, y) == Label::Person) {
        sum += x as f64;
        count += 1.0;
        lowest = y;
    }
    if count == 0.0 {
        return point(size.columns / 2, size.rows * 9 / 10);
    }
    Point {
        x: sum / count,
        y: lowest as f64,
    }
}

fn to_replace([lit, ideal]: &[Perceived; 2], labels: &Plane<Label>) -> Plane<bool> {
    Plane::from_fn(labels.size(), |x, y| {
        let i = y * labels.columns() + x;
        let off = difference(lit.at_index(i), ideal.at_index(i)).0;
        off > TO_REPLACE && *labels.at(x, y) != Label::Person
    })
}

/// With the sensor's noise; the same for the same seed.
fn noisy(picture: &SceneLinear, seed: u32) -> SceneLinear {
    let channel = |c: usize| {
        let plane = &picture.channels[c];
        Plane::from_fn(plane.size(), |x, y| {
            let mut state = seed
                .wrapping_mul(0x9E37_79B1)
                .wrapping_add((x as u32).wrapping_mul(0x85EB_CA77))
                .wrapping_add((y as u32).wrapping_mul(0xC2B2_AE3D))
                .wrapping_add(c as u32 * 0x27D4_EB2F);
            let mut even = || {
                state ^= state << 13;
                state ^= state >> 17;
                state ^= state << 5;
                state as f32 / u32::MAX as f32
            };
            (0..4).for_each(|_| _ = even());
            // Twelve even numbers make a normal one.
            let normal = (0..12).map(|_| even()).sum::<f32>() - 6.0;
            let v = plane.at(x, y).max(0.0);
            v + normal * (SHOT_NOISE.0 * v + SHOT_NOISE.1).sqrt()
        })
    };
    SceneLinear {
        channels: std::array::from_fn(channel),
    }
}

fn save_jpeg(path: &Path, picture: &SceneLinear, quality: u8) -> Result<(), Box<dyn Error>> {
    let size = picture.size();
    let codes: Vec<u8> = (0..size.area())
        .flat_map(|i| {
            picture
                .at_index(i)
                .map(|v| (srgb_from_linear(f64::from(v).clamp(0.0, 1.0)) * 255.0).round() as u8)
        })
        .collect();
    let file = std::io::BufWriter::new(std::fs::File::create(path)?);
    JpegEncoder::new_with_quality(file, quality).write_image(
        &codes,
        size.columns as u32,
        size.rows as u32,
        ExtendedColorType::Rgb8,
    )?;
    Ok(())
}

fn save_grey(path: &Path, plane: &Plane<u8>) -> Result<(), Box<dyn Error>> {
    let size = plane.size();
    GrayImage::from_raw(
        size.columns as u32,
        size.rows as u32,
        plane.as_slice().to_vec(),
    )
    .ok_or("a plane of another size")?
    .save(path)?;
    Ok(())
}
