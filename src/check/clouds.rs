//! Are the plate's clouds those of the lit frame, and has the sky any detail?

use super::{Bearing, Fault, Measured, Pair, Reason, Shot, Told, Unit, places};
use crate::numeric::robust::median;
use crate::scene::{CodeValues, Label, Plane, Samples, Size};

/// Share of the picture from which a sky matters.
const LEAST_SKY: f64 = 0.02;
/// CIE94 between lit sky and carried plate sky that shows as a seam: 2 is not seen side by side, three
/// times as much is across a soft rim.
const MOST_MISMATCH: f64 = 6.0;
/// 8-bit sRGB code from which a channel is clipped.
const CLIPPED: u8 = 254;
/// Share of a sky that may be clipped: the sun and its rim.
const MOST_CLIPPED: f64 = 0.25;

pub(super) fn reasons(pair: &Pair<'_>) -> Vec<Reason> {
    let mut reasons = Vec::new();
    reasons.extend(other_sky(pair));
    reasons.extend(clipped(pair));
    reasons
}

fn share(mask: &Plane<bool>) -> f64 {
    let open = mask.as_slice().iter().filter(|m| **m).count();
    open as f64 / mask.size().area().max(1) as f64
}

fn other_sky(pair: &Pair<'_>) -> Option<Reason> {
    let over = &pair.over;
    if share(&over.sky) < LEAST_SKY {
        return None;
    }
    let open = over.sky.zip(&over.labels, |&open, &label| {
        open && !label.is_removed() && label != Label::Person
    });
    let differences = over.difference.as_slice().iter().zip(open.as_slice());
    let mut differences: Vec<f64> = differences
        .filter(|(_, open)| **open)
        .map(|(d, _)| f64::from(*d))
        .collect();
    let measured = Measured {
        value: median(&mut differences)?,
        limit: MOST_MISMATCH,
        unit: Unit::ColourDifference,
    };
    let place = places::extent(&open).map(|(w, _)| pair.full(w));
    let mut what = format!(
        "another sky: clouds differ by {:.1} (2 is not seen), however they are carried along",
        measured.value
    );
    let against_sky = gear_on(over.labels.as_slice(), over.sky.as_slice());
    // Without gear before it no sky is taken from the plate; and yet it is no picture of the same moment.
    let at_most = if against_sky {
        Bearing::Spoils
    } else {
        what.push_str("; no gear stands against it in this frame");
        Bearing::Doubtful
    };
    let told = Told::of(Shot::Plate, what).at_most(at_most).advise(
        "shoot the plate right after the lit frame, or lit frame and plate again",
        "nothing: clouds that went this far are carried along; shoot the next plate sooner",
    );
    Some(pair.reason(Fault::OtherSky, measured, place, told))
}

fn gear_on(labels: &[Label], sky: &[bool]) -> bool {
    labels
        .iter()
        .zip(sky)
        .any(|(label, open)| *open && *label == Label::Gear)
}

fn clipped(pair: &Pair<'_>) -> Option<Reason> {
    let sky = &pair.over.sky;
    if share(sky) < LEAST_SKY {
        return None;
    }
    let of = |samples: &Samples| {
        let flags = clipped_plane(samples);
        let both = flags.zip(sky, |&clipped, &open| clipped && open);
        (share(&both) / share(sky), both)
    };
    let lit = of(&pair.lit.small.samples);
    let plate = of(&pair.plate.small.samples);
    let (shot, (clipped, mask)) = if lit.0 >= plate.0 {
        (Shot::LitFrame, lit)
    } else {
        (Shot::Plate, plate)
    };
    let measured = Measured {
        value: 100.0 * clipped,
        limit: 100.0 * MOST_CLIPPED,
        unit: Unit::Percent,
    };
    let place = places::extent(&mask).map(|(w, _)| pair.full(w));
    let frame = match shot {
        Shot::LitFrame => "lit frame",
        Shot::Plate => "plate",
    };
    let what = format!(
        "{:.0} % of the sky is clipped in the {frame}",
        measured.value
    );
    // White stays white whichever frame it is taken from: a loss for the picture, not for the plate.
    let told = Told::of(shot, what).at_most(Bearing::Noted).advise(
        "",
        "nothing for the plate; if its detail matters, expose for the sky and raise the flash to match",
    );
    Some(pair.reason(Fault::SkyClipped, measured, place, told))
}

/// Where a channel of the small copy is clipped.
pub(super) fn clipped_plane(samples: &Samples) -> Plane<bool> {
    plane_of_pixels(samples, |codes| codes.iter().any(|&c| c >= CLIPPED))
}

/// Where all channels of it are.
pub(super) fn fully_clipped(samples: &Samples) -> Plane<bool> {
    plane_of_pixels(samples, |codes| codes.iter().all(|&c| c >= CLIPPED))
}

/// What holds of each pixel's codes; of nothing where they are no 8-bit codes, which a small copy's are.
fn plane_of_pixels(samples: &Samples, holds: impl Fn(&[u8]) -> bool + Sync) -> Plane<bool> {
    let Size { columns, rows } = samples.size;
    let CodeValues::Eight(codes) = &samples.values else {
        return Plane::filled(samples.size, false);
    };
    let channels = samples.layout.count();
    Plane::from_fn(Size { columns, rows }, |x, y| {
        let at = (y * columns + x) * channels;
        holds(&codes[at..at + channels])
    })
}
