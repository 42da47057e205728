//! A handful of frames is looked at before the first is cleaned: what stands still from pose to pose tells
//! gear from people.

use std::collections::BTreeMap;
use std::sync::mpsc::Receiver;

use super::clean_plan::CleanPlan;
use super::reading::Read;
use crate::pipeline::{Frame, SetUp};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

/// Decoded frames kept from the first look to the clean-up, bytes: two of 24 MP at 8 bits. What
/// does not fit is decoded a second time, and what is cleaned after a frame that is decoded anew: it would
/// lie there beside the three in hand, in a long batch for most of the run.
const KEPT_FRAMES_BYTES: usize = 150 << 20;

/// The frames that are shown to the set-up before the first is cleaned. That one is the last of them:
/// what it said is at hand when it is cleaned.
pub(super) fn first_look(plan: &CleanPlan) -> Vec<usize> {
    let readable = plan.readable();
    let mut first_look: Vec<usize> = SetUp::frames_to_observe(readable.len())
        .into_iter()
        .filter_map(|i| readable.get(i).copied())
        .collect();
    let count = first_look.len();
    first_look.rotate_left(count.min(1));
    first_look
}

/// Shows the first-look frames to the set-up and keeps those for the clean-up that it begins with and
/// that fit.
pub(super) fn observe(
    set_up: &mut SetUp,
    to_clean: &[usize],
    first_look: &[usize],
    looked_at: &Receiver<Read>,
) -> BTreeMap<usize, Read> {
    let mut kept = BTreeMap::new();
    let is_first = |index: &&usize| first_look.contains(index);
    let begins_with: Vec<usize> = to_clean.iter().take_while(is_first).copied().collect();
    for (&index, mut read) in first_look.iter().zip(looked_at.iter()) {
        let Ok(photo) = &mut read.photo else {
            kept.insert(index, read);
            continue;
        };
        let frame = Frame {
            samples: std::mem::replace(&mut photo.samples, no_samples()),
            encoding: photo.encoding.clone(),
        };
        // What keeps a frame from being observed keeps it from being cleaned, and is told then.
        let _ = set_up.observe(index, &frame);
        photo.samples = frame.samples;
        if begins_with.contains(&index) {
            kept.insert(index, read);
        }
        // Those that come last make room.
        while kept.values().map(bytes).sum::<usize>() > KEPT_FRAMES_BYTES {
            kept.pop_last();
        }
    }
    kept
}

fn bytes(read: &Read) -> usize {
    match read.photo.as_ref().map(|photo| &photo.samples.values) {
        Ok(CodeValues::Eight(v)) => v.len(),
        Ok(CodeValues::Sixteen(v)) => 2 * v.len(),
        Err(_) => 0,
    }
}

fn no_samples() -> Samples {
    Samples {
        size: Size {
            columns: 0,
            rows: 0,
        },
        layout: ChannelLayout::Grey,
        values: CodeValues::Eight(Vec::new()),
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;
    use std::sync::mpsc::sync_channel;

    use super::*;
    use crate::photo::{Format, Metadata, Photo, ReadLimits, encode, read_bytes};
    use crate::scene::Encoding;

    fn samples() -> Samples {
        let size = Size {
            columns: 64,
            rows: 48,
        };
        let values = (0..3 * 64 * 48u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8);
        Samples {
            size,
            layout: ChannelLayout::Rgb,
            values: CodeValues::Eight(values.collect()),
        }
    }

    fn photo() -> Photo {
        let mut bytes = Cursor::new(Vec::new());
        encode(&mut bytes, samples(), &Metadata::default(), Format::Png).unwrap();
        read_bytes(bytes.into_inner(), &ReadLimits::default()).unwrap()
    }

    fn kept(to_clean: &[usize], first_look: &[usize]) -> Vec<usize> {
        let plate = Frame {
            samples: samples(),
            encoding: Encoding::srgb(256),
        };
        let mut set_up = SetUp::new(vec![plate]).unwrap();
        let (sender, looked_at) = sync_channel(first_look.len());
        for _ in first_look {
            let photo = Ok(photo());
            let seconds = 0.0;
            sender.send(Read { photo, seconds }).unwrap();
        }
        drop(sender);
        let kept = observe(&mut set_up, to_clean, first_look, &looked_at);
        kept.into_keys().collect()
    }

    #[test]
    fn a_short_batch_is_decoded_once() {
        assert_eq!(kept(&[0, 1, 2], &[0, 1, 2]), [0, 1, 2]);
    }

    #[test]
    fn nothing_waits_in_memory_for_its_turn_in_a_long_batch() {
        let all: Vec<usize> = (0..200).collect();
        let first_look = SetUp::frames_to_observe(all.len());
        assert!(first_look.len() > 2);
        assert_eq!(kept(&all, &first_look), [0]);
    }

    #[test]
    fn of_a_run_that_goes_on_the_first_unfinished_frames_are_kept() {
        assert_eq!(kept(&[1, 2, 4], &[0, 1, 2, 3, 4]), [1, 2, 4]);
        assert_eq!(kept(&[2, 3], &[0, 1, 3]), [0; 0]);
    }
}
