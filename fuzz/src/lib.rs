//! What the targets share: small pictures, and one thread.

use std::io::Cursor;

use derig::photo::{Format, Metadata, encode};
use derig::scene::{ChannelLayout, CodeValues, Samples, Size};

/// Everything on the thread that feeds the target: to hand a few pixels to another one takes longer than the
/// pixels, and what was reached would depend on which thread came first.
pub fn stay_on_one_thread() {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .use_current_thread();
    pool.build_global().expect("nothing has run on threads yet");
}

/// 6 x 4 pixels.
pub fn picture() -> Samples {
    let size = Size {
        columns: 6,
        rows: 4,
    };
    Samples {
        size,
        layout: ChannelLayout::Rgb,
        values: CodeValues::Eight((0..72).map(|v| v * 3).collect()),
    }
}

/// As a PNG with metadata; `None` where these cannot be written.
pub fn png(metadata: &Metadata) -> Option<Vec<u8>> {
    let mut out = Cursor::new(Vec::new());
    encode(&mut out, picture(), metadata, Format::Png).ok()?;
    Some(out.into_inner())
}
