//! Logarithm and exponential without branches, so that loops over planes vectorise.

/// Range reduction of the exponential: adding and taking off 1.5·2^23 rounds to a whole number.
const ROUND: f32 = 12_582_912.0;

/// Beyond this the exponential would leave the range of normal f32.
const MAX_EXPONENT: f32 = 87.0;

/// `e^x`, relative error below 3e-7; `x` beyond ±87 counts as ±87.
///
/// Powers of two are split off and the rest is a polynomial (Cody & Waite, "Software Manual for
/// the Elementary Functions", 1980, chapter 6; coefficients of the Taylor series).
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
pub fn exp(x: f32) -> f32 {
    let x = x.clamp(-MAX_EXPONENT, MAX_EXPONENT);
    let shifted = x * std::f32::consts::LOG2_E + ROUND;
    let whole = shifted - ROUND;
    // ln 2 in two parts, the first exact in few bits.
    let rest = (x - whole * 0.693_359_4) + whole * 2.121_944_4e-4;
    let series = 1.0 / 720.0;
    let series = series * rest + 1.0 / 120.0;
    let series = series * rest + 1.0 / 24.0;
    let series = series * rest + 1.0 / 6.0;
    let series = series * rest + 0.5;
    let series = (series * rest + 1.0) * rest + 1.0;
    // The low bits of the shifted number are the whole number, ready for the exponent field.
    series * f32::from_bits((shifted.to_bits() << 23).wrapping_add(1.0f32.to_bits()))
}

/// Natural logarithm of a positive normal number, absolute error below 1e-7 near 1 and relative
/// error below 3e-7 elsewhere.
///
/// The mantissa is brought to sqrt(1/2)..sqrt(2) and put through the series of
/// `2·artanh((m - 1) / (m + 1))` (Cody & Waite, 1980, chapter 5).
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
pub fn ln(x: f32) -> f32 {
    // Taking the bits of sqrt(1/2) off leaves the whole power of two in the exponent field.
    let offset = x
        .to_bits()
        .wrapping_sub(std::f32::consts::FRAC_1_SQRT_2.to_bits());
    let power = (offset as i32) >> 23;
    let mantissa = f32::from_bits(x.to_bits().wrapping_sub((power as u32) << 23));
    let t = (mantissa - 1.0) / (mantissa + 1.0);
    let t2 = t * t;
    let series = 2.0 / 9.0;
    let series = series * t2 + 2.0 / 7.0;
    let series = series * t2 + 2.0 / 5.0;
    let series = series * t2 + 2.0 / 3.0;
    let log = (series * t2 + 2.0) * t;
    let power = power as f32;
    power * 0.693_359_4 + (log - power * 2.121_944_4e-4)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the standard library's in f64.
    #[test]
    fn both_are_close_to_the_true_values() {
        for i in -8000..8000 {
            let x = i as f32 * 0.01;
            let truth = f64::from(x).exp();
            assert!((f64::from(exp(x)) / truth - 1.0).abs() < 3e-7, "exp {x}");
            let v = truth as f32;
            if v.is_normal() {
                let truth = f64::from(v).ln();
                let error = (f64::from(ln(v)) - truth).abs();
                assert!(error < 1e-7 + 3e-7 * truth.abs(), "ln {v}: {error}");
            }
        }
        assert!(ln(1.0).abs() < 1e-12 && (exp(0.0) - 1.0).abs() < 1e-12);
    }
}
