//! The training table: one measured piece a row.

use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;

use derig::classify::train::{Example, train};
use derig::classify::{Evidence, Model};
use derig::pipeline::{Examined, Frame, SetUp};
use derig::region::{FEATURE_COUNT, FEATURE_NAMES};
use derig::scene::{CodeValues, LABELS, Label, Plane};

use crate::scenes::{self, Scene};

/// Share of a piece that must be of one class for the piece to teach it.
const MIN_PURITY: f32 = 0.65;

/// Most rows a frame and a class: leaves and clouds must not drown the rest.
const MAX_ROWS: usize = 110;

struct Row {
    scene: String,
    frame: usize,
    example: Example,
}

pub fn build(set: &Path, table: &Path) -> Result<(), Box<dyn Error>> {
    let mut text = format!("scene,frame,label,pixels,{}\n", FEATURE_NAMES.join(","));
    for folder in scenes::folders(set)? {
        let scene = scenes::read(&folder)?;
        let mut rows = measure(&scene, &scene.plate)?;
        rows.extend(measure(&scene, &plate_with_somebody(&scene))?);
        for row in rows {
            let e = &row.example;
            write!(
                text,
                "{},{},{},{}",
                row.scene,
                row.frame,
                e.label.name(),
                e.area
            )?;
            for value in e.row {
                write!(text, ",{}", short(value))?;
            }
            text.push('\n');
        }
        eprintln!("{}", scene.name);
    }
    std::fs::write(table, text)?;
    Ok(())
}

/// Four significant digits: more would say nothing and double the table.
pub fn short(value: f32) -> String {
    let text = format!("{value:.3e}");
    text.parse::<f32>().map_or(text, |v| v.to_string())
}

/// Folds of four scenes each, to keep leaving out at minutes.
pub const FOLDS: usize = 6;

/// Models by fold, each of the table without the scenes of its fold: every [`FOLDS`]th by name.
pub fn left_out_models(table: &Path, evidence: Evidence) -> Result<Vec<Model>, Box<dyn Error>> {
    let rows = read_table(table)?;
    Ok((0..FOLDS)
        .map(|fold| train(&without_fold(&rows, fold), evidence))
        .collect())
}

fn scene_names(rows: &[Row]) -> Vec<&str> {
    let mut names: Vec<&str> = rows.iter().map(|r| r.scene.as_str()).collect();
    names.dedup();
    names
}

fn without_fold(rows: &[Row], fold: usize) -> Vec<Example> {
    let names = scene_names(rows);
    let held: Vec<&str> = names.iter().skip(fold).step_by(FOLDS).copied().collect();
    let seen = rows.iter().filter(|r| !held.contains(&r.scene.as_str()));
    seen.map(|r| r.example.clone()).collect()
}

fn measure(scene: &Scene, plate: &Frame) -> Result<Vec<Row>, Box<dyn Error>> {
    let mut set_up = SetUp::new(vec![plate.clone()])?;
    for (index, lit) in scene.lit.iter().enumerate() {
        set_up.observe(index, lit)?;
    }
    let mut rows = Vec::new();
    for (index, lit) in scene.lit.iter().enumerate() {
        let examined = set_up.examine(index, lit)?;
        let labels = &scene.labels[index];
        let examples = examples(&examined, labels, set_up.factor());
        rows.extend(examples.into_iter().map(|example| Row {
            scene: scene.name.clone(),
            frame: index + 1,
            example,
        }));
    }
    Ok(rows)
}

fn examples(examined: &Examined, labels: &Plane<Label>, factor: usize) -> Vec<Example> {
    let regions = &examined.regions;
    let mut counts = vec![[0u32; 8]; regions.pieces.len()];
    for y in 0..regions.numbers.rows() {
        for x in 0..regions.numbers.columns() {
            let number = *regions.numbers.at(x, y);
            if number > 0 {
                let label = labels.at(x * factor + factor / 2, y * factor + factor / 2);
                counts[number as usize - 1][label.index() as usize] += 1;
            }
        }
    }
    let mut of_class: Vec<Vec<Example>> = vec![Vec::new(); LABELS.len()];
    for (piece, counts) in regions.pieces.iter().zip(counts) {
        let (best, &count) = counts
            .iter()
            .enumerate()
            .max_by_key(|(_, c)| **c)
            .unwrap_or((0, &0));
        if count as f32 >= MIN_PURITY * piece.area as f32 {
            of_class[best].push(Example {
                row: piece.features.to_row(),
                label: LABELS[best],
                area: piece.area as f32,
            });
        }
    }
    for examples in &mut of_class {
        examples.sort_by(|a, b| b.area.total_cmp(&a.area));
        // The largest third, and of the rest every so many: small pieces are common everywhere.
        if examples.len() > MAX_ROWS {
            let first = MAX_ROWS / 3;
            let step = (examples.len() - first).div_ceil(MAX_ROWS - first);
            let rest: Vec<Example> = examples[first..].iter().step_by(step).cloned().collect();
            examples.truncate(first);
            examples.extend(rest);
        }
    }
    of_class.into_iter().flatten().collect()
}

