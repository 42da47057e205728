//! Manual pages and completions for shells, from the same definition as the command line itself.

use std::error::Error;
use std::path::Path;

use clap::ValueEnum as _;
use clap_complete::Shell;

/// Writes a page for the program and each of its commands, and a completion for each shell.
pub fn write(folder: &Path) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(folder)?;
    let command = derig::cli::definition();
    clap_mangen::generate_to(command.clone(), folder)?;
    for shell in Shell::value_variants() {
        clap_complete::generate_to(*shell, &mut command.clone(), "derig", folder)?;
    }
    println!("manual pages and completions are in {}", folder.display());
    Ok(())
}

#[cfg(test)]
mod tests {
    #[test]
    fn every_command_has_a_page_and_every_shell_a_completion() {
        let folder = tempfile::tempdir().expect("a folder for the test");
        super::write(folder.path()).expect("it is empty");
        let read = |name: &str| {
            let text = std::fs::read_to_string(folder.path().join(name));
            text.unwrap_or_else(|error| panic!("{name}: {error}"))
        };
        assert!(read("derig.1").contains(".TH"));
        let command = derig::cli::definition();
        for sub in command.get_subcommands() {
            let page = read(&format!("derig-{}.1", sub.get_name()));
            assert!(page.contains("derig"), "{}", sub.get_name());
        }
        for completion in ["derig.bash", "_derig", "derig.fish"] {
            assert!(read(completion).contains("check"), "{completion}");
        }
    }
}
