//! Figures as text.

/// Returns a figure with a true minus sign; infinite ones as such.
pub(crate) fn level_text(value: f64, decimals: usize) -> String {
    if value.is_infinite() {
        return if value > 0.0 { "\u{221e}".into() } else { "\u{2212}\u{221e}".into() };
    }
    let text = format!("{value:.decimals$}");
    let is_zero = text.trim_start_matches('-').chars().all(|digit| "0.".contains(digit));
    if is_zero { text.trim_start_matches('-').to_owned() } else { text.replace('-', "\u{2212}") }
}

/// Returns a figure with its sign.
pub(crate) fn gain_text(value: f64, decimals: usize) -> String {
    let text = level_text(value, decimals);
    let is_signed = text.starts_with('\u{2212}') || text.chars().all(|digit| "0.".contains(digit));
    if is_signed { text } else { format!("+{text}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_carry_true_signs() {
        assert_eq!(level_text(-3.04, 1), "\u{2212}3.0");
        assert_eq!(level_text(-0.04, 1), "0.0");
        assert_eq!(gain_text(1.25, 1), "+1.2");
        assert_eq!(gain_text(0.0, 1), "0.0");
        assert_eq!(gain_text(f64::INFINITY, 1), "+\u{221e}");
        assert_eq!(level_text(f64::NEG_INFINITY, 1), "\u{2212}\u{221e}");
    }
}
