//! What lies between two times of a response.

/// Half of the time in which one window gives way to the next, s (our choice: the traced windows blur by 1 ms).
const HALF_EDGE_S: f64 = 0.5e-3;

/// Returns what lies between two times after `zero`, a frame; the edges' energies add up to one from window to window.
///
/// The start is left whole where it is not after `zero`. The cut comes before
/// octave bands: filters that ring for longer than a window is wide would carry
/// energy from one into the next.
pub fn window(response: &[f64], rate_hz: f64, zero: usize, from_s: f64, to_s: f64) -> Vec<f64> {
    let frame = |seconds: f64| zero as f64 + seconds * rate_hz;
    let half = HALF_EDGE_S * rate_hz;
    let rise = |at: f64, edge_s: f64| -> f64 {
        let share = (at - frame(edge_s)) / (2.0 * half) + 0.5;
        (share.clamp(0.0, 1.0) * std::f64::consts::FRAC_PI_2).sin()
    };
    let is_start = from_s <= 0.0;
    let first = if is_start { 0 } else { (frame(from_s) - half).max(0.0) as usize };
    let last = ((frame(to_s) + half).ceil() as usize + 1).min(response.len());
    (first..last.max(first))
        .map(|n| {
            let at = n as f64;
            let over = rise(at, to_s);
            let begun = if is_start { 1.0 } else { rise(at, from_s) };
            response[n] * begun * (1.0 - over * over).sqrt()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_side_by_side_hold_all_of_the_energy_once() {
        let response: Vec<f64> = (0..4800).map(|n| f64::from((n * 7919) % 101) - 50.0).collect();
        let energy = |part: &[f64]| part.iter().map(|x| x * x).sum::<f64>();
        let edges_s = [0.0, 0.003, 0.01, 0.02, 0.2];
        let sum: f64 = edges_s
            .windows(2)
            .map(|edges| energy(&window(&response, 48_000.0, 240, edges[0], edges[1])))
            .sum();
        assert!((sum / energy(&response) - 1.0).abs() < 1e-9, "{sum}");
    }
}
