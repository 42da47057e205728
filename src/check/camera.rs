//! Was the camera knocked, zoomed or refocused, and were its settings changed?

use super::{Fault, Measured, Pair, Reason, Shot, SmallFrame, Told, Unit};
use crate::photo::CameraFacts;

/// Shift of the picture's middle that spoils a plate, share of the long side: half of the 5 % that
/// registration is made for. Less is taken out, by hand-held frames too; more leaves no reserve, and a
/// border as wide as a light stand without a plate.
const MOST_SHIFT: f64 = 0.025;
/// Turn that spoils a plate, degrees: half of what registration is made for.
const MOST_TURN: f64 = 1.5;
/// What near and far are displaced against each other beyond any map, share of the long side: six
/// pixels of a small copy, more than a smooth field takes up.
const MOST_PARALLAX: f64 = 0.005;
/// Change of scale. A lens breathes by less while a person steps back and forth; a nudge of the zoom
/// ring is more (common practice, no source).
const MOST_ZOOM: f64 = 0.005;
/// The same as told by tags: they round to whole or tenths of millimetres.
const MOST_ZOOM_OF_TAGS: f64 = 0.03;
/// Circle of confusion, share of the diagonal: 1/1500, the usual sharpness on a print seen from its own
/// diagonal (common practice). A disc of diameter `c` blurs as a Gaussian of `c / 4` does; twice the
/// circle is soft to everybody.
const MOST_SOFTENING: f64 = 2.0 / 1500.0 / 4.0;
/// Cameras set exposure in thirds of a stop; less a tenth for rounded tags (1/160 and 1/165 are one).
pub(super) const EXPOSURE_STEP: f64 = 0.3;
/// Difference of focus distances from which it was refocused, per cent of the nearer: cameras tell it
/// in steps of some 10 %.
const MOST_REFOCUS: f64 = 20.0;
/// Minutes from lit frame to plate: in 20 the sun goes by 5 degrees (15 an hour) and shadows by their
/// own penumbrae many times; a cloud of a wide frame has left it.
const MOST_MINUTES: f64 = 20.0;

const ZOOM_BACK: &str =
    "set the lit frame's focal length again, tape the ring, and shoot the plate again";
const ZOOM_NOTED: &str = "nothing: this much is taken out; tape the ring before the next plate";
const FOCUS_NOTED: &str = "nothing: a print hardly shows it; switch autofocus off from now on";

pub(super) fn reasons(pair: &Pair<'_>) -> Vec<Reason> {
    let mut reasons = from_tags(pair.lit, pair.plate);
    reasons.extend(moved(pair));
    reasons.push(zoomed(pair));
    reasons.extend(refocused(pair));
    each_once(reasons)
}

/// Tags and pixels may tell of one fault: the heavier stays.
fn each_once(reasons: Vec<Reason>) -> Vec<Reason> {
    let mut kept: Vec<Reason> = Vec::new();
    for reason in reasons {
        match kept.iter_mut().find(|r| r.fault == reason.fault) {
            Some(known) if known.weight < reason.weight => *known = reason,
            Some(_) => {}
            None => kept.push(reason),
        }
    }
    kept
}

fn moved(pair: &Pair<'_>) -> Option<Reason> {
    let registration = &pair.over.registration;
    let factor = pair.lit.factor() as f64;
    let side = pair.size().long_side() as f64;
    let shift = registration.shift_px[0].hypot(registration.shift_px[1]) * factor;
    let parallax = registration.parallax_px * factor;
    let by_shift = Measured {
        value: shift,
        limit: MOST_SHIFT * side,
        unit: Unit::Px,
    };
    let by_turn = Measured {
        value: registration.rotation_deg.abs(),
        limit: MOST_TURN,
        unit: Unit::Degrees,
    };
    let by_parallax = Measured {
        value: parallax,
        limit: MOST_PARALLAX * side,
        unit: Unit::Px,
    };
    let told = [
        (
            by_shift,
            format!("the camera moved: the plate lies {shift:.0} px off"),
        ),
        (
            by_turn,
            format!("the camera was turned by {:.1} degrees", by_turn.value),
        ),
        (
            by_parallax,
            format!(
                "the camera was carried: near things lie {parallax:.0} px off against far ones"
            ),
        ),
    ];
    let heaviest = told
        .into_iter()
        .max_by(|a, b| a.0.weight().total_cmp(&b.0.weight()));
    let (measured, what) = heaviest?;
    let told = Told::of(Shot::Plate, what).advise(
        "lock tripod and head, frame as before, and shoot lit frame and plate again",
        "nothing: this much is taken out; lock the head before the next plate",
    );
    Some(pair.reason(Fault::CameraMoved, measured, None, told))
}

