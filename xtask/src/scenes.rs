//! Reading evaluation scenes.

use std::error::Error;
use std::path::{Path, PathBuf};

use derig::photo::{self, ReadLimits};
use derig::pipeline::Frame;
use derig::scene::{Homography, Label, Plane, Size};

/// One scene: a plate, lit frames and their labels.
pub struct Scene {
    pub name: String,
    pub plate: Frame,
    pub lit: Vec<Frame>,
    pub labels: Vec<Plane<Label>>,
}

/// Folders of a set of scenes, in order.
pub fn folders(set: &Path) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(set)?
        .filter_map(|entry| entry.ok().map(|e| e.path()))
        .filter(|path| path.join("scene.json").is_file())
        .collect();
    found.sort();
    Ok(found)
}

pub fn read(folder: &Path) -> Result<Scene, Box<dyn Error>> {
    let facts: serde_json::Value =
        serde_json::from_slice(&std::fs::read(folder.join("scene.json"))?)?;
    let name_of = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let plate = frame(&folder.join(name_of(&facts["plate"])))?;
    let mut scene = Scene {
        name: folder
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        plate,
        lit: Vec::new(),
        labels: Vec::new(),
    };
    for f in facts["frames"].as_array().into_iter().flatten() {
        scene.lit.push(frame(&folder.join(name_of(&f["lit"])))?);
        scene
            .labels
            .push(labels(&folder.join(name_of(&f["labels"])))?);
    }
    Ok(scene)
}

/// What must be replaced in a frame, by its number from 0.
pub fn to_replace(folder: &Path, index: usize) -> Result<Plane<bool>, Box<dyn Error>> {
    let path = folder.join(format!("clean-{}.png", index + 1));
    let picture = image::load_from_memory(&std::fs::read(path)?)?.to_luma8();
    let size = Size {
        columns: picture.width() as usize,
        rows: picture.height() as usize,
    };
    let values = picture.into_raw().into_iter().map(|v| v > 127).collect();
    Ok(Plane::from_vec(size, values))
}

/// The true homography of each lit frame: plate pixel to the pixel of the same far point.
pub fn homographies(folder: &Path) -> Result<Vec<Homography>, Box<dyn Error>> {
    let facts: serde_json::Value =
        serde_json::from_slice(&std::fs::read(folder.join("scene.json"))?)?;
    let frames = facts["frames"].as_array().into_iter().flatten();
    frames
        .map(|f| {
            let rows: [f64; 9] = serde_json::from_value(f["homography"].clone())?;
            Homography::from_rows(rows).ok_or_else(|| "a homography without inverse".into())
        })
        .collect()
}

fn frame(path: &Path) -> Result<Frame, Box<dyn Error>> {
    let photo = photo::read(path, &ReadLimits::default())?;
    Ok(Frame {
        samples: photo.samples,
        encoding: photo.encoding,
    })
}

fn labels(path: &Path) -> Result<Plane<Label>, Box<dyn Error>> {
    let picture = image::load_from_memory(&std::fs::read(path)?)?.to_luma8();
    let size = Size {
        columns: picture.width() as usize,
        rows: picture.height() as usize,
    };
    let labels = picture
        .into_raw()
        .into_iter()
        .map(Label::from_index)
        .collect();
    Ok(Plane::from_vec(size, labels))
}
