//! The texts that come back from people, read as the commands read them: what `fuzz` throws at.

use std::path::Path;

use super::args::CleanArgs;
use super::corrections;
use super::run_report::RunReport;
use super::settings::InForce;

/// Can this be followed as corrections?
pub fn are_corrections(text: &str) -> bool {
    corrections::from_text(Path::new("corrections.toml"), text).is_ok()
}

/// Can this be followed as `derig.toml`?
pub fn are_settings(text: &str) -> bool {
    let path = Path::new("derig.toml");
    InForce::from_text(&CleanArgs::with_settings(None), Some((path, text))).is_ok()
}

/// Is this a report whose frames could be merged again?
pub fn is_report(bytes: &[u8]) -> bool {
    serde_json::from_slice::<RunReport>(bytes)
        .is_ok_and(|report| report.settings.in_force(Path::new("out")).is_ok())
}
