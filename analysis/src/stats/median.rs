//! The middle of some numbers: what one wild reading, or one odd flask, cannot move.

/// The median; the mean of the two middle values when the count is even. Sorts its input.
pub fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    let middle = values.len() / 2;
    Some(if values.len() % 2 == 1 {
        values[middle]
    } else {
        f64::midpoint(values[middle - 1], values[middle])
    })
}

/// The middle one of three.
pub fn median_of_3(a: f64, b: f64, c: f64) -> f64 {
    a.min(b).max(a.max(b).min(c))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_even_count_has_its_middle_between_two() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
    }

    proptest! {
        #[test]
        fn median_of_three_is_the_median(v in prop::array::uniform3(-5.0..5.0_f64)) {
            let m = median_of_3(v[0], v[1], v[2]);
            prop_assert_eq!(median(&mut v.clone()), Some(m));
        }
    }
}
