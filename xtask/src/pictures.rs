//! The README's pictures, from a sample scene: before, mask, after.

use std::error::Error;
use std::path::Path;

use derig::handover::mask_picture;
use derig::photo::{self, Existing, Format, Metadata, ReadLimits, screen_copy, screen_jpeg};
use derig::pipeline::{Frame, SetUp, Silent};

/// Long side of a picture, px: three fit beside each other on a page.
const SIDE: usize = 900;
/// JPEG quality: small, and no block is seen.
const QUALITY: u8 = 82;
/// All pictures together, bytes.
const MOST: u64 = 300_000;
const POSES: [&str; 2] = ["lit-1.jpg", "lit-2.jpg"];
/// The pose that is shown, by its index.
const SHOWN: usize = 0;

/// Cleans the scene in `samples` and writes `before.jpg`, `mask.png` and `after.jpg` into `folder`.
pub fn write(samples: &Path, folder: &Path) -> Result<(), Box<dyn Error>> {
    let frame = |name: &str| -> Result<Frame, Box<dyn Error>> {
        let photo = photo::read(&samples.join(name), &ReadLimits::default())?;
        Ok(Frame {
            samples: photo.samples,
            encoding: photo.encoding,
        })
    };
    let mut set_up = SetUp::new(vec![frame("plate.jpg")?])?;
    for (index, pose) in POSES.iter().enumerate() {
        set_up.observe(index, &frame(pose)?)?;
    }
    let lit = frame(POSES[SHOWN])?;
    let cleaned = set_up.clean(SHOWN, &lit, &Silent)?;
    std::fs::create_dir_all(folder)?;
    for (name, samples) in [("before.jpg", &lit.samples), ("after.jpg", &cleaned.merged)] {
        let copy = screen_copy(samples, &lit.encoding, SIDE);
        let jpeg = screen_jpeg(&copy, QUALITY).ok_or("a copy for a screen is no JPEG")?;
        photo::store(&folder.join(name), &jpeg, Existing::Replace)?;
    }
    photo::write(
        &folder.join("mask.png"),
        mask_picture(cleaned.mask, 8),
        &Metadata::default(),
        Format::Png,
        Existing::Replace,
    )?;
    let mut bytes = 0;
    for name in ["before.jpg", "mask.png", "after.jpg"] {
        bytes += folder.join(name).metadata()?.len();
    }
    println!("{bytes} bytes in `{}`", folder.display());
    if bytes > MOST {
        return Err(format!("more than {MOST} bytes").into());
    }
    Ok(())
}
