//! The table of pixels near the outline of gear, and the model trained from it.

use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;

use derig::classify::{Evidence, Model, classify_with};
use derig::numeric::filter::box_mean;
use derig::outline::train::{PixelExample, train};
use derig::outline::{
    Measured, OutlineInputs, PIXEL_FEATURE_COUNT, PIXEL_FEATURE_NAMES, Side, measure,
};
use derig::pipeline::{Overview, SetUp};
use derig::scene::{Label, Plane};

use crate::scenes::{self, Scene};
use crate::table::{self, FOLDS, short};

/// Most rows a frame and a kind (side, right or wrong).
const MAX_ROWS: usize = 300;

/// What lies nearer to gear than this, px of the working copy, teaches nothing: its rim, and what
/// its penumbra touches.
const RIM: usize = 6;

struct Row {
    scene: String,
    example: PixelExample,
}

/// Writes the table: the pieces of each scene are judged by a model that never saw it.
pub fn build(set: &Path, pieces: &Path, table: &Path) -> Result<(), Box<dyn Error>> {
    let models = table::left_out_models(pieces, Evidence::WithPoses)?;
    let mut text = format!(
        "scene,frame,side,wrong,weight,{}\n",
        PIXEL_FEATURE_NAMES.join(",")
    );
    for (number, folder) in scenes::folders(set)?.into_iter().enumerate() {
        let scene = scenes::read(&folder)?;
        for (index, rows) in measure_scene(&scene, &folder, &models[number % FOLDS])?
            .into_iter()
            .enumerate()
        {
            for row in rows {
                write_row(&mut text, &scene.name, index + 1, &row)?;
            }
        }
        eprintln!("{}", scene.name);
    }
    std::fs::write(table, text)?;
    Ok(())
}

fn write_row(
    text: &mut String,
    scene: &str,
    frame: usize,
    row: &PixelExample,
) -> Result<(), Box<dyn Error>> {
    let side = side_name(row.side);
    let wrong = u8::from(row.is_wrong);
    write!(text, "{scene},{frame},{side},{wrong},{}", short(row.weight))?;
    for value in row.row {
        write!(text, ",{}", short(value))?;
    }
    text.push('\n');
    Ok(())
}

fn side_name(side: Side) -> &'static str {
    match side {
        Side::Inside => "inside",
        Side::Beside => "beside",
    }
}

fn measure_scene(
    scene: &Scene,
    folder: &Path,
    model: &Model,
) -> Result<Vec<Vec<PixelExample>>, Box<dyn Error>> {
    let mut set_up = SetUp::new(vec![scene.plate.clone()])?;
    for (index, lit) in scene.lit.iter().enumerate() {
        set_up.observe(index, lit)?;
    }
    let mut frames = Vec::new();
    for (index, lit) in scene.lit.iter().enumerate() {
        let overview = set_up.overview(index, lit)?;
        let classified = classify_with(model, &overview.regions);
        let seen = OutlineInputs {
            lit_seen: &overview.lit_seen,
            plate_seen: &overview.plate_seen,
            difference: &overview.difference,
        };
        let measured = measure(&overview.regions, &classified, &seen);
        let truth = Truth::read(&overview, folder, (scene, index))?;
        frames.push(examples(&measured, &truth));
    }
    Ok(frames)
}

/// What is true of a frame, at working size.
struct Truth {
    is_gear: Plane<bool>,
    to_go: Plane<bool>,
    near_what_goes: Plane<bool>,
}

impl Truth {
    fn read(
        overview: &Overview,
        folder: &Path,
        (scene, index): (&Scene, usize),
    ) -> Result<Self, Box<dyn Error>> {
        let full = scenes::to_replace(folder, index)?;
        let factor = overview.factor;
        let size = overview.labels.size();
        let at = |x: usize, y: usize| (x * factor + factor / 2, y * factor + factor / 2);
        let to_go = Plane::from_fn(size, |x, y| {
            let (x, y) = at(x, y);
            *full.at(x, y)
        });
        let labels = &scene.labels[index];
        let is_gear = Plane::from_fn(size, |x, y| {
            let (x, y) = at(x, y);
            *labels.at(x, y) == Label::Gear
        });
        let share = to_go.map(|&b| if b { 1.0f32 } else { 0.0 });
        let near_what_goes = box_mean(&share, RIM).map(|&s| s > 0.0);
        Ok(Self {
            is_gear,
            to_go,
            near_what_goes,
        })
    }

    /// Is a pixel on the wrong side? `None` where nobody can tell.
    fn is_wrong(&self, pixel: &Measured) -> Option<bool> {
        let at = |plane: &Plane<bool>| plane.as_slice()[pixel.index];
        match pixel.side {
            Side::Inside if at(&self.to_go) => Some(false),
            Side::Inside => (!at(&self.near_what_goes)).then_some(true),
            Side::Beside if at(&self.is_gear) => Some(true),
            Side::Beside => (!at(&self.near_what_goes)).then_some(false),
        }
    }
}