/// The plate with the person of the last lit frame left standing a quarter of the width aside: what
/// the plate alone shows is not to be taken for something in the lit frames.
fn plate_with_somebody(scene: &Scene) -> Frame {
    let mut plate = scene.plate.clone();
    let (Some(lit), Some(labels)) = (scene.lit.last(), scene.labels.last()) else {
        return plate;
    };
    let size = plate.samples.size;
    let count = plate.samples.layout.count();
    let (CodeValues::Eight(from), CodeValues::Eight(to)) =
        (&lit.samples.values, &mut plate.samples.values)
    else {
        return plate;
    };
    let side = if scene.name.bytes().map(usize::from).sum::<usize>() % 2 == 0 {
        1
    } else {
        -1
    };
    let shift = side * (size.columns as i64 / 4);
    for y in 0..size.rows {
        for x in 0..size.columns {
            let source = x as i64 - shift;
            if source < 0 || source >= size.columns as i64 {
                continue;
            }
            if *labels.at(source as usize, y) == Label::Person {
                let (a, b) = (y * size.columns + source as usize, y * size.columns + x);
                to[b * count..(b + 1) * count].copy_from_slice(&from[a * count..(a + 1) * count]);
            }
        }
    }
    plate
}

fn read_table(table: &Path) -> Result<Vec<Row>, Box<dyn Error>> {
    let text = std::fs::read_to_string(table)?;
    let mut lines = text.lines();
    let header: Vec<&str> = lines
        .next()
        .unwrap_or_default()
        .split(',')
        .skip(4)
        .collect();
    if header != FEATURE_NAMES {
        return Err("the table was made for other features: run `xtask table`".into());
    }
    lines.map(row_of_line).collect()
}

fn row_of_line(line: &str) -> Result<Row, Box<dyn Error>> {
    let cells: Vec<&str> = line.split(',').collect();
    if cells.len() != FEATURE_COUNT + 4 {
        return Err(format!("a row of the table has {} cells", cells.len()).into());
    }
    let label = LABELS
        .into_iter()
        .find(|l| l.name() == cells[2])
        .ok_or_else(|| format!("unknown class `{}`", cells[2]))?;
    let mut row = [0.0f32; FEATURE_COUNT];
    for (value, cell) in row.iter_mut().zip(&cells[4..]) {
        *value = cell.parse()?;
    }
    Ok(Row {
        scene: cells[0].to_owned(),
        frame: cells[1].parse()?,
        example: Example {
            row,
            label,
            area: cells[3].parse()?,
        },
    })
}

pub fn train_models(table: &Path, models: &Path) -> Result<(), Box<dyn Error>> {
    let rows = read_table(table)?;
    for (evidence, name) in [
        (Evidence::WithPoses, "with-poses"),
        (Evidence::Alone, "alone"),
    ] {
        let examples: Vec<Example> = rows.iter().map(|r| r.example.clone()).collect();
        let model = train(&examples, evidence);
        std::fs::write(
            models.join(format!("{name}.json")),
            serde_json::to_string(&model)? + "\n",
        )?;
        println!("{name}: {} examples", examples.len());
        left_out(&rows, evidence)?;
    }
    Ok(())
}

/// Confusion of the classes, in pixels, each scene judged by a model that never saw it.
fn left_out(rows: &[Row], evidence: Evidence) -> Result<(), Box<dyn Error>> {
    let names = scene_names(rows);
    let mut confusion = [[0.0f64; 8]; 8];
    for fold in 0..FOLDS {
        let held: Vec<&str> = names.iter().skip(fold).step_by(FOLDS).copied().collect();
        let model = train(&without_fold(rows, fold), evidence);
        for r in rows.iter().filter(|r| held.contains(&r.scene.as_str())) {
            let decided = model.probabilities_of_row(&r.example.row).decision();
            confusion[r.example.label.index() as usize][decided.index() as usize] +=
                f64::from(r.example.area);
        }
    }
    print!("{:14}", "true \\ said");
    for l in LABELS {
        print!("{:>14}", l.name());
    }
    println!();
    for l in LABELS {
        print!("{:14}", l.name());
        for v in confusion[l.index() as usize] {
            print!("{v:14.0}");
        }
        println!();
    }
    Ok(())
}
