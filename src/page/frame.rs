//! One frame of the page.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};

use super::pictures::Pictures;
use super::regions::{Region, class_words};
use super::shown::{Picture, Place};
use super::{Page, Purpose, Sheet, told, words};
use crate::check::Reason;
use crate::report::{Box2, HandWork};
use crate::scene::Label;

/// Rules that differ from frame to frame: which part of the cleaned picture counts.
pub(super) fn rules(page: &Page) -> String {
    let mut rules = String::new();
    for (index, sheet) in page.frames.iter().enumerate() {
        let Some(pictures) = &sheet.pictures else {
            continue;
        };
        let Some(after) = &pictures.after else {
            continue;
        };
        let (size, part) = (pictures.size, after.part);
        let percent = |at: usize, of: usize| 100.0 * at as f64 / of as f64;
        // Writing into a `String` cannot fail.
        let _ = write!(
            rules,
            "#f{index}{{--top:{:.4}%;--right:{:.4}%;--bottom:{:.4}%;--left:{:.4}%}}",
            percent(part.top, size.rows),
            percent(size.columns - part.right, size.columns),
            percent(size.rows - part.bottom, size.rows),
            percent(part.left, size.columns),
        );
    }
    rules
}

pub(super) fn article(page: &Page, index: usize) -> Markup {
    let (sheet, sides) = (&page.frames[index], page.purpose.sides());
    let id = format!("f{index}");
    html! {
        // By its own words: a title within is not there for a reader while the frame is out of view.
        article id=(id) data-outcome=(sheet.outcome.key()) data-lit=(sheet.name) data-shot=(index)
            aria-label=(sheet.name) {
            (heading(&sheet.name))
            p.verdict {
                span class={ "mark " (sheet.outcome.key()) } { (sheet.outcome.words()) }
                @if !sheet.summary.is_empty() { " " (sheet.summary) }
            }
            @if !sheet.notes.is_empty() {
                ul.notes { @for note in &sheet.notes { li { (note) } } }
            }
            (told::reasons(&sheet.told, |reason| place_number(sheet, reason)))
            @match &sheet.pictures {
                Some(pictures) => {
                    (places(pictures, sheet, sides))
                    (stage(pictures, sheet, sides))
                    @if page.purpose != Purpose::Check { (pieces(pictures, &id)) }
                }
                None => @if sheet.told.is_empty() { (reasons(sheet.hand_work.iter())) },
            }
            @if !sheet.facts.is_empty() {
                details.facts {
                    summary { "Measured" }
                    dl { @for (name, value) in &sheet.facts { dt { (name) } dd { (value) } } }
                }
            }
        }
    }
}

/// At which of the places at 100 % a reason is to be seen.
fn place_number(sheet: &Sheet, reason: &Reason) -> Option<usize> {
    let mut places = sheet.pictures.as_ref()?.places.iter();
    let at = places.position(|place| place.told.reason == reason.what)?;
    Some(at + 1)
}

/// The file's name, and the folder behind it.
fn heading(name: &str) -> Markup {
    let (folder, file) = match name.rsplit_once('/') {
        Some((folder, file)) if !file.is_empty() => (Some(folder), file),
        _ => (None, name),
    };
    html! {
        h2 { (file) @if let Some(folder) = folder { " " small { "in " (folder) } } }
    }
}

/// Each reason once, with how often it is told.
fn reasons<'a>(hand_work: impl Iterator<Item = &'a HandWork>) -> Markup {
    let mut counted: Vec<(&str, usize)> = Vec::new();
    for work in hand_work {
        match counted
            .iter_mut()
            .find(|(reason, _)| *reason == work.reason)
        {
            Some((_, count)) => *count += 1,
            None => counted.push((&work.reason, 1)),
        }
    }
    html! {
        @if !counted.is_empty() {
            ul.reasons {
                @for (reason, count) in counted {
                    li { (reason) @if count > 1 { " (" (count) " places)" } }
                }
            }
        }
    }
}

/// What is told of a frame and not shown at 100 %.
fn not_shown<'a>(pictures: &'a Pictures, sheet: &'a Sheet) -> impl Iterator<Item = &'a HandWork> {
    let is_shown = |work: &HandWork| pictures.places.iter().any(|place| place.told == *work);
    sheet.hand_work.iter().filter(move |work| !is_shown(work))
}

fn places(pictures: &Pictures, sheet: &Sheet, sides: [&str; 2]) -> Markup {
    html! {
        @if !pictures.places.is_empty() {
            section.places aria-label="Places at 100 %" {
                @for (number, place) in pictures.places.iter().enumerate() {
                    (at_full_size(place, number + 1, (pictures, sides)))
                }
            }
        }
        @if sheet.told.is_empty() { (reasons(not_shown(pictures, sheet))) }
    }
}

fn at_full_size(
    place: &Place,
    number: usize,
    (pictures, [one, other]): (&Pictures, [&str; 2]),
) -> Markup {
    let middle = [
        place.cut.x + place.cut.width / 2,
        place.cut.y + place.cut.height / 2,
    ];
    let where_ = words::place(middle, pictures.full);
    let [width, height] = [place.cut.width, place.cut.height];
    let picture = |kind: &str, picture: &Picture| {
        html! {
            span.half {
                img src=(address(picture)) width=(width) height=(height) loading="lazy" decoding="async"
                    alt={ "Place " (number) ", " (where_) ", " (kind) };
                span aria-hidden="true" { (kind) }
            }
        }
    };
    html! {
        figure {
            div.pair { (picture(one, &place.before)) (picture(other, &place.after)) }
            figcaption {
                b { (number) } " " (place.told.reason) " "
                span.where { "(" (where_) ", 100 %)" }
            }
        }
    }
}

