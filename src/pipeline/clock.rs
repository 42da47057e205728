//! How long stages take.

use std::collections::BTreeMap;
use std::time::Instant;

use super::Observer;

/// Seconds a stage, in order of their names.
pub(super) struct Clock<'a> {
    observer: &'a dyn Observer,
    pub(super) seconds: BTreeMap<String, f64>,
    running: Option<(&'static str, Instant)>,
}

impl<'a> Clock<'a> {
    pub(super) fn new(observer: &'a dyn Observer) -> Self {
        Self {
            observer,
            seconds: BTreeMap::new(),
            running: None,
        }
    }

    pub(super) fn start(&mut self, stage: &'static str) {
        self.stop();
        self.observer.stage(stage);
        self.running = Some((stage, Instant::now()));
    }

    pub(super) fn stop(&mut self) {
        if let Some((stage, since)) = self.running.take() {
            *self.seconds.entry(stage.to_owned()).or_default() += since.elapsed().as_secs_f64();
        }
    }
}
