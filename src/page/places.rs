//! Which places of a frame are shown at 100 %.

use crate::photo::{screen_copy, screen_jpeg};
use crate::report::{Box2, HandWork};
use crate::scene::{CodeValues, Encoding, Plane, Samples, Size};

use super::shown::{Picture, Place, ShotPair, Shown};

/// Quality of places at 100 %, where detail is looked at.
const PLACE_QUALITY: u8 = 88;
/// Extent of a place at 100 %, px.
pub(super) const PLACE: Size = Size {
    columns: 288,
    rows: 216,
};
/// Places shown at 100 % a frame; the rest is named and outlined.
pub(super) const MAX_PLACES: usize = 3;
/// Cells in which the busiest place is looked for, px at full size.
const CELL: usize = 16;
/// Codes of 255 by which lit frame and plate differ where something stands in one of them.
const OTHER_THING: u16 = 24;
/// Codes of 255 from a pixel to the next but one that are an edge.
const EDGE: u16 = 10;

/// The places told, at 100 %; where none is, the one where most of the mask's rim runs.
pub(super) fn places_of_a_merge(shown: &Shown<'_>, hand_work: &[HandWork]) -> Option<Vec<Place>> {
    let told: Vec<HandWork> = if hand_work.is_empty() {
        let any = shown.mask.as_slice().iter().any(|&share| share > 0);
        any.then(|| HandWork {
            place: whole(shown.lit.size),
            reason: "nothing is told against it: where most of the mask's rim runs".to_owned(),
            confidence: 0.0,
        })
        .into_iter()
        .collect()
    } else {
        apart(shown, hand_work)
    };
    told.into_iter()
        .map(|told| {
            let cut = busiest(shown, &told.place);
            let sides = [shown.lit, shown.merged].map(|samples| (samples, shown.encoding));
            place(told, cut, sides)
        })
        .collect()
}

/// What is told of, at 100 %, lit frame and plate; what is told of the whole picture where the plate has
/// most edges, on which a knock or a blur is seen.
pub(super) fn places_of_a_check(pair: &ShotPair<'_>, told: &[HandWork]) -> Option<Vec<Place>> {
    if pair.lit.size != pair.plate.size {
        return Some(Vec::new());
    }
    let full = pair.lit.size;
    let mut chosen: Vec<(Box2, &HandWork)> = Vec::new();
    for work in told {
        if chosen.len() == MAX_PLACES {
            break;
        }
        let cut = if work.place == whole(full) {
            densest(full, &work.place, &|x, y| is_edge(pair.plate, x, y))
        } else {
            densest(full, &work.place, &|x, y| differ(pair, x, y))
        };
        let cut = cut.unwrap_or_else(|| placed(full, centred(&work.place)));
        if !chosen.iter().any(|(known, _)| shows(known, &cut)) {
            chosen.push((cut, work));
        }
    }
    let sides = [
        (pair.lit, pair.lit_encoding),
        (pair.plate, pair.plate_encoding),
    ];
    chosen
        .into_iter()
        .map(|(cut, work)| place(work.clone(), cut, sides))
        .collect()
}

/// A code as one of 255.
fn code(samples: &Samples, x: usize, y: usize, channel: usize) -> u16 {
    samples.code(x, y, channel) >> (samples.bits() - 8)
}

/// Is another thing to be seen there?
fn differ(pair: &ShotPair<'_>, x: usize, y: usize) -> bool {
    let channels = pair.lit.layout.colours().min(pair.plate.layout.colours());
    (0..channels).any(|c| code(pair.lit, x, y, c).abs_diff(code(pair.plate, x, y, c)) > OTHER_THING)
}

fn is_edge(samples: &Samples, x: usize, y: usize) -> bool {
    let green = samples.layout.colours() / 2;
    x + 2 < samples.size.columns
        && code(samples, x, y, green).abs_diff(code(samples, x + 2, y, green)) > EDGE
}

fn whole(full: Size) -> Box2 {
    Box2 {
        x: 0,
        y: 0,
        width: full.columns,
        height: full.rows,
    }
}

/// Is the middle of a place to be seen in a cut?
fn shows(cut: &Box2, place: &Box2) -> bool {
    let (x, y) = (place.x + place.width / 2, place.y + place.height / 2);
    (cut.x..cut.x + cut.width).contains(&x) && (cut.y..cut.y + cut.height).contains(&y)
}

/// Coded, from both sides.
fn place(told: HandWork, cut: Box2, sides: [(&Samples, &Encoding); 2]) -> Option<Place> {
    let [before, after] = sides.map(|(samples, encoding)| {
        let part = screen_copy(&cropped(samples, &cut), encoding, usize::MAX);
        screen_jpeg(&part, PLACE_QUALITY).map(Picture::Here)
    });
    Some(Place {
        told,
        cut,
        before: before?,
        after: after?,
    })
}

