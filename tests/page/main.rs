//! The page in a real browser: what a hand, a key, a finger and a screen reader do with it, and what
//! `derig redo` makes of what was said there.
//!
//! Needs Chromium (Debian's package `chromium`, or the program named by `CHROMIUM`); without one each
//! test says so and passes. With `PAGE_PICTURES=folder` the windows are kept there to be looked at.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod browser;
mod looks;
#[path = "../shoot/mod.rs"]
mod shoot;

use std::path::PathBuf;

use browser::{Browser, Kind};
use derig::page::{Outcome, Page, Picture, Pictures, Purpose, Sheet, Shown, document};
use derig::photo::{self, ReadLimits};
use derig::scene::Plane;
use looks::{
    difference, keep_picture, open_switches, paper, picture_once, png, reached_by_keys_and_named,
    readable_everywhere, settled_picture, was_quiet,
};
use serde_json::{Value, json};
use shoot::{Shoot, read, said};

/// The browser, or the reason why the test is passed over.
macro_rules! browser_or_skip {
    () => {
        match browser::program() {
            Some(program) => Browser::start(&program),
            None => {
                eprintln!("skipped: no Chromium on this machine (`apt-get install chromium`)");
                return;
            }
        }
    };
}

mod check;
mod corrections;

#[test]
fn the_wipe_follows_mouse_keys_and_fingers() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    shoot.cleaned(&["--page"]);
    browser.window(1280, 900, Kind::Desk);
    browser.open(&shoot.path("out/page.html"));
    let share = "Number(document.querySelector('article input[type=range]').value)";

    let slider = "article input[type=range]";
    browser.find("document.querySelector('article input[type=range]').focus({focusVisible: true})");
    let before = browser.find(share).as_f64().unwrap();
    browser.key("ArrowLeft");
    assert!(browser.find(share).as_f64().unwrap() < before);
    browser.key("Home");
    let shown = "document.querySelector('article .view').style.getPropertyValue('--wipe')";
    assert_eq!(browser.find(shown), json!("0%"));
    assert_eq!(
        browser.find(
            "document.querySelector('article input[type=range]').getAttribute('aria-valuetext')"
        ),
        json!("0 % before, 100 % after")
    );
    browser.middle("article .view");
    let after_alone = png(browser.picture_of("article .view"));
    browser.find(&format!("document.querySelector({slider:?}).focus()"));
    browser.key("End");
    let before_alone = png(browser.picture_of("article .view"));
    let differ = difference(&after_alone, &before_alone);
    assert!(differ > 0.01, "the wipe changes what is seen: {differ}");

    // The handle at the right end, dragged to a quarter.
    let view = browser.find(
        "(() => { document.querySelector('article .view').scrollIntoView({block: 'center'});
          const r = document.querySelector('article .view').getBoundingClientRect();
          return [r.x, r.y, r.width, r.height]; })()",
    );
    let [x, _, width, _] = [0, 1, 2, 3].map(|i| view[i].as_f64().unwrap());
    let handle = browser.find(
        "(() => { const r = document.querySelector('article .bar span').getBoundingClientRect();
          return [r.x + 8, r.y + r.height / 2]; })()",
    );
    let handle = [0, 1].map(|i| handle[i].as_f64().unwrap());
    browser.drag(handle, [x + 0.25 * width, handle[1]]);
    let percent = browser.find(share).as_f64().unwrap();
    assert!((percent - 25.0).abs() <= 1.0, "{percent}");

    browser.window(390, 844, Kind::Phone);
    let handle = browser.middle("article .bar span");
    browser.touch_drag(handle, [handle[0] + 150.0, handle[1]]);
    let moved = browser.find(share).as_f64().unwrap();
    assert!(moved > percent + 20.0, "{moved}");
    was_quiet(&mut browser);
}

