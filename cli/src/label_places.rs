//! Places for labels beside marks, so that no label covers another, nor a mark.

/// A box on the paper, in points from the upper left corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rect {
    /// Upper left corner.
    pub(crate) from: (f64, f64),
    /// Lower right corner.
    pub(crate) to: (f64, f64),
}

impl Rect {
    /// Returns the box of a size around a middle.
    pub(crate) fn around((x, y): (f64, f64), wide: f64, high: f64) -> Self {
        Self { from: (x - wide / 2.0, y - high / 2.0), to: (x + wide / 2.0, y + high / 2.0) }
    }

    /// Returns the box between two points.
    pub(crate) fn spanning(a: (f64, f64), b: (f64, f64)) -> Self {
        Self { from: (a.0.min(b.0), a.1.min(b.1)), to: (a.0.max(b.0), a.1.max(b.1)) }
    }

    /// Returns the box smaller by `edge` on every side.
    pub(crate) fn shrunk(self, edge: f64) -> Self {
        Self { from: (self.from.0 + edge, self.from.1 + edge), to: (self.to.0 - edge, self.to.1 - edge) }
    }

    /// Returns the middle.
    pub(crate) fn middle(&self) -> (f64, f64) {
        (f64::midpoint(self.from.0, self.to.0), f64::midpoint(self.from.1, self.to.1))
    }

    /// Returns the point of the box that is nearest to `point`.
    pub(crate) fn nearest(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (x.clamp(self.from.0, self.to.0), y.clamp(self.from.1, self.to.1))
    }

    /// Returns the area that two boxes share, in square points.
    pub(crate) fn shared(&self, other: &Self) -> f64 {
        let wide = self.to.0.min(other.to.0) - self.from.0.max(other.from.0);
        let high = self.to.1.min(other.to.1) - self.from.1.max(other.from.1);
        wide.max(0.0) * high.max(0.0)
    }

    fn area(&self) -> f64 {
        (self.to.0 - self.from.0) * (self.to.1 - self.from.1)
    }
}

/// A label that wants a place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Label {
    /// What it belongs to.
    pub(crate) mark: (f64, f64),
    /// The direction in which it should lie.
    pub(crate) direction: (f64, f64),
    /// Its width and height, points.
    pub(crate) size: (f64, f64),
}

/// Distances from a mark to the middle of its label that are tried, points.
const DISTANCES: [f64; 8] = [17.0, 21.0, 26.0, 32.0, 40.0, 52.0, 68.0, 90.0];
/// Directions that are tried at each distance.
const DIRECTIONS: usize = 16;

/// How much farther off a label may lie before it turns to the other side of its mark, points.
const HALF_TURN: f64 = 14.0;

/// How much farther off a label may lie before it stands nearer to another mark than to its own, points.
const MISLEADING: f64 = 30.0;

