//! Whole files as other programs write them: packed, planar, tiled, with palettes, interlaced,
//! progressive. Extent [`UPRIGHT`], no orientation tag.

use std::io::Cursor;

use derig::photo::Format;
use derig::scene::{ChannelLayout, CodeValues, Size};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use tiff::encoder::colortype::{Gray16, RGB8, RGB16};
use tiff::encoder::{Compression, Predictor, TiffEncoder};

use super::damaged::UPRIGHT;
use super::picture;

const COLUMNS: usize = UPRIGHT.columns;
const ROWS: usize = UPRIGHT.rows;

/// The files: what each is, its format, its bytes.
pub(crate) fn from_elsewhere() -> Vec<(String, Format, Vec<u8>)> {
    let jpegs = jpegs().into_iter().map(|f| (Format::Jpeg, f));
    let pngs = pngs().into_iter().map(|f| (Format::Png, f));
    let tiffs = packed_tiffs().into_iter().chain(laid_out_tiffs());
    let tiffs = tiffs.map(|f| (Format::Tiff, f));
    jpegs
        .chain(pngs)
        .chain(tiffs)
        .map(|(format, (kind, bytes))| (format!("{format}, {kind}"), format, bytes))
        .collect()
}

fn eight(layout: ChannelLayout) -> Vec<u8> {
    match picture(UPRIGHT, layout, 8).values {
        CodeValues::Eight(codes) => codes,
        CodeValues::Sixteen(_) => unreachable!("asked for 8 bits"),
    }
}

fn sixteen(layout: ChannelLayout) -> Vec<u16> {
    match picture(UPRIGHT, layout, 16).values {
        CodeValues::Sixteen(codes) => codes,
        CodeValues::Eight(_) => unreachable!("asked for 16 bits"),
    }
}

fn jpegs() -> Vec<(&'static str, Vec<u8>)> {
    let jpeg = |set: &dyn Fn(&mut Encoder<&mut Vec<u8>>)| {
        let mut bytes = Vec::new();
        let mut encoder = Encoder::new(&mut bytes, 85);
        set(&mut encoder);
        let codes = eight(ChannelLayout::Rgb);
        encoder
            .encode(&codes, COLUMNS as u16, ROWS as u16, ColorType::Rgb)
            .unwrap();
        bytes
    };
    vec![
        (
            "progressive",
            jpeg(&|to| {
                to.set_progressive(true);
                to.set_sampling_factor(SamplingFactor::F_2_2);
            }),
        ),
        (
            "restart markers",
            jpeg(&|to| {
                to.set_restart_interval(2);
                to.set_sampling_factor(SamplingFactor::F_2_1);
            }),
        ),
    ]
}

fn pngs() -> Vec<(&'static str, Vec<u8>)> {
    let indexed = |depth: png::BitDepth, bits: usize| {
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, COLUMNS as u32, ROWS as u32);
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(depth);
        let colours = 3 << bits;
        encoder.set_palette((0..colours).map(|i| (i * 37) as u8).collect::<Vec<_>>());
        encoder.set_trns(vec![128; 1 << bits]);
        let row = (COLUMNS * bits).div_ceil(8);
        let packed: Vec<u8> = (0..row * ROWS).map(|i| (i * 89) as u8).collect();
        let mut writer = encoder.write_header().unwrap();
        writer.write_image_data(&packed).unwrap();
        writer.finish().unwrap();
        bytes
    };
    vec![
        ("palette of 2", indexed(png::BitDepth::One, 1)),
        ("palette of 16", indexed(png::BitDepth::Four, 4)),
        ("palette of 256", indexed(png::BitDepth::Eight, 8)),
        ("interlaced", interlaced()),
    ]
}

