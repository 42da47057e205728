//! `derig plan` as its users meet it.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use std::process::Output;

use shoot::{Shoot, said};

const USUAL: [&str; 9] = [
    "plan",
    "--focal",
    "24",
    "--subject-distance",
    "3",
    "--modifier",
    "0.9x1.2",
    "--light-distance",
    "1.5",
];

fn plan(shoot: &Shoot, more: &[&str]) -> Output {
    shoot.derig(&[&USUAL, more].concat())
}

fn answer(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", said(output));
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn json(shoot: &Shoot, args: &[&str]) -> serde_json::Value {
    let output = shoot.derig(&[&["plan", "--json"], args].concat());
    serde_json::from_str(&answer(&output)).unwrap()
}

#[test]
fn every_way_out_is_weighed_in_words() {
    let shoot = Shoot::new();
    let text = answer(&plan(&shoot, &[]));
    for words in [
        "The modifier is in the picture",
        "The lens sees 73.7 x 53.1 degrees, at the person 4.50 x 3.00 m",
        "Move the light:",
        "Step closer:",
        "Hide the light:",
        "Shoot a plate:",
        "Advice: ",
        "stops",
        "harder",
        "sandbag",
        "local codes",
        "water",
    ] {
        assert!(text.contains(words), "{words} is missing in\n{text}");
    }
}

#[test]
fn a_boom_brings_its_own_caution() {
    let shoot = Shoot::new();
    let text = answer(&plan(&shoot, &["--boom", "1.5"]));
    assert!(text.contains("nobody stands or walks under it"), "{text}");
}

/// Horizontal, vertical, diagonal on 36 x 24 mm (handbook table, see `src/planning/optics.rs`) and
/// on an unequal aspect, 17.3 x 13.0 mm at half the focal length: the same diagonal alone.
#[test]
fn json_carries_the_handbook_angles() {
    let shoot = Shoot::new();
    let with = |camera: &[&str]| {
        let rest = [
            "--subject-distance",
            "3",
            "--modifier",
            "1",
            "--light-distance",
            "1.5",
        ];
        json(&shoot, &[camera, &rest].concat())
    };
    let near = |v: &serde_json::Value, expected: f64| {
        assert!(
            (v.as_f64().unwrap() - expected).abs() < 0.1,
            "{v} {expected}"
        );
    };
    let lens = &with(&["--focal", "35"])["lens"];
    near(&lens["horizontal"], 54.4);
    near(&lens["vertical"], 37.8);
    near(&lens["diagonal"], 63.4);
    let lens = &with(&["--focal", "12", "--sensor", "17.3x13"])["lens"];
    near(&lens["diagonal"], 84.1);
    near(&lens["horizontal"], 71.6);
    let lens = &with(&["--focal", "35", "--orientation", "portrait"])["lens"];
    near(&lens["horizontal"], 37.8);
}

/// Guide number 40 at f/8 reaches 5 m; a stop is a factor of the square root of 2 (handbook rules).
#[test]
fn json_carries_stops_and_flash_power() {
    let shoot = Shoot::new();
    let found = json(
        &shoot,
        &[
            "--focal",
            "24",
            "--subject-distance",
            "3",
            "--modifier",
            "1",
            "--light-distance",
            "2.5",
            "--guide-number",
            "40",
            "--aperture",
            "8",
        ],
    );
    let spare = found["ways"]["now"]["power_to_spare"].as_f64().unwrap();
    assert!((spare - 2.0).abs() < 1e-9, "{spare}");
    for way in found["ways"]["moves"].as_array().unwrap() {
        let to = way["cost"]["light_distance"].as_f64().unwrap();
        let stops = way["cost"]["stops"].as_f64().unwrap();
        assert!((stops - 2.0 * (2.5 / to).log2()).abs() < 1e-9);
    }
}

#[test]
fn the_drawing_is_written_once_and_is_xml() {
    let shoot = Shoot::new();
    answer(&plan(&shoot, &["--drawing", "plan.svg"]));
    let drawn = std::fs::read_to_string(shoot.path("plan.svg")).unwrap();
    let parsed = roxmltree::Document::parse(&drawn).unwrap();
    assert_eq!(parsed.root_element().tag_name().name(), "svg");
    let again = plan(&shoot, &["--drawing", "plan.svg"]);
    assert_eq!(again.status.code(), Some(2), "{}", said(&again));
    assert!(said(&again).contains("the file exists already"));
    answer(&plan(&shoot, &["--drawing", "plan.svg", "--overwrite"]));
}

#[test]
fn nonsense_is_refused() {
    let shoot = Shoot::new();
    let cases: [(&[&str], &str); 9] = [
        (&["--focal", "0"], "the focal length is 0 mm"),
        (&["--focal", "-24"], "unexpected argument"),
        (&["--focal", "NaN"], "the focal length is NaN mm"),
        (&["--sensor", "0x24"], "a side of the sensor is 0 mm"),
        (&["--sensor", "36"], "two sides in millimetres are meant"),
        (&["--subject-distance", "far"], "a length such as"),
        (&["--modifier", "0x0"], "a side of the modifier is 0 m"),
        (&["--light-height", "9"], "cannot be 9 m above the ground"),
        (&["--crop", "0"], "a number above 0 is meant"),
    ];
    for (wrong, words) in cases {
        let name = wrong[0];
        let kept: Vec<&str> = USUAL[1..]
            .chunks(2)
            .filter(|pair| pair[0] != name)
            .flatten()
            .copied()
            .collect();
        let output = shoot.derig(&[&["plan"], &kept[..], wrong].concat());
        assert_eq!(output.status.code(), Some(2), "{wrong:?}");
        assert!(said(&output).contains(words), "{}", said(&output));
        assert!(output.stdout.is_empty());
    }
}