fn zoomed(pair: &Pair<'_>) -> Reason {
    let change = (pair.over.registration.scale - 1.0).abs();
    let measured = Measured {
        value: 100.0 * change,
        limit: 100.0 * MOST_ZOOM,
        unit: Unit::Percent,
    };
    let wider = pair.over.registration.scale > 1.0;
    let what = format!(
        "the lens was zoomed or refocused: the plate shows everything {:.1} % {}",
        100.0 * change,
        if wider { "smaller" } else { "larger" }
    );
    let told = Told::of(Shot::Plate, what).advise(ZOOM_BACK, ZOOM_NOTED);
    pair.reason(Fault::Zoomed, measured, None, told)
}

fn refocused(pair: &Pair<'_>) -> Option<Reason> {
    let softening = pair.plate.sharpness.softening_from(&pair.lit.sharpness)?;
    let size = pair.size();
    let diagonal = (size.columns as f64).hypot(size.rows as f64);
    let measured = Measured {
        value: softening.sigma_px.abs(),
        limit: MOST_SOFTENING * diagonal,
        unit: Unit::Px,
    };
    let blur = measured.value;
    let told = if softening.sigma_px > 0.0 {
        let what = format!("the plate is soft: blurred by {blur:.1} px against the lit frame");
        Told::of(Shot::Plate, what).advise(
            "focus as for the lit frame, switch autofocus off, use a cable release, and shoot the plate again",
            FOCUS_NOTED,
        )
    } else {
        let what = format!("the lit frame is soft: blurred by {blur:.1} px against the plate");
        Told::of(Shot::LitFrame, what).advise(
            "focus on the person, switch autofocus off, and shoot lit frame and plate again",
            FOCUS_NOTED,
        )
    };
    Some(pair.reason(Fault::FocusChanged, measured, None, told))
}

