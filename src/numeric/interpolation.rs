//! Interpolation kernels as tables over the position between two samples.

/// Steps of a kernel table between two samples: a step is far below what registration can tell.
const PHASES: usize = 1024;

/// Weights of `TAPS` neighbouring samples for each position between the two middle ones.
/// The weights of a row sum to 1, and position 0 copies its sample exactly.
#[derive(Debug, Clone)]
pub struct KernelTable<const TAPS: usize> {
    weights: Vec<[f32; TAPS]>,
}

impl<const TAPS: usize> KernelTable<TAPS> {
    /// How far left of the sample at or before a position the first tap lies.
    pub const BEFORE: isize = (TAPS / 2) as isize - 1;

    /// From a kernel on the distance in samples.
    pub fn from_kernel(kernel: impl Fn(f64) -> f64) -> Self {
        let weights = (0..=PHASES)
            .map(|phase| {
                let offset = phase as f64 / PHASES as f64;
                let raw: [f64; TAPS] =
                    std::array::from_fn(|tap| kernel(tap as f64 - Self::BEFORE as f64 - offset));
                let sum: f64 = raw.iter().sum();
                raw.map(|w| (w / sum) as f32)
            })
            .collect();
        Self { weights }
    }

    /// Weights for a position `offset` (0 to 1) beyond the middle sample.
    #[inline]
    pub fn at(&self, offset: f32) -> &[f32; TAPS] {
        let phase = (offset * PHASES as f32 + 0.5) as usize;
        &self.weights[phase.min(PHASES)]
    }
}

/// Cubic convolution with a = -1/2. Source: Keys, "Cubic Convolution Interpolation for Digital
/// Image Processing", 1981, equation 15.
pub fn cubic_convolution(distance: f64) -> f64 {
    let d = distance.abs();
    if d < 1.0 {
        (1.5 * d - 2.5) * d * d + 1.0
    } else if d < 2.0 {
        ((-0.5 * d + 2.5) * d - 4.0) * d + 2.0
    } else {
        0.0
    }
}

/// Sinc windowed by the central lobe of a sinc three times as wide. Source: Duchon, "Lanczos
/// Filtering in One and Two Dimensions", 1979.
pub fn lanczos3(distance: f64) -> f64 {
    if distance.fract() == 0.0 {
        return f64::from(u8::from(distance == 0.0));
    }
    if distance.abs() >= 3.0 {
        return 0.0;
    }
    let x = std::f64::consts::PI * distance;
    (x.sin() / x) * ((x / 3.0).sin() / (x / 3.0))
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "the values compared are exact")]
mod tests {
    use super::*;

    #[test]
    fn whole_positions_copy_a_sample() {
        let lanczos = KernelTable::<6>::from_kernel(lanczos3);
        assert_eq!(lanczos.at(0.0), &[0.0, 0.0, 1.0, 0.0, 0.0, 0.0]);
        assert_eq!(lanczos.at(1.0), &[0.0, 0.0, 0.0, 1.0, 0.0, 0.0]);
        let cubic = KernelTable::<4>::from_kernel(cubic_convolution);
        assert_eq!(cubic.at(0.0), &[0.0, 1.0, 0.0, 0.0]);
    }

    /// Keys 1981: the kernel with a = -1/2 reproduces second-degree polynomials.
    #[test]
    fn cubic_convolution_reproduces_a_parabola() {
        let cubic = KernelTable::<4>::from_kernel(cubic_convolution);
        for offset in [0.125_f32, 0.5, 0.75] {
            let value: f32 = (-1..3)
                .zip(cubic.at(offset))
                .map(|(x, w)| w * (x * x) as f32)
                .sum();
            assert!((value - offset * offset).abs() < 1e-5, "at {offset}");
        }
    }

    /// Half-way weights of the Lanczos-3 kernel before normalisation: sinc(1/2)·sinc(1/6) and so on.
    #[test]
    fn lanczos_has_the_values_of_its_formula() {
        for (distance, value) in [(0.5, 0.607_927), (1.5, -0.135_095), (2.5, 0.024_317)] {
            assert!((lanczos3(distance) - value).abs() < 1e-6, "{distance}");
        }
    }
}
