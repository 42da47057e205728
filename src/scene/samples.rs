//! The original samples of a file, as decoded, in the file's own encoding.

use super::{Encoding, SceneLinear, Size, ToneCurve, Window};

/// What the samples of one pixel are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChannelLayout {
    /// Grey.
    Grey,
    /// Grey and alpha.
    GreyAlpha,
    /// Red, green, blue.
    Rgb,
    /// Red, green, blue, alpha.
    Rgba,
}

impl ChannelLayout {
    /// Samples a pixel.
    pub fn count(self) -> usize {
        match self {
            Self::Grey => 1,
            Self::GreyAlpha => 2,
            Self::Rgb => 3,
            Self::Rgba => 4,
        }
    }

    /// Samples a pixel that carry light, not alpha.
    pub fn colours(self) -> usize {
        match self {
            Self::Grey | Self::GreyAlpha => 1,
            Self::Rgb | Self::Rgba => 3,
        }
    }
}

/// Code values, interleaved, rows end to end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CodeValues {
    /// 8 bits a sample.
    Eight(Vec<u8>),
    /// 16 bits a sample.
    Sixteen(Vec<u16>),
}

/// A frame's original samples: what untouched output is copied from.
///
/// Upright: the EXIF orientation has been applied. 24 MP RGB take 72 MB at 8 bits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Samples {
    /// Extent in pixels.
    pub size: Size,
    /// Meaning of the samples.
    pub layout: ChannelLayout,
    /// The samples.
    pub values: CodeValues,
}

impl Samples {
    /// Bits a sample.
    pub fn bits(&self) -> u8 {
        match self.values {
            CodeValues::Eight(_) => 8,
            CodeValues::Sixteen(_) => 16,
        }
    }

    /// One code value; `channel` counts within the pixel.
    pub fn code(&self, x: usize, y: usize, channel: usize) -> u16 {
        let at = (y * self.size.columns + x) * self.layout.count() + channel;
        match &self.values {
            CodeValues::Eight(v) => v[at] as u16,
            CodeValues::Sixteen(v) => v[at],
        }
    }

    /// Sets one code value, cut to the range of the depth.
    pub fn set_code(&mut self, x: usize, y: usize, channel: usize, code: u16) {
        let at = (y * self.size.columns + x) * self.layout.count() + channel;
        match &mut self.values {
            CodeValues::Eight(v) => v[at] = code.min(255) as u8,
            CodeValues::Sixteen(v) => v[at] = code,
        }
    }

    /// The working copy: scene-linear light, box-reduced `factor` times in both directions. Rows
    /// and columns left over at the end are dropped. `encoding`'s curves must match the depth.
    ///
    /// Holds the result only (12 bytes a reduced pixel).
    pub fn reduced(&self, encoding: &Encoding, factor: usize) -> SceneLinear {
        let size = Size {
            columns: (self.size.columns / factor).max(1),
            rows: (self.size.rows / factor).max(1),
        };
        let mut picture = SceneLinear::unset(size);
        picture.for_each_row(|y, mut rows| {
            // Written before it is read: reading fresh pages first costs a second fault.
            for row in &mut rows {
                row.fill(0.0);
            }
            match &self.values {
                CodeValues::Eight(v) => self.reduce_row(v, encoding, factor, y, rows),
                CodeValues::Sixteen(v) => self.reduce_row(v, encoding, factor, y, rows),
            }
        });
        picture
    }