/// What the tags of the two files say, without any picture.
pub(super) fn from_tags(lit: &SmallFrame, plate: &SmallFrame) -> Vec<Reason> {
    let reason = |fault, measured, what: String, (now, when_noted): (&str, &'static str)| {
        let told = Told::of(Shot::Plate, what).advise(now, when_noted);
        told.graded(fault, measured, (None, lit.size))
    };
    let mut reasons = Vec::new();
    if let Some((stops, what)) = exposure_change(&lit.camera, &plate.camera) {
        let measured = Measured {
            value: stops,
            limit: EXPOSURE_STEP,
            unit: Unit::Stops,
        };
        let now = if plate.picture.auto_exposure == Some(true) {
            "the camera chose the exposure: set it to manual, as for the lit frame, and shoot the plate again"
        } else {
            "set shutter, aperture and ISO by hand as for the lit frame, and shoot the plate again"
        };
        let noted = "nothing: this much is evened out; set the exposure by hand for the next plate";
        reasons.push(reason(Fault::ExposureChanged, measured, what, (now, noted)));
    }
    if let (Some(a), Some(b)) = (lit.camera.focal_length, plate.camera.focal_length) {
        let measured = Measured {
            value: 100.0 * (a - b).abs() / a.max(b).max(1e-3),
            limit: 100.0 * MOST_ZOOM_OF_TAGS,
            unit: Unit::Percent,
        };
        let what = format!("zoomed: {a} mm for the lit frame, {b} mm for the plate");
        let advice = (ZOOM_BACK, ZOOM_NOTED);
        reasons.push(reason(Fault::Zoomed, measured, what, advice));
    }
    if let (Some(a), Some(b)) = (lit.picture.focus_distance, plate.picture.focus_distance) {
        let measured = Measured {
            value: 100.0 * (a - b).abs() / a.min(b),
            limit: MOST_REFOCUS,
            unit: Unit::Percent,
        };
        let what = format!("refocused: on {a} m for the lit frame, on {b} m for the plate");
        let now = "focus as for the lit frame, switch autofocus off, and shoot the plate again";
        reasons.push(reason(
            Fault::FocusChanged,
            measured,
            what,
            (now, FOCUS_NOTED),
        ));
    }
    if let Some(what) = balance_change(lit, plate) {
        let measured = one_setting();
        let now = "set the white balance by hand for both, and shoot the plate again";
        reasons.push(reason(
            Fault::WhiteBalanceChanged,
            measured,
            what,
            (now, ""),
        ));
    }
    if let Some(what) = style_change(lit, plate) {
        let now = "use one picture style for both, or develop both raw files alike";
        reasons.push(reason(
            Fault::PictureStyleChanged,
            one_setting(),
            what,
            (now, ""),
        ));
    }
    reasons.extend(minutes_apart(lit, plate).map(|minutes| {
        let measured = Measured {
            value: minutes,
            limit: MOST_MINUTES,
            unit: Unit::Minutes,
        };
        let what =
            format!("{minutes:.0} minutes between lit frame and plate: light and clouds go on");
        let now = "shoot a plate within a minute or two of the last lit frame";
        let noted = "nothing if sun and clouds are as they were; shoot the next plate sooner";
        reason(Fault::PlateLate, measured, what, (now, noted))
    }));
    reasons
}

fn one_setting() -> Measured {
    Measured {
        value: 1.0,
        limit: 1.0,
        unit: Unit::Settings,
    }
}

/// Largest change of exposure, aperture and ISO in stops, and how to say it; `None` when tags do not
/// tell of a change.
fn exposure_change(lit: &CameraFacts, plate: &CameraFacts) -> Option<(f64, String)> {
    let ratio = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) if a > 0.0 && b > 0.0 => (a / b).log2(),
        _ => 0.0,
    };
    let shutter = ratio(lit.exposure_time, plate.exposure_time);
    let aperture = -2.0 * ratio(lit.f_number, plate.f_number);
    let iso = ratio(lit.iso.map(f64::from), plate.iso.map(f64::from));
    let stops = [shutter + aperture + iso, shutter, aperture, iso]
        .into_iter()
        .fold(0.0, |most: f64, s| most.max(s.abs()));
    let mut changes = Vec::new();
    let mut tell = |stops: f64, words: Option<String>| {
        if stops.abs() >= EXPOSURE_STEP {
            changes.extend(words);
        }
    };
    let both = |a: Option<String>, b: Option<String>| Some((a?, b?));
    let shown = |name: &str, pair: Option<(String, String)>| {
        pair.map(|(lit, plate)| format!("{name} {lit} for the lit frame, {plate} for the plate"))
    };
    let seconds = |t: Option<f64>| t.map(shutter_words);
    tell(
        shutter,
        shown(
            "shutter",
            both(seconds(lit.exposure_time), seconds(plate.exposure_time)),
        ),
    );
    let number = |n: Option<f64>| n.map(|n| format!("f/{n}"));
    tell(
        aperture,
        shown(
            "aperture",
            both(number(lit.f_number), number(plate.f_number)),
        ),
    );
    let sensitivity = |iso: Option<u32>| iso.map(|iso| iso.to_string());
    tell(
        iso,
        shown("ISO", both(sensitivity(lit.iso), sensitivity(plate.iso))),
    );
    (!changes.is_empty()).then(|| (stops, changes.join("; ")))
}

fn shutter_words(seconds: f64) -> String {
    if seconds < 0.4 {
        format!("1/{:.0} s", 1.0 / seconds)
    } else {
        format!("{seconds} s")
    }
}