/// Returns a place for each label.
///
/// Labels are placed in turn, each at the first of 128 places that is within
/// `bounds` and clear of all that is taken, the nearest and those in its own
/// direction first; where none is clear, at the one that covers least.
pub(crate) fn places(labels: &[Label], taken: &[Rect], bounds: Rect) -> Vec<Rect> {
    let mut taken = taken.to_vec();
    let mut found = Vec::with_capacity(labels.len());
    for &Label { mark, direction, size: (wide, high) } in labels {
        let start = direction.1.atan2(direction.0);
        let mut candidates: Vec<(f64, Rect)> = DISTANCES
            .iter()
            .flat_map(|&distance| (0..DIRECTIONS).map(move |step| (distance, step)))
            .map(|(distance, step)| {
                // 0, 1, -1, 2, -2...: to both sides of the direction alike.
                let turn = step.div_ceil(2) as f64 * if step % 2 == 0 { 1.0 } else { -1.0 };
                let turn = std::f64::consts::TAU * turn / DIRECTIONS as f64;
                let angle = start + turn;
                // A wide label stands farther off at the sides.
                let reach = distance + (wide - high).max(0.0) / 2.0 * angle.cos().abs();
                let middle = (mark.0 + reach * angle.cos(), mark.1 + distance * angle.sin());
                let to = |point: (f64, f64)| (middle.0 - point.0).hypot(middle.1 - point.1);
                let misleads = labels.iter().any(|other| to(other.mark) < to(mark) - 1.0);
                let cost = distance
                    + HALF_TURN * turn.abs() / std::f64::consts::PI
                    + if misleads { MISLEADING } else { 0.0 };
                (cost, Rect::around(middle, wide, high))
            })
            .collect();
        candidates.sort_by(|a, b| a.0.total_cmp(&b.0));
        let covered = |place: &Rect| {
            let outside = place.area() - place.shared(&bounds);
            taken.iter().map(|other| place.shared(other)).sum::<f64>() + outside.max(0.0)
        };
        let mut best: Option<(f64, Rect)> = None;
        for (_, place) in candidates {
            let covers = covered(&place);
            if best.is_none_or(|(least, _)| covers < least) {
                best = Some((covers, place));
            }
            if covers <= 0.0 {
                break;
            }
        }
        let place = best.map_or_else(|| Rect::around(mark, wide, high), |(_, place)| place);
        taken.push(place);
        found.push(place);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAPER: Rect = Rect { from: (0.0, 0.0), to: (600.0, 400.0) };

    fn label(mark: (f64, f64)) -> Label {
        Label { mark, direction: (0.0, -1.0), size: (14.0, 14.0) }
    }

    #[test]
    fn labels_of_a_crowd_cover_neither_each_other_nor_a_mark() {
        // Forty marks 26 points apart.
        let marks: Vec<(f64, f64)> =
            (0..40).map(|n| (200.0 + f64::from(n % 8) * 26.0, 120.0 + f64::from(n / 8) * 26.0)).collect();
        let labels: Vec<_> = marks.iter().map(|&mark| label(mark)).collect();
        let taken: Vec<Rect> = marks.iter().map(|&mark| Rect::around(mark, 8.0, 8.0)).collect();
        let found = places(&labels, &taken, PAPER);
        for (index, place) in found.iter().enumerate() {
            assert!(taken.iter().all(|mark| place.shared(mark) == 0.0), "label {index} covers a mark");
            assert!(
                found[..index].iter().all(|other| place.shared(other) == 0.0),
                "label {index} is covered"
            );
            assert!((place.shared(&PAPER) - place.area()).abs() < 1e-9, "label {index} leaves the paper");
        }
    }

    #[test]
    fn a_lone_label_lies_where_it_is_wanted() {
        let found = places(&[label((300.0, 200.0))], &[], PAPER);
        let (x, y) = found[0].middle();
        assert!((x - 300.0).abs() < 1e-9 && (y - 183.0).abs() < 1e-9, "got {x}, {y}");
        // At the paper's edge it turns aside.
        let found = places(&[label((300.0, 2.0))], &[], PAPER);
        assert!(found[0].from.1 >= 0.0, "{found:?}");
    }

    #[test]
    fn a_label_stands_nearest_to_its_own_mark_where_there_is_room() {
        // Marks so near that both letters do not fit above them.
        let marks = [(300.0, 200.0), (308.0, 200.0), (332.0, 200.0)];
        let taken = marks.map(|mark| Rect::around(mark, 12.0, 12.0));
        let found = places(&marks.map(label), &taken, PAPER);
        for (place, mark) in found.iter().zip(marks) {
            let (x, y) = place.middle();
            let to = |point: (f64, f64)| (x - point.0).hypot(y - point.1);
            assert!(marks.iter().all(|&other| to(other) >= to(mark) - 1.0), "{place:?} for {mark:?}");
        }
    }

    #[test]
    fn where_nothing_is_clear_the_least_is_covered() {
        let everything = [PAPER];
        let found = places(&[label((300.0, 200.0))], &everything, PAPER);
        assert_eq!(found.len(), 1);
    }
}