fn examples(measured: &[Measured], truth: &Truth) -> Vec<PixelExample> {
    let mut kinds = BTreeMap::<(Side, bool), Vec<&Measured>>::new();
    for pixel in measured {
        if let Some(is_wrong) = truth.is_wrong(pixel) {
            kinds.entry((pixel.side, is_wrong)).or_default().push(pixel);
        }
    }
    let ppm = 1e6 / truth.to_go.size().area() as f32;
    let mut out = Vec::new();
    for ((side, is_wrong), pixels) in kinds {
        let step = (pixels.len() as f32 / MAX_ROWS as f32).max(1.0);
        let count = (pixels.len() as f32 / step) as usize;
        out.extend((0..count).map(|i| PixelExample {
            row: pixels[(i as f32 * step) as usize].features.to_row(),
            side,
            is_wrong,
            weight: step * ppm,
        }));
    }
    out
}

fn read_table(table: &Path) -> Result<Vec<Row>, Box<dyn Error>> {
    let text = std::fs::read_to_string(table)?;
    let mut lines = text.lines();
    let header = lines.next().unwrap_or_default().split(',').skip(5);
    if !header.eq(PIXEL_FEATURE_NAMES.iter().copied()) {
        return Err("the table was made for other features: run `xtask pixels`".into());
    }
    lines.map(row_of_line).collect()
}

fn row_of_line(line: &str) -> Result<Row, Box<dyn Error>> {
    let cells: Vec<&str> = line.split(',').collect();
    if cells.len() != PIXEL_FEATURE_COUNT + 5 {
        return Err(format!("a row of the table has {} cells", cells.len()).into());
    }
    let side = match cells[2] {
        "inside" => Side::Inside,
        "beside" => Side::Beside,
        other => return Err(format!("unknown side `{other}`").into()),
    };
    let mut row = [0.0f32; PIXEL_FEATURE_COUNT];
    for (value, cell) in row.iter_mut().zip(&cells[5..]) {
        *value = cell.parse()?;
    }
    Ok(Row {
        scene: cells[0].to_owned(),
        example: PixelExample {
            row,
            side,
            is_wrong: cells[3] == "1",
            weight: cells[4].parse()?,
        },
    })
}

/// Trains the model, and prints what models that never saw a scene make of its pixels.
pub fn train_model(table: &Path, models: &Path) -> Result<(), Box<dyn Error>> {
    let rows = read_table(table)?;
    let all: Vec<PixelExample> = rows.iter().map(|r| r.example.clone()).collect();
    let model = train(&all);
    std::fs::write(
        models.join("pixels.json"),
        serde_json::to_string(&model)? + "\n",
    )?;
    println!("pixels: {} examples", all.len());
    left_out(&rows)
}

fn left_out(rows: &[Row]) -> Result<(), Box<dyn Error>> {
    const LEVELS: [f32; 4] = [0.5, 0.7, 0.8, 0.9];
    let mut names: Vec<&str> = rows.iter().map(|r| r.scene.as_str()).collect();
    names.dedup();
    // By side and level: ppm of wrong pixels that were found, of right ones that were spoiled.
    let mut mended = [[[0.0f64; 2]; LEVELS.len()]; 2];
    let mut all = [[0.0f64; 2]; 2];
    for fold in 0..FOLDS {
        let held: Vec<&str> = names.iter().skip(fold).step_by(FOLDS).copied().collect();
        let is_held = |row: &Row| held.contains(&row.scene.as_str());
        let seen: Vec<PixelExample> = rows
            .iter()
            .filter(|r| !is_held(r))
            .map(|r| r.example.clone())
            .collect();
        let model = train(&seen);
        for row in rows.iter().filter(|r| is_held(r)) {
            let e = &row.example;
            let probability = model.changes_side(e.side, &e.row);
            let (side, kind) = (e.side as usize, usize::from(!e.is_wrong));
            all[side][kind] += f64::from(e.weight);
            for (level, mended) in LEVELS.iter().zip(&mut mended[side]) {
                if probability > *level {
                    mended[kind] += f64::from(e.weight);
                }
            }
        }
    }
    for side in [Side::Inside, Side::Beside] {
        let [wrong, right] = all[side as usize];
        println!(
            "{}: {wrong:.0} ppm wrong, {right:.0} ppm right",
            side_name(side)
        );
        for (level, [found, spoiled]) in LEVELS.iter().zip(mended[side as usize]) {
            println!("  above {level}: {found:.0} ppm found, {spoiled:.0} ppm spoiled");
        }
    }
    Ok(())
}