fn balance_change(lit: &SmallFrame, plate: &SmallFrame) -> Option<String> {
    let (a, b) = (&lit.picture, &plate.picture);
    let differ = |a: Option<u32>, b: Option<u32>| matches!((a, b), (Some(a), Some(b)) if a != b);
    match (a.auto_white_balance, b.auto_white_balance) {
        (Some(a), Some(b)) if a != b => {
            Some("white balance was automatic for one of the two".to_owned())
        }
        _ if differ(a.light_source, b.light_source) => {
            Some("white balance was set for another light".to_owned())
        }
        _ => None,
    }
}

fn style_change(lit: &SmallFrame, plate: &SmallFrame) -> Option<String> {
    let (a, b) = (&lit.picture, &plate.picture);
    let settings = [
        ("contrast", a.contrast, b.contrast),
        ("saturation", a.saturation, b.saturation),
        ("sharpening", a.sharpness, b.sharpness),
        ("special rendering", a.rendering, b.rendering),
    ];
    let changed: Vec<&str> = settings
        .into_iter()
        .filter(|(_, a, b)| matches!((a, b), (Some(a), Some(b)) if a != b))
        .map(|(name, _, _)| name)
        .collect();
    (!changed.is_empty()).then(|| format!("the camera's {} was changed", changed.join(" and ")))
}

/// Minutes between the exposures, whichever came first.
fn minutes_apart(lit: &SmallFrame, plate: &SmallFrame) -> Option<f64> {
    let time = |frame: &SmallFrame| seconds(frame.camera.date_time_original.as_deref()?);
    Some((time(lit)? - time(plate)?).abs() as f64 / 60.0)
}

/// Seconds of an EXIF time (`YYYY:MM:DD HH:MM:SS`) on a calendar whose months all have 31 days.
fn seconds(time: &str) -> Option<i64> {
    let numbers: Option<Vec<i64>> = time.split([':', ' ']).map(|n| n.parse().ok()).collect();
    match numbers?[..] {
        [year, month, day, hour, minute, second] => {
            Some((((year * 12 + month) * 31 + day) * 24 + hour) * 3600 + minute * 60 + second)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(time: f64, f_number: f64, iso: u32) -> CameraFacts {
        CameraFacts {
            exposure_time: Some(time),
            f_number: Some(f_number),
            iso: Some(iso),
            ..CameraFacts::default()
        }
    }

    /// Stops by the definitions of ISO 2720 and APEX: a doubled time, f-numbers by the root of two.
    #[test]
    fn changed_settings_are_told_in_stops() {
        let lit = facts(1.0 / 160.0, 5.6, 100);
        assert_eq!(exposure_change(&lit, &facts(1.0 / 160.0, 5.6, 100)), None);
        let (stops, what) = exposure_change(&lit, &facts(1.0 / 200.0, 5.6, 100)).unwrap();
        assert!((stops - 0.32).abs() < 0.01, "{stops}");
        assert_eq!(
            what,
            "shutter 1/160 s for the lit frame, 1/200 s for the plate"
        );
        // One stop of aperture for one of ISO: as bright, and yet not the same picture.
        let (stops, what) = exposure_change(&lit, &facts(1.0 / 160.0, 8.0, 200)).unwrap();
        assert!((stops - 1.03).abs() < 0.01, "{stops}");
        assert!(what.contains("f/5.6") && what.contains("ISO 100"), "{what}");
        let silent = CameraFacts::default();
        assert_eq!(exposure_change(&lit, &silent), None);
    }

    #[test]
    fn times_are_told_over_midnight() {
        let apart = |a: &str, b: &str| seconds(b).unwrap() - seconds(a).unwrap();
        assert_eq!(apart("2026:06:14 15:12:27", "2026:06:14 15:12:48"), 21);
        assert_eq!(apart("2026:06:14 23:50:00", "2026:06:15 00:10:00"), 1200);
        assert_eq!(seconds("    :  :     :  :  "), None);
    }
}