/// Adam7 (Portable Network Graphics, 3rd edition, 8.1): seven small pictures one after the other.
fn interlaced() -> Vec<u8> {
    const PASSES: [(usize, usize, usize, usize); 7] = [
        (0, 0, 8, 8),
        (4, 0, 8, 8),
        (0, 4, 4, 8),
        (2, 0, 4, 4),
        (0, 2, 2, 4),
        (1, 0, 2, 2),
        (0, 1, 1, 2),
    ];
    let codes = eight(ChannelLayout::Rgb);
    let mut rows = Vec::new();
    for (left, top, across, down) in PASSES {
        for y in (top..ROWS).step_by(down) {
            rows.push(0);
            for x in (left..COLUMNS).step_by(across) {
                rows.extend(&codes[3 * (y * COLUMNS + x)..][..3]);
            }
        }
    }
    let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
    std::io::Write::write_all(&mut packer, &rows).unwrap();
    let packed = packer.finish().unwrap();
    let [columns, rows] = [COLUMNS, ROWS].map(|v| (v as u32).to_be_bytes());
    let header = [&columns[..], &rows, &[8, 2, 0, 0, 1]].concat();
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, contents) in [(b"IHDR", header), (b"IDAT", packed), (b"IEND", Vec::new())] {
        bytes.extend((contents.len() as u32).to_be_bytes());
        let mut sum = flate2::Crc::new();
        for part in [&kind[..], &contents] {
            sum.update(part);
            bytes.extend(part);
        }
        bytes.extend(sum.sum().to_be_bytes());
    }
    bytes
}

/// By another writer, with each way of packing.
fn packed_tiffs() -> Vec<(&'static str, Vec<u8>)> {
    let (columns, rows) = (COLUMNS as u32, ROWS as u32);
    let packed = |packing, predictor| {
        let mut bytes = Cursor::new(Vec::new());
        let to = TiffEncoder::new(&mut bytes).unwrap();
        let mut to = to.with_compression(packing).with_predictor(predictor);
        to.write_image::<RGB8>(columns, rows, &eight(ChannelLayout::Rgb))
            .unwrap();
        bytes.into_inner()
    };
    let mut big = Cursor::new(Vec::new());
    let mut to = TiffEncoder::new_big(&mut big).unwrap();
    to.write_image::<RGB16>(columns, rows, &sixteen(ChannelLayout::Rgb))
        .unwrap();
    let mut deflated = Cursor::new(Vec::new());
    let to = TiffEncoder::new(&mut deflated).unwrap();
    let mut to = to
        .with_compression(Compression::Deflate(tiff::encoder::DeflateLevel::Fast))
        .with_predictor(Predictor::Horizontal);
    to.write_image::<Gray16>(columns, rows, &sixteen(ChannelLayout::Grey))
        .unwrap();
    vec![
        ("LZW", packed(Compression::Lzw, Predictor::None)),
        (
            "LZW with predictor",
            packed(Compression::Lzw, Predictor::Horizontal),
        ),
        ("PackBits", packed(Compression::Packbits, Predictor::None)),
        ("Deflate, 16 bits", deflated.into_inner()),
        ("BigTIFF", big.into_inner()),
    ]
}

/// What our writers do not lay out: big-endian, planar, tiled (TIFF 6.0).
fn laid_out_tiffs() -> Vec<(&'static str, Vec<u8>)> {
    // Planar, 16 bits, the most significant byte first.
    let codes = sixteen(ChannelLayout::Rgb);
    let planes: Vec<Vec<u8>> = (0..3)
        .map(|c| {
            let plane = codes.iter().skip(c).step_by(3);
            plane.flat_map(|v| v.to_be_bytes()).collect()
        })
        .collect();
    let planar = Directory::new(3, 16, 2)
        .with(284, vec![2])
        .with_pieces(273, 279, &planes);
    // Tiles of 16 x 16, the last ones reaching over the border.
    let codes = eight(ChannelLayout::Rgb);
    let mut tiles = Vec::new();
    for top in (0..ROWS).step_by(16) {
        for left in (0..COLUMNS).step_by(16) {
            let pixels = (top..top + 16).flat_map(|y| (left..left + 16).map(move |x| (x, y)));
            let at = pixels.map(|(x, y)| 3 * (y.min(ROWS - 1) * COLUMNS + x.min(COLUMNS - 1)));
            tiles.push(at.flat_map(|at| codes[at..at + 3].to_vec()).collect());
        }
    }
    let tiled = Directory::new(3, 8, 2)
        .with(322, vec![16])
        .with(323, vec![16])
        .with_pieces(324, 325, &tiles);
    vec![
        ("planar, big-endian", planar.file()),
        ("tiles", tiled.file()),
    ]
}

