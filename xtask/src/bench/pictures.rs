//! The files that are measured: one scene at several sizes, in several formats.

use std::error::Error;
use std::path::{Path, PathBuf};

use derig::photo::{self, Existing, Format, Photo, ReadLimits};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};
use fast_image_resize::images::Image;
use fast_image_resize::{PixelType, Resizer};

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Jpeg,
    Tiff8,
    Tiff16,
}

impl Kind {
    pub fn name(self) -> &'static str {
        match self {
            Self::Jpeg => "JPEG",
            Self::Tiff8 => "TIFF, 8 bits",
            Self::Tiff16 => "TIFF, 16 bits",
        }
    }

    fn format(self) -> Format {
        match self {
            Self::Jpeg => Format::Jpeg,
            Self::Tiff8 | Self::Tiff16 => Format::Tiff,
        }
    }

    fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Tiff8 | Self::Tiff16 => "tif",
        }
    }
}

/// A plate and lit frames on the disk.
#[derive(Debug)]
pub struct Batch {
    pub plate: PathBuf,
    pub lit: Vec<PathBuf>,
}

/// Writes `count` lit frames and the plate of `scene` at about `megapixels`, as `kind`. Poses
/// repeat from the third frame on.
///
/// # Errors
/// When the scene cannot be read or the files cannot be written.
pub fn write_batch(
    scene: &Path,
    (kind, megapixels, count): (Kind, f64, usize),
    folder: &Path,
) -> Result<Batch, Box<dyn Error>> {
    std::fs::create_dir_all(folder)?;
    let store = |from: &str, to: String| -> Result<PathBuf, Box<dyn Error>> {
        let target = folder.join(format!("{to}.{}", kind.extension()));
        let source = scene.join(from);
        let photo = photo::read(&source, &ReadLimits::default())?;
        if kind == Kind::Jpeg && is_about(photo.samples.size, megapixels) {
            std::fs::copy(source, &target)?;
        } else {
            write_as(photo, kind, megapixels, &target)?;
        }
        Ok(target)
    };
    let plate = store("plate.jpg", "plate".to_owned())?;
    let mut lit: Vec<PathBuf> = Vec::new();
    for k in 0..count {
        let target = if k < 2 {
            store(&format!("lit-{}.jpg", k + 1), format!("lit-{}", k + 1))?
        } else {
            let target = folder.join(format!("lit-{}.{}", k + 1, kind.extension()));
            std::fs::copy(&lit[k % 2], &target)?;
            target
        };
        lit.push(target);
    }
    Ok(Batch { plate, lit })
}

fn is_about(size: Size, megapixels: f64) -> bool {
    (size.area() as f64 / 1e6 / megapixels - 1.0).abs() < 0.02
}

fn write_as(
    photo: Photo,
    kind: Kind,
    megapixels: f64,
    target: &Path,
) -> Result<(), Box<dyn Error>> {
    let scale = (megapixels * 1e6 / photo.samples.size.area() as f64).sqrt();
    let side = |n: usize| ((n as f64 * scale / 8.0).round() * 8.0) as usize;
    let size = Size {
        columns: side(photo.samples.size.columns),
        rows: side(photo.samples.size.rows),
    };
    let samples = match kind {
        Kind::Jpeg | Kind::Tiff8 => resized(photo.samples, size)?,
        Kind::Tiff16 => resized(in_16_bits(photo.samples), size)?,
    };
    photo::write(
        target,
        samples,
        &photo.metadata,
        kind.format(),
        Existing::Replace,
    )?;
    Ok(())
}

/// 65 535 = 255 x 257.
fn in_16_bits(samples: Samples) -> Samples {
    let values = match samples.values {
        CodeValues::Eight(values) => values.iter().map(|&v| u16::from(v) * 257).collect(),
        CodeValues::Sixteen(values) => values,
    };
    Samples {
        values: CodeValues::Sixteen(values),
        ..samples
    }
}

fn resized(samples: Samples, size: Size) -> Result<Samples, Box<dyn Error>> {
    if samples.size == size {
        return Ok(samples);
    }
    if samples.layout != ChannelLayout::Rgb {
        return Err("only RGB scenes are measured".into());
    }
    let (pixel, bytes) = match samples.values {
        CodeValues::Eight(values) => (PixelType::U8x3, values),
        CodeValues::Sixteen(values) => (
            PixelType::U16x3,
            values.iter().flat_map(|v| v.to_ne_bytes()).collect(),
        ),
    };
    let Size { columns, rows } = samples.size;
    let from = Image::from_vec_u8(columns as u32, rows as u32, bytes, pixel)?;
    let mut to = Image::new(size.columns as u32, size.rows as u32, pixel);
    Resizer::new().resize(&from, &mut to, None)?;
    let bytes = to.into_vec();
    let values = if pixel == PixelType::U8x3 {
        CodeValues::Eight(bytes)
    } else {
        let pairs = bytes.as_chunks::<2>().0.iter();
        CodeValues::Sixteen(pairs.map(|&pair| u16::from_ne_bytes(pair)).collect())
    };
    Ok(Samples {
        size,
        layout: samples.layout,
        values,
    })
}