    fn reduce_row<T: Code>(
        &self,
        values: &[T],
        encoding: &Encoding,
        factor: usize,
        y: usize,
        out: [&mut [f32]; 3],
    ) {
        let step = self.layout.count();
        let stride = self.size.columns * step;
        let bottom = ((y + 1) * factor).min(self.size.rows);
        for (c, out) in out.into_iter().enumerate() {
            let channel = c.min(self.layout.colours() - 1);
            let table = T::table_of(&encoding.curves[c]);
            for row in y * factor..bottom {
                let samples = &values[row * stride + channel..(row + 1) * stride];
                let known = if factor <= self.size.columns { step } else { 0 };
                match (factor, known) {
                    (1, 3) => add_blocks::<_, 1, 3>(samples, table, out),
                    (2, 3) => add_blocks::<_, 2, 3>(samples, table, out),
                    (3, 3) => add_blocks::<_, 3, 3>(samples, table, out),
                    (4, 3) => add_blocks::<_, 4, 3>(samples, table, out),
                    _ => add_any_blocks(samples, table, (factor, step), out),
                }
            }
        }
    }

    /// Scene-linear light of a window at full size.
    pub fn linear_window(&self, encoding: &Encoding, window: Window) -> SceneLinear {
        match &self.values {
            CodeValues::Eight(v) => self.decoded_window(v, encoding, window),
            CodeValues::Sixteen(v) => self.decoded_window(v, encoding, window),
        }
    }

    fn decoded_window<T: Code>(
        &self,
        values: &[T],
        encoding: &Encoding,
        window: Window,
    ) -> SceneLinear {
        let step = self.layout.count();
        let mut picture = SceneLinear::filled(window.size(), 0.0);
        for (c, plane) in picture.channels.iter_mut().enumerate() {
            let channel = c.min(self.layout.colours() - 1);
            let table = T::table_of(&encoding.curves[c]);
            for y in 0..window.rows() {
                let from = ((window.top + y) * self.size.columns + window.left) * step;
                let row = &values[from..from + window.columns() * step];
                for (out, pixel) in plane.row_mut(y).iter_mut().zip(row.chunks_exact(step)) {
                    *out = pixel[channel].light(table);
                }
            }
        }
        picture
    }
}

/// A code value whose curve's table has an entry for each value it can have, so that looking one up
/// needs no check.
trait Code: Copy {
    type Table;

    fn table_of(curve: &ToneCurve) -> &Self::Table;

    fn light(self, table: &Self::Table) -> f32;
}

impl Code for u8 {
    type Table = [f32; 1 << 8];

    fn table_of(curve: &ToneCurve) -> &Self::Table {
        whole(curve)
    }

    #[inline]
    fn light(self, table: &Self::Table) -> f32 {
        table[self as usize]
    }
}

impl Code for u16 {
    type Table = [f32; 1 << 16];

    fn table_of(curve: &ToneCurve) -> &Self::Table {
        whole(curve)
    }

    #[inline]
    fn light(self, table: &Self::Table) -> f32 {
        table[self as usize]
    }
}

fn whole<const CODES: usize>(curve: &ToneCurve) -> &[f32; CODES] {
    let table = curve.table();
    let table = table.first_chunk();
    table.expect("a curve's table is made for the depth of its samples")
}

/// Adds each block's light in one row, divided by the pixels of the block; `samples` begin with
/// the channel in question.
fn add_blocks<T: Code, const FACTOR: usize, const STEP: usize>(
    samples: &[T],
    table: &T::Table,
    out: &mut [f32],
) {
    let share = 1.0 / (FACTOR * FACTOR) as f32;
    let blocks = samples.chunks(FACTOR * STEP);
    for (out, block) in out.iter_mut().zip(blocks) {
        // One check for all: the last block ends with its last sample of the channel.
        let block = &block[..=(FACTOR - 1) * STEP];
        let mut sum = 0.0;
        for k in 0..FACTOR {
            sum += block[k * STEP].light(table);
        }
        *out += sum * share;
    }
}

fn add_any_blocks<T: Code>(
    samples: &[T],
    table: &T::Table,
    (factor, step): (usize, usize),
    out: &mut [f32],
) {
    let share = 1.0 / (factor * factor) as f32;
    for (out, block) in out.iter_mut().zip(samples.chunks(factor * step)) {
        let lights = block.iter().step_by(step).map(|&s| s.light(table));
        *out += lights.sum::<f32>() * share;
    }
}
