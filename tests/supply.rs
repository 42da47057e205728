//! What we are built on and how: every package pinned by its check sum, none that opens a connection, no
//! unsafe code of ours, `--locked` wherever we build.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

use std::path::{Path, PathBuf};

use toml::{Table, Value};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn text(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap()
}

fn table(name: &str) -> Table {
    text(name).parse().unwrap()
}

fn packages(lock: &str) -> Vec<Table> {
    let lock = table(lock);
    let packages = lock["package"].as_array().unwrap().iter();
    packages.map(|p| p.as_table().unwrap().clone()).collect()
}

/// Source files of a folder and those below.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found
}

/// What a bill of materials needs: name, version, source and hash of every package that is not ours.
#[test]
fn every_package_is_pinned_by_its_check_sum() {
    for lock in ["Cargo.lock", "fuzz/Cargo.lock"] {
        let packages = packages(lock);
        let mut pinned = 0;
        for package in &packages {
            let name = package["name"].as_str().unwrap();
            assert!(package.contains_key("version"), "{name}");
            if ["derig", "derig-fuzz", "xtask"].contains(&name) {
                continue;
            }
            let source = package["source"].as_str().unwrap();
            assert!(source.starts_with("registry+"), "{name}: {source}");
            let sum = package["checksum"].as_str().unwrap();
            assert!(
                sum.len() == 64 && sum.bytes().all(|b| b.is_ascii_hexdigit()),
                "{name}: {sum}"
            );
            pinned += 1;
        }
        assert!(pinned > 100, "{lock}: {pinned}");
    }
}

#[test]
fn nothing_we_are_built_on_opens_a_connection() {
    // What clients, servers and asynchronous networks in Rust are built on.
    const NETWORKS: [&str; 14] = [
        "curl",
        "h2",
        "hyper",
        "isahc",
        "mio",
        "native-tls",
        "openssl",
        "quinn",
        "reqwest",
        "rustls",
        "socket2",
        "tokio",
        "tungstenite",
        "ureq",
    ];
    for package in packages("Cargo.lock") {
        let name = package["name"].as_str().unwrap();
        assert!(!NETWORKS.contains(&name), "{name}");
    }
    for path in sources(&root().join("src")) {
        let text = std::fs::read_to_string(&path).unwrap();
        for word in ["std::net", "TcpStream", "UdpSocket", "UnixStream"] {
            assert!(!text.contains(word), "{}: {word}", path.display());
        }
    }
}

#[test]
fn no_code_of_ours_is_unsafe() {
    for manifest in ["Cargo.toml", "xtask/Cargo.toml"] {
        let lints = &table(manifest)["lints"]["rust"];
        assert_eq!(lints["unsafe_code"].as_str(), Some("forbid"), "{manifest}");
    }
}

#[test]
fn every_build_follows_the_lock_file() {
    for file in [".ci/run", "README.md", "DEVELOPERS.md"] {
        let text = text(file);
        // A command may begin a line, stand in a table or behind a prompt.
        let commands = text.lines().filter_map(|line| {
            let at = line.find("cargo ")?;
            let command = line[at..].split(['`', '|']).next()?;
            let second = command.split_whitespace().nth(1)?;
            ["build", "clippy", "check", "install", "run", "test", "deny"]
                .contains(&second)
                .then(|| command.to_owned())
        });
        let mut seen = 0;
        for command in commands {
            assert!(command.contains("--locked"), "{file}: {command}");
            seen += 1;
        }
        assert!(seen > 2, "{file}: {seen}");
    }
}

/// Sums over what a file says must not wrap in what people run: see DEVELOPERS.md.
#[test]
fn sums_over_bytes_of_files_are_checked_in_releases() {
    let manifest = table("Cargo.toml");
    let checked = manifest["profile"]["release"]["package"]
        .as_table()
        .unwrap();
    for name in [
        "derig",
        "img-parts",
        "kamadak-exif",
        "moxcms",
        "png",
        "roxmltree",
        "tiff",
        "zip",
    ] {
        assert_eq!(
            checked[name]["overflow-checks"],
            Value::Boolean(true),
            "{name}"
        );
    }
}