#[test]
fn switches_show_mask_and_classes_and_frames_are_sifted() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    std::fs::write(
        shoot.path("cut.jpg"),
        &std::fs::read(shoot.path("lit-1.jpg")).unwrap()[..9000],
    )
    .unwrap();
    shoot.plate_again("still.png");
    let files = [
        "clean",
        "lit-1.jpg",
        "lit-2.jpg",
        "cut.jpg",
        "still.png",
        "-p",
        "plate.jpg",
        "-o",
        "out",
        "--page",
    ];
    assert_eq!(shoot.derig(&files).status.code(), Some(1));
    browser.window(1280, 900, Kind::Desk);
    browser.open(&shoot.path("out/page.html"));

    browser.find("document.querySelector('article .view').scrollIntoView()");
    let plain = settled_picture(&mut browser, "article .view");
    browser.click("input[name=pieces]");
    let pieces = picture_once(&mut browser, "article .view", |p| {
        difference(&plain, p) > 0.005
    });
    keep_picture("pieces", &browser.picture_of("article .view"));
    assert!(difference(&plain, &pieces) > 0.005);
    browser.click("input[name=mask]");
    let mask = picture_once(&mut browser, "article .view", |p| {
        difference(&pieces, p) > 0.0005
    });
    let edge = difference(&pieces, &mask);
    let is_on = browser.find("document.querySelector('input[name=mask]').checked");
    assert!(edge > 0.0005, "{edge}, switched on: {is_on}");
    keep_picture("mask", &browser.picture_of("article .view"));
    browser.click("input[name=mask]");
    browser.click("input[name=pieces]");
    let again = picture_once(&mut browser, "article .view", |p| {
        difference(&plain, p) < 0.001
    });
    assert!(difference(&plain, &again) < 0.001);

    let shown = "[...document.querySelectorAll('article')].filter((a) => !a.hidden).map((a) => a.dataset.lit)";
    let report = shoot.report();
    let with = |wanted: &dyn Fn(&Value) -> bool| -> Vec<String> {
        let frames = report["frames"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|f| wanted(f));
        frames
            .map(|f| f["lit"].as_str().unwrap().to_owned())
            .collect()
    };
    let sorted = |found: Value| -> Vec<String> {
        let mut names: Vec<String> = serde_json::from_value(found).unwrap();
        names.sort_unstable();
        names
    };
    browser.click("input[name=outcome][value=failed]");
    assert_eq!(sorted(browser.find(shown)), ["cut.jpg"]);
    assert_eq!(
        browser.find("document.querySelector('.count').textContent"),
        json!("1 of 4 frames shown")
    );
    browser.click("input[name=outcome][value=look]");
    let looks = with(&|f| f["report"]["verdict"] == "look-here");
    assert_eq!(sorted(browser.find(shown)), looks);
    browser.click("input[name=outcome][value=all]");
    assert_eq!(sorted(browser.find(shown)).len(), 4);
    browser.click("input[name=order][value=shot]");
    let as_shot: Vec<String> = serde_json::from_value(browser.find(shown)).unwrap();
    assert_eq!(as_shot, ["lit-1.jpg", "lit-2.jpg", "cut.jpg", "still.png"]);
    was_quiet(&mut browser);
}

#[test]
fn both_themes_a_phone_and_a_print_can_be_read() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    shoot.cleaned(&["--page"]);
    let page = shoot.path("out/page.html");
    readable_everywhere(&mut browser, &page, "");
    // The switch wins over the system.
    browser.theme("dark");
    open_switches(&mut browser);
    browser.click("input[name=theme][value=light]");
    browser.find("scrollTo(0, 0)");
    assert!(paper(&png(browser.picture())) > 200.0);
    for (name, selector) in [
        ("phone-stage", "article .stage"),
        ("phone-pieces", "article .list"),
    ] {
        browser.find("document.querySelector('article .list').open = true");
        let shot = browser.picture_of(selector);
        keep_picture(name, &shot);
    }
    let print = browser.call("Page.printToPDF", &json!({"printBackground": false}));
    let pdf = print["data"].as_str().unwrap();
    assert!(
        pdf.len() > 200_000,
        "the pictures are printed, too: {}",
        pdf.len()
    );
    if let Some(folder) = std::env::var_os("PAGE_PICTURES") {
        use base64::Engine as _;
        let pdf = base64::engine::general_purpose::STANDARD
            .decode(pdf)
            .unwrap();
        std::fs::write(PathBuf::from(folder).join("print.pdf"), pdf).unwrap();
    }
    was_quiet(&mut browser);
}

#[test]
fn everything_is_reached_by_keys_alone_and_has_a_name() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    shoot.cleaned(&["--page"]);
    browser.window(1280, 900, Kind::Desk);
    browser.open(&shoot.path("out/page.html"));
    reached_by_keys_and_named(&mut browser);
    was_quiet(&mut browser);
}

/// A piece of gear of the first frame on the page: number, point at full size.
const GEAR: &str = "(() => {
  const path = [...document.querySelector('article').querySelectorAll('.marks .c-gear')]
    .sort((a, b) => b.getBBox().width * b.getBBox().height - a.getBBox().width * a.getBBox().height)[0];
  const item = path.closest('article').querySelector(`.regions li[data-region=\"${path.dataset.region}\"]`);
  return [path.dataset.region, item.dataset.point, path.closest('article').dataset.lit];
})()";