fn stage(pictures: &Pictures, sheet: &Sheet, [one, other]: [&str; 2]) -> Markup {
    let name = &sheet.name;
    let size = pictures.size;
    let [width, height] = [size.columns, size.rows];
    html! {
        figure.stage data-scale=(pictures.scale) data-full={ (pictures.full.columns) " " (pictures.full.rows) } {
            div.view {
                img src=(address(&pictures.before)) width=(width) height=(height) loading="lazy" decoding="async"
                    alt={ (name) ", " (one) };
                @if let Some(after) = &pictures.after {
                    img.after src=(address(&after.picture)) width=(width) height=(height) loading="lazy"
                        decoding="async" alt={ (name) ", " (other) };
                }
                (marks(pictures, sheet))
                @if pictures.after.is_some() { div.bar aria-hidden="true" { span {} } }
            }
            @if pictures.after.is_some() {
                figcaption.wipe {
                    label {
                        span { "Wipe: " (one) " at the left, " (other) " at the right" }
                        input type="range" min="0" max="100" value="50"
                            aria-valuetext={ "half " (one) ", half " (other) };
                    }
                }
            }
        }
    }
}

fn marks(pictures: &Pictures, sheet: &Sheet) -> Markup {
    let size = pictures.size;
    let scale = pictures.scale as f64;
    let scaled = |v: usize| format!("{:.1}", v as f64 / scale);
    html! {
        svg.marks viewBox={ "0 0 " (size.columns) " " (size.rows) } preserveAspectRatio="none" aria-hidden="true"
            focusable="false" {
            @for (number, region) in pictures.regions.iter().enumerate() {
                path class={ "region c-" (region.class.name()) } data-region=(number) d=(region.path) {}
            }
            path.edge-dark d=(pictures.mask) {}
            path.edge d=(pictures.mask) {}
            @for work in not_shown(pictures, sheet) {
                g.place.rest { (rectangle(&work.place, scaled)) }
            }
            @for (number, place) in pictures.places.iter().enumerate() {
                (place_mark(place, number + 1, scaled))
            }
        }
    }
}

/// What is told of, or, where nothing is, what is shown.
fn place_mark(place: &Place, number: usize, scaled: impl Fn(usize) -> String) -> Markup {
    let at = if place.told.confidence > 0.0 {
        place.told.place
    } else {
        place.cut
    };
    html! {
        g.place {
            (rectangle(&at, &scaled))
            text x=(scaled(at.x)) y=(scaled(at.y + at.height)) dx="5" dy="-6" { (number) }
        }
    }
}

fn rectangle(at: &Box2, scaled: impl Fn(usize) -> String) -> Markup {
    html! {
        rect x=(scaled(at.x)) y=(scaled(at.y)) width=(scaled(at.width)) height=(scaled(at.height)) {}
    }
}

fn pieces(pictures: &Pictures, id: &str) -> Markup {
    let full = pictures.full;
    html! {
        details.list {
            summary { "Pieces and places to keep or take (" (pictures.regions.len()) ")" }
            ul.regions {
                @for (number, region) in pictures.regions.iter().enumerate() {
                    (piece(region, number, pictures))
                }
            }
            fieldset.boxes {
                legend { "A box of your own, in pixels of the frame at full size" }
                p { "Type it, or press \u{201c}Draw\u{201d} and drag across the picture. All of the box is meant." }
                p.row {
                    @for (name, words, most) in [
                        ("x", "left", full.columns - 1),
                        ("y", "top", full.rows - 1),
                        ("width", "width", full.columns),
                        ("height", "height", full.rows),
                    ] {
                        label for={ (id) "-" (name) } { (words) }
                        input id={ (id) "-" (name) } name=(name) type="number" min="0" max=(most) step="1"
                            inputmode="numeric";
                    }
                    button.draw type="button" aria-pressed="false" { "Draw" }
                    button.keep type="button" { "Keep the box" }
                    button.take type="button" { "Take the box out" }
                }
                ul.drawn {}
            }
        }
    }
}

fn piece(region: &Region, number: usize, pictures: &Pictures) -> Markup {
    let words = format!(
        "{}, {}, {}",
        class_words(region.class),
        words::place(region.point, pictures.full),
        words::share(region.area_px, pictures.full)
    );
    let now = if region.class.is_removed() {
        "is taken out"
    } else {
        "is kept"
    };
    html! {
        li data-region=(number) data-words=(words)
            data-point={ (region.point[0]) ", " (region.point[1]) } {
            (swatch(region.class)) " "
            span { (words) ": " (now) }
            span.row role="group" aria-label=(words) {
                button.keep type="button" aria-pressed="false" { "Keep" }
                button.take type="button" aria-pressed="false" { "Take out" }
            }
        }
    }
}

pub(super) fn swatch(class: Label) -> Markup {
    html! {
        svg.swatch viewBox="0 0 32 20" aria-hidden="true" focusable="false" {
            rect class={ "c-" (class.name()) } x="1" y="1" width="30" height="18" {}
        }
    }
}

fn address(picture: &Picture) -> String {
    match picture {
        Picture::Here(jpeg) => format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg)),
        Picture::Beside(address) => address.clone(),
    }
}
