//! `derig.toml` and `derig settings` as their users meet them.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

mod shoot;

use shoot::{Shoot, said};

fn printed(shoot: &Shoot, args: &[&str]) -> String {
    let output = shoot.derig(&[&["settings"], args].concat());
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    String::from_utf8(output.stdout).unwrap()
}

fn line<'a>(text: &'a str, key: &str) -> &'a str {
    let found = text
        .lines()
        .find(|l| l.trim_start_matches("# ").starts_with(&format!("{key} ")));
    found.unwrap_or_else(|| panic!("{key} is missing in\n{text}"))
}

#[test]
fn settings_say_where_they_are_from() {
    let shoot = Shoot::new();
    let text = printed(&shoot, &[]);
    assert!(line(&text, "out").starts_with("# out is not set"), "{text}");
    for key in [
        "out",
        "format",
        "quality",
        "mask-depth",
        "mask-format",
        "layers",
    ] {
        assert!(line(&text, key).ends_with("# built in"), "{text}");
    }
    let file = "[clean]\nout = \"{folder}/cleaned\"\n\nmask-depth = 16\nlayers = [\"patch\"]\n";
    std::fs::write(shoot.path("derig.toml"), file).unwrap();
    let text = printed(&shoot, &[]);
    assert!(
        line(&text, "out").ends_with("# derig.toml, line 2"),
        "{text}"
    );
    assert!(
        line(&text, "mask-depth").ends_with("# derig.toml, line 4"),
        "{text}"
    );
    assert!(line(&text, "format").ends_with("# built in"), "{text}");
}

#[test]
fn what_is_printed_can_be_used_as_a_file() {
    let shoot = Shoot::new();
    let file =
        "[clean]\nout = 'a \"b\" {folder}'\nquality = 90\nlayers = [\"openraster\", \"patch\"]\n";
    std::fs::write(shoot.path("derig.toml"), file).unwrap();
    let text = printed(&shoot, &[]);
    std::fs::write(shoot.path("again.toml"), &text).unwrap();
    let again = printed(&shoot, &["--settings", "again.toml"]);
    let values = |text: &str| -> Vec<String> {
        let lines = text.lines().filter(|l| l.contains(" = "));
        lines
            .map(|l| l[..l.rfind('#').unwrap()].trim().to_owned())
            .collect()
    };
    assert_eq!(values(&text), values(&again));
    assert_eq!(values(&text).len(), 8, "{text}");
}

#[test]
fn mistakes_are_refused_with_file_and_line_before_any_work() {
    let shoot = Shoot::new();
    std::fs::write(
        shoot.path("derig.toml"),
        "[clean]\nout = \"out\"\nmask-dept = 8\n",
    )
    .unwrap();
    for command in [
        &["settings"][..],
        &["clean", "lit-1.jpg", "--plate", "plate.jpg"],
    ] {
        let output = shoot.derig(command);
        assert_eq!(output.status.code(), Some(2));
        let said = said(&output);
        assert!(
            said.starts_with("error: `derig.toml`, line 3: unknown field `mask-dept`"),
            "{said}"
        );
        assert!(said.contains("hint: "), "{said}");
        assert!(output.stdout.is_empty() && !shoot.path("out").exists());
    }
    let missing = shoot.derig(&["settings", "--settings", "studio.toml"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(said(&missing).contains("cannot read the settings `studio.toml`"));
}

#[test]
fn without_an_output_folder_the_run_is_refused() {
    let shoot = Shoot::new();
    let output = shoot.derig(&["clean", "lit-1.jpg", "--plate", "plate.jpg"]);
    assert_eq!(output.status.code(), Some(2));
    let said = said(&output);
    assert!(
        said.starts_with("error: no output folder is named"),
        "{said}"
    );
    assert!(
        said.contains("hint: name one with `--out`, or always the same one as `out` in"),
        "{said}"
    );
}

/// A frame that cannot be read is enough to see where the report goes and what it says.
#[test]
fn the_file_s_settings_are_followed_and_the_command_line_wins() {
    let shoot = Shoot::new();
    std::fs::create_dir(shoot.path("card")).unwrap();
    std::fs::write(shoot.path("card/cut.jpg"), "no picture").unwrap();
    let file = "[clean]\nout = \"{folder}/cleaned\"\nmask-depth = 16\nformat = \"png\"\n";
    std::fs::write(shoot.path("derig.toml"), file).unwrap();
    let output = shoot.derig(&[
        "clean",
        "card/cut.jpg",
        "--plate",
        "plate.jpg",
        "--format",
        "tiff",
        "--layers",
        "openraster,patch,patch",
    ]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let report = std::fs::read(shoot.path("card/cleaned/report.json")).unwrap();
    let report: serde_json::Value = serde_json::from_slice(&report).unwrap();
    assert_eq!(report["settings"]["mask_bits"], 16);
    assert_eq!(report["settings"]["format"], "tiff");
    assert_eq!(
        report["settings"]["layers"],
        serde_json::json!(["patch", "openraster"])
    );
    let elsewhere = shoot.derig(&[
        "clean",
        "card/cut.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "{folder}",
    ]);
    assert_eq!(elsewhere.status.code(), Some(1), "{}", said(&elsewhere));
    assert!(
        shoot.path("{folder}/report.json").exists(),
        "what is typed is taken as it is"
    );
}

#[test]
fn another_output_that_has_a_layer_s_name_is_refused() {
    let shoot = Shoot::new();
    std::fs::create_dir(shoot.path("out")).unwrap();
    std::fs::write(shoot.path("out/lit-1.ora"), "a retoucher's work").unwrap();
    let output = shoot.derig(&[
        "clean",
        "lit-1.jpg",
        "--plate",
        "plate.jpg",
        "--out",
        "out",
        "--layers",
        "openraster",
    ]);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("exists already"));
    let kept = std::fs::read(shoot.path("out/lit-1.ora")).unwrap();
    assert_eq!(kept, b"a retoucher's work");
}