/// A TIFF whose samples are indices of `bits` into a table of colours.
pub(crate) fn palette_tiff(bits: u32) -> Vec<u8> {
    let row = (COLUMNS * bits as usize).div_ceil(8);
    let packed = (0..row * ROWS).map(|i| (i * 89) as u8).collect();
    Directory::new(1, bits, 3)
        .with(320, (0..3 << bits).map(|i| (i * 977) % 65_536).collect())
        .with_pieces(273, 279, &[packed])
        .file()
}

/// A big-endian TIFF with one directory, written by hand.
struct Directory {
    /// By tag: the type (3 SHORT, 4 LONG) and the values.
    entries: std::collections::BTreeMap<u16, (u16, Vec<u32>)>,
    pieces: Vec<u8>,
}

impl Directory {
    /// `photometric`: 2 RGB, 3 palette.
    fn new(channels: u32, bits: u32, photometric: u32) -> Self {
        let Size { columns, rows } = UPRIGHT;
        let mut made = Self {
            entries: std::collections::BTreeMap::new(),
            pieces: Vec::new(),
        };
        for (tag, values) in [
            (256, vec![columns as u32]),
            (257, vec![rows as u32]),
            (258, vec![bits; channels as usize]),
            (259, vec![1]),
            (262, vec![photometric]),
            (277, vec![channels]),
            (278, vec![rows as u32]),
        ] {
            made = made.with(tag, values);
        }
        made
    }

    fn with(mut self, tag: u16, values: Vec<u32>) -> Self {
        self.entries.insert(tag, (3, values));
        self
    }

    /// Strips or tiles behind the header, with the tags that tell where they lie.
    fn with_pieces(mut self, offsets: u16, counts: u16, pieces: &[Vec<u8>]) -> Self {
        let (mut begins, mut lengths) = (Vec::new(), Vec::new());
        for piece in pieces {
            begins.push(8 + self.pieces.len() as u32);
            lengths.push(piece.len() as u32);
            self.pieces.extend(piece);
        }
        self.pieces.resize(self.pieces.len().next_multiple_of(2), 0);
        self.entries.insert(offsets, (4, begins));
        self.entries.insert(counts, (4, lengths));
        self
    }

    fn file(&self) -> Vec<u8> {
        let directory = 8 + self.pieces.len();
        let mut values_at = directory + 2 + 12 * self.entries.len() + 4;
        let (mut entries, mut beside) = (Vec::new(), Vec::new());
        for (tag, (kind, values)) in &self.entries {
            let bytes: Vec<u8> = values
                .iter()
                .flat_map(|v| match kind {
                    3 => (*v as u16).to_be_bytes().to_vec(),
                    _ => v.to_be_bytes().to_vec(),
                })
                .collect();
            entries.extend(tag.to_be_bytes());
            entries.extend(kind.to_be_bytes());
            entries.extend((values.len() as u32).to_be_bytes());
            if bytes.len() <= 4 {
                entries.extend(bytes.iter().chain(&[0; 4]).take(4));
            } else {
                entries.extend((values_at as u32).to_be_bytes());
                values_at += bytes.len();
                beside.extend(bytes);
            }
        }
        [
            &b"MM\0*"[..],
            &(directory as u32).to_be_bytes(),
            &self.pieces,
            &(self.entries.len() as u16).to_be_bytes(),
            &entries,
            &[0; 4],
            &beside,
        ]
        .concat()
    }
}
