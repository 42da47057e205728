//! Many frames of one set-up, for measuring long batches.

use std::error::Error;
use std::io::Cursor;
use std::path::Path;

use derig::photo::{self, Format, Photo, ReadLimits};
use derig::scene::{CodeValues, Samples};

/// The scene's lit frames, which take turns.
const POSES: [&str; 2] = ["lit-1.jpg", "lit-2.jpg"];
/// Files that share their pixels and differ in a comment: 24 MP are not encoded anew for each of hundreds.
const ALIKE: usize = 10;
/// Each further picture is darker by this share: other bytes, and the same gear to find.
const DARKER: f64 = 0.01;

/// Copies the plate of the scene in `scene` into `folder` and writes `frames` lit frames beside it as
/// `lit-000.jpg` and so on, no two files alike.
pub fn write(scene: &Path, frames: usize, folder: &Path) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(folder)?;
    std::fs::copy(scene.join("plate.jpg"), folder.join("plate.jpg"))?;
    let read = |name: &str| photo::read(&scene.join(name), &ReadLimits::default());
    let poses = [read(POSES[0])?, read(POSES[1])?];
    let pictures = frames.div_ceil(ALIKE);
    for picture in 0..pictures {
        let pose = &poses[picture % POSES.len()];
        let step = (picture / POSES.len()) as f64;
        let jpeg = encoded(pose, 1.0 - DARKER * step)?;
        // Neighbours in order of names differ in pixels.
        for frame in (picture..frames).step_by(pictures) {
            let name = format!("lit-{frame:03}.jpg");
            std::fs::write(folder.join(&name), with_comment(&jpeg, &name)?)?;
        }
    }
    println!("{frames} frames in `{}`", folder.display());
    Ok(())
}

fn encoded(pose: &Photo, gain: f64) -> Result<Vec<u8>, Box<dyn Error>> {
    let CodeValues::Eight(codes) = &pose.samples.values else {
        return Err("a JPEG has 8 bits".into());
    };
    let darker = |&code: &u8| (f64::from(code) * gain).round() as u8;
    let samples = Samples {
        values: CodeValues::Eight(codes.iter().map(darker).collect()),
        ..pose.samples.clone()
    };
    let mut jpeg = Cursor::new(Vec::new());
    photo::encode(&mut jpeg, samples, &pose.metadata, Format::Jpeg)?;
    Ok(jpeg.into_inner())
}

/// A comment (marker COM, ITU-T T.81, B.2.4.5) behind the first marker.
fn with_comment(jpeg: &[u8], comment: &str) -> Result<Vec<u8>, Box<dyn Error>> {
    let (start, rest) = jpeg.split_at_checked(2).ok_or("no JPEG")?;
    // The length counts itself.
    let length = u16::try_from(comment.len() + 2)?.to_be_bytes();
    Ok([start, &[0xFF, 0xFE], &length, comment.as_bytes(), rest].concat())
}
