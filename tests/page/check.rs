//! The page of `derig check`: each lit frame beside its plate, with the reasons.

use std::path::PathBuf;

use derig::photo::{self, Existing, Format, Metadata};
use derig::scene::{CodeValues, linear_from_srgb, srgb_from_linear};
use serde_json::{Value, json};

use super::browser::{self, Browser, Kind};
use super::looks::{
    difference, keep_picture, picture_once, png, reached_by_keys_and_named, readable_everywhere,
    was_quiet,
};
use super::shoot::{Shoot, read, said};

/// A shoot with two good frames, one that was exposed half a stop more, and a torn file, checked.
fn checked(shoot: &Shoot) -> PathBuf {
    let mut samples = read(&shoot.path("lit-1.jpg"));
    if let CodeValues::Eight(codes) = &mut samples.values {
        for code in codes.iter_mut() {
            let light = 2f64.sqrt() * linear_from_srgb(f64::from(*code) / 255.0);
            *code = (255.0 * srgb_from_linear(light.min(1.0)) + 0.5) as u8;
        }
    }
    let bright = shoot.path("bright.png");
    let none = Metadata::default();
    photo::write(&bright, samples, &none, Format::Png, Existing::Keep).unwrap();
    std::fs::write(shoot.path("torn.jpg"), b"\xff\xd8\xff\xe0 torn").unwrap();
    let frames = ["check", "lit-1.jpg", "lit-2.jpg", "bright.png", "torn.jpg"];
    let rest = ["--plate", "plate.jpg", "--page", "check.html"];
    let output = shoot.derig(&[&frames[..], &rest].concat());
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    shoot.path("check.html")
}

fn names_shown(browser: &mut Browser) -> Vec<String> {
    let shown = browser.find(
        "[...document.querySelectorAll('article')].filter((a) => !a.hidden).map((a) => a.dataset.lit)",
    );
    serde_json::from_value(shown).unwrap()
}

#[test]
fn the_page_of_a_check_shows_frames_plates_and_reasons() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    let page = checked(&shoot);
    readable_everywhere(&mut browser, &page, "check-");

    browser.window(1280, 900, Kind::Desk);
    browser.theme("light");
    browser.open(&page);
    let title = browser.find("document.querySelector('h1').textContent");
    assert_eq!(title, json!("derig check: set-up: shoot again the plate"));
    // What cannot be read and what must be shot again comes first.
    assert_eq!(names_shown(&mut browser)[..2], ["torn.jpg", "bright.png"]);
    let bright = "[data-lit=\"bright.png\"]";
    let first = browser.find(&format!(
        "document.querySelector('{bright} .told li').textContent"
    ));
    let first = first.as_str().unwrap();
    for words in [
        "spoils the frame",
        "darker all over",
        "limit",
        "Now: set shutter",
    ] {
        assert!(first.contains(words), "{words}: {first}");
    }
    for (answer, frames) in [
        ("again", &["bright.png"][..]),
        ("unreadable", &["torn.jpg"]),
        ("go", &["lit-1.jpg", "lit-2.jpg"]),
    ] {
        browser.click(&format!("input[name=outcome][value={answer}]"));
        let mut shown = names_shown(&mut browser);
        shown.sort();
        assert_eq!(shown, frames, "{answer}");
    }
    browser.click("input[name=outcome][value=all]");

    // Places of the reasons, pixel by pixel, lit frame and plate.
    let places: Value = browser.find(&format!(
        "[...document.querySelectorAll('{bright} .places img')].map((i) => [i.alt, i.width, i.naturalWidth || i.width])"
    ));
    let places = places.as_array().unwrap();
    assert!(places.len() >= 2, "{places:?}");
    assert!(places[0][0].as_str().unwrap().ends_with("lit frame"));
    assert!(places[1][0].as_str().unwrap().ends_with("plate"));
    assert!(places.iter().all(|p| p[1] == p[2]), "at 100 %: {places:?}");

    // The wipe, with keys alone.
    let slider = format!("document.querySelector('{bright} .wipe input')");
    browser.find(&format!("{slider}.focus({{focusVisible: true}})"));
    browser.key("Home");
    let told = browser.find(&format!("{slider}.getAttribute('aria-valuetext')"));
    assert_eq!(told, json!("0 % lit frame, 100 % plate"));
    browser.middle(&format!("{bright} .view"));
    let plate = png(browser.picture_of(&format!("{bright} .view")));
    keep_picture(
        "check-plate",
        &browser.picture_of(&format!("{bright} .view")),
    );
    browser.find(&format!("{slider}.focus()"));
    browser.key("End");
    let lit = picture_once(&mut browser, &format!("{bright} .view"), |p| {
        difference(&plate, p) > 0.01
    });
    assert!(difference(&plate, &lit) > 0.01);

    // Nothing can be said here, so nothing asks to.
    let asking = "document.querySelectorAll('#corrections, .keep, .take, .region, .legend').length";
    assert_eq!(browser.find(asking), json!(0));
    reached_by_keys_and_named(&mut browser);
    let print = browser.call("Page.printToPDF", &json!({"printBackground": false}));
    assert!(print["data"].as_str().unwrap().len() > 200_000);
    was_quiet(&mut browser);
}
