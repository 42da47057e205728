//! What we are built on and how: every package pinned by its check sum, none that opens a connection, no
//! unsafe code of ours, `--locked` wherever we build.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

use std::collections::BTreeSet;
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

/// A licence expression (SPDX specification 2.3, annex D; `/` is an old way to write OR) that the
/// allowed ones satisfy.
fn is_allowed(expression: &str, allowed: &[&str]) -> bool {
    let spaced = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let mut words = spaced.split_whitespace().peekable();
    let granted = either(&mut words, allowed);
    assert!(words.next().is_none(), "not understood: {expression}");
    granted
}

type Words<'a> = std::iter::Peekable<std::str::SplitWhitespace<'a>>;

fn either(words: &mut Words, allowed: &[&str]) -> bool {
    let mut granted = both(words, allowed);
    while words.next_if_eq(&"OR").is_some() {
        granted |= both(words, allowed);
    }
    granted
}

fn both(words: &mut Words, allowed: &[&str]) -> bool {
    let mut granted = licence(words, allowed);
    while words.next_if_eq(&"AND").is_some() {
        granted &= licence(words, allowed);
    }
    granted
}

fn licence(words: &mut Words, allowed: &[&str]) -> bool {
    let name = words.next().unwrap_or_default();
    if name == "(" {
        let granted = either(words, allowed);
        assert_eq!(words.next(), Some(")"));
        return granted;
    }
    if words.next_if_eq(&"WITH").is_some() {
        let exception = words.next().unwrap_or_default();
        return allowed.contains(&format!("{name} WITH {exception}").as_str());
    }
    allowed.contains(&name)
}

#[test]
fn licence_expressions_are_read_as_the_standard_says() {
    let allowed = ["MIT", "Apache-2.0 WITH LLVM-exception", "Zlib"];
    for yes in [
        "MIT",
        "MIT/GPL-3.0",
        "GPL-3.0 OR Apache-2.0 WITH LLVM-exception",
        "(GPL-3.0 OR MIT) AND Zlib",
        "GPL-3.0 AND Zlib OR MIT",
    ] {
        assert!(is_allowed(yes, &allowed), "{yes}");
    }
    for no in [
        "",
        "Apache-2.0",
        "MIT AND GPL-3.0",
        "(GPL-3.0 OR MIT) AND GPL-2.0",
        "MIT WITH LLVM-exception",
    ] {
        assert!(!is_allowed(no, &allowed), "{no}");
    }
}

/// Name, version and licence of every package that derig is built from here; those for other
/// systems may not be on this disk.
fn built_from() -> BTreeSet<[String; 3]> {
    let output = std::process::Command::new(env!("CARGO"))
        .args(["tree", "--locked", "--offline", "--prefix", "none"])
        .args(["--edges", "normal,build"])
        .args(["--format", "{p}|{l}|"])
        .current_dir(root())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let packages = String::from_utf8(output.stdout).unwrap();
    let of_line = |line: &str| {
        let mut fields = line.split('|');
        let mut named = fields.next()?.split(' ');
        let [name, version, licence] = [named.next()?, named.next()?, fields.next()?];
        Some([name, version, licence].map(str::to_owned))
    };
    let found: BTreeSet<_> = packages.lines().filter_map(of_line).collect();
    assert!(found.len() > 100, "{}", found.len());
    found
}

/// What `cargo deny` looks at, for machines that have no such tool.
#[test]
fn every_licence_is_one_that_we_allow() {
    let deny = table("deny.toml");
    let allowed = deny["licenses"]["allow"].as_array().unwrap();
    let allowed: Vec<&str> = allowed.iter().map(|v| v.as_str().unwrap()).collect();
    for [name, _, licence] in built_from() {
        assert!(is_allowed(&licence, &allowed), "{name}: {licence:?}");
    }
}

/// Two versions of one package only where it is known why; none by whatever version there is.
#[test]
fn packages_come_in_one_version_or_it_is_known_why() {
    let deny = table("deny.toml");
    let skipped = deny["bans"]["skip"].as_array().unwrap().iter();
    let skipped: Vec<&str> = skipped.map(|s| s["crate"].as_str().unwrap()).collect();
    let packages: Vec<_> = built_from().into_iter().collect();
    // Sorted by name.
    for pair in packages.windows(2).filter(|p| p[0][0] == p[1][0]) {
        assert!(skipped.contains(&pair[0][0].as_str()), "{pair:?}");
    }
    for manifest in ["Cargo.toml", "xtask/Cargo.toml", "fuzz/Cargo.toml"] {
        let manifest = table(manifest);
        for kind in ["dependencies", "dev-dependencies"] {
            let wanted = manifest.get(kind).and_then(Value::as_table);
            for (name, wanted) in wanted.into_iter().flatten() {
                let version = wanted.as_str().or_else(|| wanted.get("version")?.as_str());
                let near = wanted.get("path").is_some();
                assert!(near || version.is_some_and(|v| !v.contains('*')), "{name}");
            }
        }
    }
}
