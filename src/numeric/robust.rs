//! Statistics that a minority of wrong values cannot pull.

/// Median; the mean of the two middle values for an even count; `None` for no values. Sorts.
pub fn median(values: &mut [f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile `share` (0 to 1), linear between order statistics; `None` for no values. Sorts.
pub fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    let place = share.clamp(0.0, 1.0) * last as f64;
    let low = place.floor() as usize;
    let high = (low + 1).min(last);
    Some(values[low] + (values[high] - values[low]) * (place - low as f64))
}

/// Tukey's biweight for a squared residual in units of the squared cut-off: 1 at 0, 0 from 1 on.
/// Source: Huber & Ronchetti, "Robust Statistics", 2nd ed. 2009, section 4.8.
pub fn biweight(squared_over_cutoff: f64) -> f64 {
    (1.0 - squared_over_cutoff).max(0.0).powi(2)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "the values compared are exact")]
mod tests {
    use super::*;

    #[test]
    fn quantiles_lie_between_order_statistics() {
        let mut values = [4.0, 1.0, 3.0, 2.0];
        assert_eq!(median(&mut values), Some(2.5));
        assert_eq!(quantile(&mut values, 1.0), Some(4.0));
        assert_eq!(median(&mut []), None);
    }

    #[test]
    fn the_biweight_forgets_what_is_far() {
        assert_eq!(biweight(0.0), 1.0);
        assert_eq!(biweight(0.5), 0.25);
        assert_eq!(biweight(7.0), 0.0);
    }
}
