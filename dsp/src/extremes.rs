//! The largest and the least of many values; one that is no number is never dropped.
//!
//! `f64::max` and `f64::min` pass over what is no number, so a fold of them
//! calls a sound that is all of it zero, and a bound holds that nothing met.
//! Here it is what comes out, and no bound holds it.

/// Returns the larger of two values; what is no number, where either is none.
pub fn larger<T: Copy + PartialOrd>(a: T, b: T) -> T {
    if a >= b || is_no_number(&a) { a } else { b }
}

/// Returns the smaller of two values; what is no number, where either is none.
pub fn smaller<T: Copy + PartialOrd>(a: T, b: T) -> T {
    if a <= b || is_no_number(&a) { a } else { b }
}

/// Returns the largest of zero and the values; what is no number, where any is none.
pub fn largest<T: Copy + Default + PartialOrd>(values: impl IntoIterator<Item = T>) -> T {
    values.into_iter().fold(T::default(), larger)
}

/// Returns the least of the values, infinity where there are none; what is no number, where any is none.
pub fn least(values: impl IntoIterator<Item = f64>) -> f64 {
    values.into_iter().fold(f64::INFINITY, smaller)
}

fn is_no_number<T: PartialOrd>(value: &T) -> bool {
    value.partial_cmp(value).is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_compared() {
        assert_eq!(largest([1.0_f32, 3.0, 2.0]), 3.0);
        assert_eq!(least([4.0, 3.0, 5.0]), 3.0);
        assert_eq!((largest::<f64>([]), largest([-1.0]), least([])), (0.0, 0.0, f64::INFINITY));
    }

    #[test]
    fn what_is_no_number_is_never_dropped_wherever_it_stands() {
        for at in 0..3 {
            let mut values = [1.0, 2.0, 3.0];
            values[at] = f64::NAN;
            assert!(largest(values).is_nan() && least(values).is_nan(), "at {at}");
            // The control: the library's own drops it.
            assert_eq!(values[0].max(values[1]).max(values[2]), if at == 2 { 2.0 } else { 3.0 });
        }
    }
}