/// The surest places of which none is to be seen in what another one shows.
fn apart(shown: &Shown<'_>, hand_work: &[HandWork]) -> Vec<HandWork> {
    let mut chosen: Vec<(Box2, HandWork)> = Vec::new();
    for work in hand_work {
        if chosen.len() == MAX_PLACES {
            break;
        }
        if !chosen.iter().any(|(cut, _)| shows(cut, &work.place)) {
            chosen.push((busiest(shown, &work.place), work.clone()));
        }
    }
    chosen.into_iter().map(|(_, work)| work).collect()
}

/// The window of a place's extent that shows all of `within`, or, where that is larger, most of the
/// mask's rim in it, or of the pieces where no mask is.
fn busiest(shown: &Shown<'_>, within: &Box2) -> Box2 {
    let full = shown.lit.size;
    let rim = |x: usize, y: usize| (1..u16::MAX).contains(shown.mask.at(x, y));
    let by_pieces = || {
        let pieces = shown.pieces?;
        let numbers = pieces.numbers;
        let at = |v: usize, limit: usize| (v / pieces.factor).min(limit - 1);
        let is_piece =
            |x: usize, y: usize| *numbers.at(at(x, numbers.columns()), at(y, numbers.rows())) > 0;
        densest(full, within, &is_piece)
    };
    densest(full, within, &rim)
        .or_else(by_pieces)
        .unwrap_or_else(|| placed(full, centred(within)))
}

/// Where in a place most is to be seen; all of it where it is small, `None` where nothing is seen.
fn densest(
    full: Size,
    within: &Box2,
    is_seen: &(dyn Fn(usize, usize) -> bool + Sync),
) -> Option<Box2> {
    if within.width <= PLACE.columns && within.height <= PLACE.rows {
        return Some(placed(full, centred(within)));
    }
    let cells = Size {
        columns: full.columns.div_ceil(CELL),
        rows: full.rows.div_ceil(CELL),
    };
    let inside = |x: usize, y: usize| {
        (within.x..within.x + within.width).contains(&x)
            && (within.y..within.y + within.height).contains(&y)
    };
    let counts = Plane::from_fn(cells, |cx, cy| {
        let across = cx * CELL..((cx + 1) * CELL).min(full.columns);
        (cy * CELL..((cy + 1) * CELL).min(full.rows))
            .flat_map(|y| across.clone().map(move |x| (x, y)))
            .filter(|&(x, y)| inside(x, y) && is_seen(x, y))
            .count() as u32
    });
    let around = [PLACE.columns / CELL, PLACE.rows / CELL];
    let sum = |cx: usize, cy: usize| -> u32 {
        let (right, bottom) = (
            (cx + around[0]).min(cells.columns),
            (cy + around[1]).min(cells.rows),
        );
        (cy..bottom)
            .flat_map(|y| &counts.row(y)[cx..right])
            .sum::<u32>()
    };
    let best = (0..cells.area())
        .map(|at| (at % cells.columns, at / cells.columns))
        .map(|(cx, cy)| (sum(cx, cy), cx, cy))
        // The first of equals.
        .fold(
            (0, 0, 0),
            |best, next| if next.0 > best.0 { next } else { best },
        );
    match best {
        (0, ..) => None,
        (_, cx, cy) => Some(placed(full, [cx * CELL, cy * CELL])),
    }
}

/// Corner of a place that has the middle of a box in its middle.
fn centred(within: &Box2) -> [usize; 2] {
    [
        (within.x + within.width / 2).saturating_sub(PLACE.columns / 2),
        (within.y + within.height / 2).saturating_sub(PLACE.rows / 2),
    ]
}

fn placed(full: Size, corner: [usize; 2]) -> Box2 {
    let width = PLACE.columns.min(full.columns);
    let height = PLACE.rows.min(full.rows);
    Box2 {
        x: corner[0].min(full.columns - width),
        y: corner[1].min(full.rows - height),
        width,
        height,
    }
}

fn cropped(picture: &Samples, cut: &Box2) -> Samples {
    let step = picture.layout.count();
    let stride = picture.size.columns * step;
    let rows = |at: usize| at * stride + cut.x * step..at * stride + (cut.x + cut.width) * step;
    let ranges = (cut.y..cut.y + cut.height).map(rows);
    Samples {
        size: Size {
            columns: cut.width,
            rows: cut.height,
        },
        layout: picture.layout,
        values: match &picture.values {
            CodeValues::Eight(v) => CodeValues::Eight(ranges.flat_map(|r| v[r].to_vec()).collect()),
            CodeValues::Sixteen(v) => {
                CodeValues::Sixteen(ranges.flat_map(|r| v[r].to_vec()).collect())
            }
        },
    }
}
