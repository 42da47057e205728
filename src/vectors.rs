//! Loops for the widest vectors of the processor at hand.

use pulp::Arch;

/// Runs `work` compiled for the widest vectors that the processor turns out to have (AVX2 on
/// x86-64), as far as its loops and the functions called in it are inlined. It is called from two
/// places, for old processors and new ones, so that nothing but the smallest is inlined by itself:
/// `work` is to be marked `#[inline(always)]`, and so are the functions and closures that do most in it.
///
/// Values do not depend on it: Rust never fuses a product and a sum, nor changes the order of sums.
#[inline(always)]
#[allow(
    clippy::inline_always,
    reason = "only what is inlined is compiled for the vectors"
)]
pub(crate) fn vectorised<R>(work: impl FnOnce() -> R) -> R {
    Arch::new().dispatch(work)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::elementary::{exp, ln};

    /// Bits, not values: outputs must not depend on the processor.
    #[test]
    fn wide_vectors_change_no_bit() {
        let values: Vec<f32> = (0..10_000).map(|i| 0.003 + i as f32 * 0.001).collect();
        let of = |v: f32| ln(v) * 1.7 + exp(-v) / (v + 0.1);
        let plain: Vec<u32> = values.iter().map(|&v| of(v).to_bits()).collect();
        let mut wide = vec![0.0f32; values.len()];
        vectorised(
            #[inline(always)]
            || {
                for (out, &v) in wide.iter_mut().zip(&values) {
                    *out = of(v);
                }
            },
        );
        assert!(wide.iter().map(|v| v.to_bits()).eq(plain));
    }
}
