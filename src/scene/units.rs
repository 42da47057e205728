//! Newtypes for settings and thresholds, so that a number never travels without its unit.

/// A length in pixels of the frame it is applied to.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Pixels(pub f32);

/// A multiple of the noise's standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Sigmas(pub f32);

/// A colour difference after CIEDE2000 (Sharma, Wu & Dalal 2005).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct DeltaE(pub f32);
