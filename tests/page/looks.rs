//! What any page must be: quiet, readable in both themes and on a phone, reached by keys, named.

use std::path::{Path, PathBuf};

use derig::photo::{self, ReadLimits};
use derig::scene::Samples;
use serde_json::{Value, json};

use super::browser::{Browser, Kind};

/// Opens what a narrow window keeps closed.
pub(crate) fn open_switches(browser: &mut Browser) {
    browser.find("document.querySelector('details.all').open = true");
}

pub(crate) fn keep_picture(name: &str, png: &[u8]) {
    if let Some(folder) = std::env::var_os("PAGE_PICTURES") {
        let folder = PathBuf::from(folder);
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(format!("{name}.png")), png).unwrap();
    }
}

pub(crate) fn png(bytes: Vec<u8>) -> Samples {
    photo::read_bytes(bytes, &ReadLimits::default())
        .unwrap()
        .samples
}

/// Share of pixels that differ by more than what a coder does.
pub(crate) fn difference(one: &Samples, other: &Samples) -> f64 {
    assert_eq!(one.size, other.size);
    let size = one.size;
    let differs =
        |x: usize, y: usize| (0..3).any(|c| one.code(x, y, c).abs_diff(other.code(x, y, c)) > 40);
    let count = (0..size.area())
        .filter(|at| differs(at % size.columns, at / size.columns))
        .count();
    count as f64 / size.area() as f64
}

/// Nothing was said on the console, nothing was asked of a network.
pub(crate) fn was_quiet(browser: &mut Browser) {
    // Answers to what was asked before are in by then.
    browser.find("new Promise((done) => setTimeout(() => done(true), 100))");
    for event in [
        "Runtime.consoleAPICalled",
        "Runtime.exceptionThrown",
        "Log.entryAdded",
    ] {
        let seen = browser.seen(event);
        assert!(seen.is_empty(), "{event}: {seen:?}");
    }
    let asked: Vec<String> = browser
        .seen("Network.requestWillBeSent")
        .iter()
        .map(|e| {
            e["request"]["url"]
                .as_str()
                .unwrap()
                .chars()
                .take(60)
                .collect()
        })
        .collect();
    let is_own = |url: &String| {
        ["file:", "data:", "blob:", "about:"]
            .iter()
            .any(|own| url.starts_with(own))
    };
    assert!(!asked.is_empty() && asked.iter().all(is_own), "{asked:?}");
}

/// What a selector shows once it is as `wanted`: on a busy machine it may be painted only after the
/// click's answer. Given up after ten seconds; the caller's assertion tells then.
pub(crate) fn picture_once(
    browser: &mut Browser,
    selector: &str,
    wanted: impl Fn(&Samples) -> bool,
) -> Samples {
    let mut picture = png(browser.picture_of(selector));
    for _ in 0..100 {
        if wanted(&picture) {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
        picture = png(browser.picture_of(selector));
    }
    picture
}

/// A picture once nothing moves any more: pictures on the page are loaded as they come into view.
pub(crate) fn settled_picture(browser: &mut Browser, selector: &str) -> Samples {
    let mut before = png(browser.picture_of(selector));
    for _ in 0..20 {
        std::thread::sleep(std::time::Duration::from_millis(150));
        let now = png(browser.picture_of(selector));
        let is_still = difference(&before, &now) < 1e-6;
        before = now;
        if is_still {
            break;
        }
    }
    before
}

/// Mean code value of a window's corner: is the paper dark?
pub(crate) fn paper(picture: &Samples) -> f64 {
    let sum: u32 = (0..8).map(|x| u32::from(picture.code(x, 60, 1))).sum();
    f64::from(sum) / 8.0
}

/// Both themes, a desk and a phone: dark is dark, nothing runs out of the window, targets are large
/// enough for a finger. `which` begins the names of the pictures kept.
pub(crate) fn readable_everywhere(browser: &mut Browser, page: &Path, which: &str) {
    for (name, width, height, kind) in [
        ("wide", 1280, 900, Kind::Desk),
        ("phone", 390, 844, Kind::Phone),
    ] {
        for theme in ["light", "dark"] {
            browser.window(width, height, kind);
            browser.theme(theme);
            browser.open(page);
            let shot = browser.picture();
            keep_picture(&format!("{which}{name}-{theme}"), &shot);
            assert_eq!(paper(&png(shot)) < 100.0, theme == "dark", "{name} {theme}");
            let wider = browser.find(
                "document.documentElement.scrollWidth > document.documentElement.clientWidth",
            );
            assert_eq!(
                wider,
                json!(false),
                "{name}: nothing runs out of the window"
            );
            // WCAG 2.2, 2.5.8: targets of 24 CSS pixels.
            let small = browser.find(
                "[...document.querySelectorAll('button, summary, .switches label, input[type=range], .bar span')]
                 .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 24).length",
            );
            assert_eq!(small, json!(0), "{name}");
        }
    }
}

/// Everything that can be used is reached with Tab, is seen to be, and has a name for a screen reader.
pub(crate) fn reached_by_keys_and_named(browser: &mut Browser) {
    browser.find("document.querySelectorAll('details').forEach((d) => { d.open = true; })");
    let able = browser.find(
        "[...document.querySelectorAll('a[href], button, input, textarea, summary, pre[tabindex]')]
         .filter((e) => e.offsetParent && !(e.type === 'radio' && !e.checked)).length",
    );
    let able = able.as_u64().unwrap();
    let mut reached = std::collections::BTreeSet::new();
    for _ in 0..able + 2 {
        browser.key("Tab");
        let at = browser.find(
            "(() => { const e = document.activeElement; const s = getComputedStyle(e);
              const all = [...document.querySelectorAll('*')];
              return [all.indexOf(e), e === document.body || s.outlineStyle !== 'none']; })()",
        );
        assert_eq!(at[1], json!(true), "focus is seen at {at}");
        reached.insert(at[0].as_u64().unwrap());
    }
    assert!(reached.len() as u64 >= able, "{} of {able}", reached.len());

    let tree = browser.call("Accessibility.getFullAXTree", &json!({}));
    let nodes = tree["nodes"].as_array().unwrap();
    let role = |node: &Value| {
        node["role"]["value"]
            .as_str()
            .unwrap_or_default()
            .to_owned()
    };
    let shown = || nodes.iter().filter(|n| n["ignored"] == false);
    for landmark in ["banner", "main", "region"] {
        assert!(shown().any(|n| role(n) == landmark), "{landmark}");
    }
    for node in shown() {
        let needs_name = [
            "button",
            "slider",
            "radio",
            "checkbox",
            "image",
            "img",
            "textbox",
            "spinbutton",
            "article",
            "link",
        ];
        if needs_name.contains(&role(node).as_str()) {
            let name = node["name"]["value"].as_str().unwrap_or_default();
            assert!(!name.trim().is_empty(), "{node}");
        }
    }
}