#[test]
fn names_from_strangers_do_no_harm() {
    let mut browser = browser_or_skip!();
    let shoot = Shoot::new();
    let evil = "a'\"><img src=x onerror=document.title=1>&amp;\\.jpg";
    std::fs::rename(shoot.path("lit-2.jpg"), shoot.path(evil)).unwrap();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        evil,
        "-p",
        "plate.jpg",
        "-o",
        "out",
        "--page",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    browser.window(1280, 1000, Kind::Desk);
    browser.open(&shoot.path("out/page.html"));
    assert_eq!(
        browser.find("document.querySelectorAll('img[src=x]').length"),
        json!(0)
    );
    assert_eq!(
        browser.find("document.title.startsWith('derig')"),
        json!(true)
    );
    let frame = browser.find(&format!(
        "[...document.querySelectorAll('article')].find((a) => a.dataset.lit === {evil:?}).id"
    ));
    let frame = frame.as_str().unwrap();
    browser.find(&format!(
        "document.querySelector('#{frame} .list').open = true"
    ));
    browser.click(&format!("#{frame} .regions .keep"));
    let text = browser.find("document.querySelector('#text').value");
    let read: toml::Table = toml::from_str(text.as_str().unwrap()).unwrap();
    assert_eq!(read["correction"][0]["frames"][0].as_str(), Some(evil));
    // The command as a shell takes it.
    let command = browser.find("document.querySelector('.command').textContent");
    let words = std::process::Command::new("sh")
        .arg("-c")
        .arg(format!(
            "derig() {{ for word; do printf '%s\\n' \"$word\"; done; }}; {}",
            command.as_str().unwrap()
        ))
        .output()
        .unwrap();
    let words = String::from_utf8(words.stdout).unwrap();
    assert!(words.lines().any(|word| word == evil), "{words}");
    was_quiet(&mut browser);
}

/// A run of many frames, its pictures beside the page.
#[test]
fn many_frames_are_loaded_as_they_come_into_view() {
    const FRAMES: usize = 200;
    let mut browser = browser_or_skip!();
    let folder = tempfile::tempdir().unwrap();
    let lit = photo::read(&shoot::sample("lit-1.jpg"), &ReadLimits::default()).unwrap();
    let plate = photo::read(&shoot::sample("plate.jpg"), &ReadLimits::default()).unwrap();
    let mask = Plane::from_fn(lit.samples.size, |x, _| if x > 500 { u16::MAX } else { 0 });
    let shown = Shown {
        lit: &lit.samples,
        encoding: &lit.encoding,
        merged: &plate.samples,
        mask: &mask,
        pieces: None,
    };
    let made = Pictures::of(&shown, &[]).unwrap();
    std::fs::create_dir(folder.path().join("page")).unwrap();
    let sheet = |index: usize| {
        let mut pictures = made.clone();
        for (what, picture) in pictures.pictures_mut() {
            let address = format!("page/{index}-{what}.jpg");
            let Picture::Here(jpeg) = picture else {
                panic!("made in memory")
            };
            std::fs::write(folder.path().join(&address), jpeg).unwrap();
            *picture = Picture::Beside(address);
        }
        Sheet {
            name: format!("portrait-{index}.jpg"),
            outcome: Outcome::Finished,
            summary: String::new(),
            hand_work: Vec::new(),
            told: Vec::new(),
            notes: Vec::new(),
            facts: Vec::new(),
            pictures: Some(pictures),
        }
    };
    let page = Page {
        title: "derig: many".to_owned(),
        purpose: Purpose::HandBack {
            report: "report.json".to_owned(),
        },
        told: Vec::new(),
        frames: (0..FRAMES).map(sheet).collect(),
    };
    std::fs::write(folder.path().join("page.html"), document(&page)).unwrap();
    browser.window(1280, 900, Kind::Desk);
    browser.open(&folder.path().join("page.html"));
    let loaded = "[...document.images].filter((i) => i.complete && i.naturalWidth > 0).length";
    browser.until(&format!("{loaded} >= 4"));
    let first = browser.find(loaded).as_u64().unwrap();
    assert!(first < 4 * FRAMES as u64 / 4, "{first} pictures at once");
    browser.find("document.querySelector('article:last-of-type').scrollIntoView()");
    browser.until(
        "[...document.querySelectorAll('article:last-of-type img')].every((i) => i.complete && i.naturalWidth > 0)",
    );
    // Frames drawn while the page is scrolled through in a second, as a person would feel it.
    let drawn = browser.find(
        "new Promise((done) => { let n = 0; const from = performance.now(); const step = (now) => {
           n += 1; const t = (now - from) / 1000; scrollTo(0, t * document.body.scrollHeight);
           if (t < 1) requestAnimationFrame(step); else done(n); }; requestAnimationFrame(step); })",
    );
    eprintln!("{drawn} windows drawn in the second that 200 frames were scrolled through");
    was_quiet(&mut browser);
}
