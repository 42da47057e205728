//! `report.json` against its schema (JSON Schema, draft 2020-12): by a checker of the keywords that
//! the schema uses, and by PyPI `jsonschema` where a Python has it.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod independent;
mod schema;
mod shoot;

use std::collections::BTreeMap;

use derig::report::{
    Box2, FrameReport, HandWork, LightReport, REPORT_SCHEMA, REPORT_VERSION, RegionReport,
    RegistrationReport, Verdict,
};
use derig::scene::LABELS;
use serde_json::{Value, json};

use shoot::{Shoot, said};

fn schema() -> Value {
    serde_json::from_str(REPORT_SCHEMA).unwrap()
}

fn frame_report() -> Value {
    let place = Box2 {
        x: 3,
        y: 4,
        width: 50,
        height: 60,
    };
    let report = FrameReport {
        registration: RegistrationReport {
            model: "similarity".to_owned(),
            homography: [1.0, 0.0, 2.5, 0.0, 1.0, -1.0, 0.0, 0.0, 1.0],
            shift_px: [2.5, -1.0],
            rotation_deg: 0.1,
            scale: 1.001,
            residual_px: 0.04,
            tiles: 212,
            parallax_px: 0.0,
        },
        light: LightReport {
            gain: [1.02, 1.0, 0.98],
            noise_at_mid_grey: 0.004,
            sky_share: 0.3,
            drift_px: [2.5, -0.5],
        },
        regions: LABELS
            .iter()
            .map(|&class| RegionReport {
                class,
                probability: 0.75,
                place,
                area_px: 2_400,
                removed: class.is_removed(),
            })
            .collect(),
        replaced_share: 0.07,
        verdict: Verdict::LookHere,
        hand_work: vec![HandWork {
            place,
            reason: "the plate does not show what is behind the stand".to_owned(),
            confidence: 0.8,
        }],
        seconds: BTreeMap::from([("merge".to_owned(), 0.2)]),
    };
    serde_json::to_value(report).unwrap()
}

fn faults(report: &Value) -> Vec<String> {
    schema::faults(&schema(), report)
}

fn independent_faults(report: &Value) -> Option<Vec<String>> {
    schema::independent_faults(&schema(), report)
}

#[track_caller]
fn is_valid(report: &Value) {
    assert_eq!(faults(report), [""; 0], "{report:#}");
    if let Some(found) = independent_faults(report) {
        assert_eq!(found, [""; 0], "{report:#}");
    }
}

fn run(args: &[&str]) -> (Shoot, Value) {
    let shoot = Shoot::new();
    std::fs::write(shoot.path("cut.jpg"), "no picture").unwrap();
    let output = shoot.derig(&[&["clean", "--plate", "plate.jpg", "--out", "out"], args].concat());
    assert!(
        matches!(output.status.code(), Some(0 | 1)),
        "{}",
        said(&output)
    );
    let report = shoot.report();
    (shoot, report)
}

/// A run's report with the frame's part made up, so that each field has its say.
fn made_up() -> Value {
    let (_, mut report) = run(&["cut.jpg"]);
    let mut frame = report["frames"][0].clone();
    frame["status"] = json!("cleaned");
    frame["error"] = Value::Null;
    frame["merged"] = json!("cut.jpg");
    frame["mask"] = json!("cut-mask.png");
    frame["layers"] = json!({ "patch": "cut-patch.png" });
    frame["report"] = frame_report();
    report["frames"].as_array_mut().unwrap().push(frame);
    report
}

#[test]
fn the_report_of_a_failed_frame_is_valid() {
    let (_, report) = run(&["cut.jpg"]);
    assert_eq!(report["frames"][0]["status"], "failed");
    is_valid(&report);
}

#[test]
fn the_report_of_a_run_is_valid() {
    let (_, report) = run(&[
        "lit-1.jpg",
        "cut.jpg",
        "--layers",
        "patch,openraster",
        "--quality",
        "90",
    ]);
    assert_eq!(report["frames"][0]["status"], "cleaned");
    is_valid(&report);
}

#[test]
fn a_report_with_everything_in_it_is_valid() {
    is_valid(&made_up());
}

/// A field that is added to the report and forgotten in the schema is found here.
#[test]
fn the_schema_names_every_field_and_no_other() {
    let schema = schema();
    let names = |v: &Value| -> Vec<String> { v.as_object().unwrap().keys().cloned().collect() };
    let report = frame_report();
    let described = &schema["$defs"]["frame_report"]["properties"];
    assert_eq!(names(&report), names(described));
    for part in ["registration", "light"] {
        assert_eq!(names(&report[part]), names(&described[part]["properties"]));
    }
    for part in ["regions", "hand_work"] {
        assert_eq!(
            names(&report[part][0]),
            names(&described[part]["items"]["properties"])
        );
    }
    let run = made_up();
    assert_eq!(names(&run), names(&schema["properties"]));
    let frame = &schema["$defs"]["frame"]["properties"];
    assert_eq!(names(&run["frames"][0]), names(frame));
    let exposure = &schema["$defs"]["exposure"]["properties"];
    assert_eq!(names(&run["frames"][0]["exposure"]), names(exposure));
}

#[test]
fn what_is_wrong_is_found() {
    type Change = fn(&mut Value);
    let changes: [Change; 12] = [
        |r| r["report_version"] = json!(99),
        |r| r["frames"][1]["status"] = json!("failed"),
        |r| r["frames"][0]["error"] = Value::Null,
        |r| r["frames"][1]["report"]["verdict"] = json!("perfect"),
        |r| r["frames"][1]["report"]["replaced_share"] = json!(7),
        |r| r["frames"][1]["report"]["regions"][0]["class"] = json!("tripod"),
        |r| r["frames"][1]["report"]["regions"][0]["box"]["x"] = json!(-1),
        |r| r["frames"][1]["report"]["registration"]["homography"] = json!([1, 0]),
        |r| r["frames"][1]["layers"] = json!({ "hat": "hat.png" }),
        |r| r["settings"]["mask_bits"] = json!(12),
        |r| r["plates"] = json!([]),
        |r| {
            r.as_object_mut().unwrap().remove("frames");
        },
    ];
    for (i, change) in changes.into_iter().enumerate() {
        let mut report = made_up();
        change(&mut report);
        assert!(!faults(&report).is_empty(), "change {i}");
        if i < 3
            && let Some(found) = independent_faults(&report)
        {
            assert!(!found.is_empty(), "change {i}");
        }
    }
}

#[test]
fn the_schema_is_printed_and_has_the_report_s_version() {
    let output = Shoot::new().derig(&["settings", "--report-schema"]);
    assert_eq!(String::from_utf8(output.stdout).unwrap(), REPORT_SCHEMA);
    assert_eq!(
        schema()["properties"]["report_version"]["const"],
        REPORT_VERSION
    );
}
