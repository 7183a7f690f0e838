//! The slow and obviously right way: mirrors the box one face at a time and walks each path back.

use crate::acoustics::decibel::gain_of_db;

use super::{
    Arrival, BANDS, Capsule, Face, HIGHEST_ORDER, Microphones, Platform, Source, TOP, Vector,
    exact_midband_hz, world_axis,
};

/// One path: the faces in the order in which the sound meets them, and what the capsule hears.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Path {
    /// Faces from the source on.
    pub faces: Vec<Face>,
    /// What the capsule hears.
    pub arrival: Arrival,
}

fn mirror(position: Vector, face: Face, platform: &Platform) -> Vector {
    match face {
        Face::Floor => Vector::new(position.x, position.y, -position.z),
        Face::Canopy => Vector::new(position.x, position.y, 2.0 * platform.height_m - position.z),
        Face::Rear => Vector::new(position.x, 2.0 * platform.depth_m - position.y, position.z),
        Face::Left => Vector::new(-platform.width_m - position.x, position.y, position.z),
        Face::Right => Vector::new(platform.width_m - position.x, position.y, position.z),
    }
}

/// Returns where the way from `from` to `to` crosses the plane of a face, or nothing where it does not.
fn crossing(from: Vector, to: Vector, face: Face, platform: &Platform) -> Option<Vector> {
    let (a, b, plane) = match face {
        Face::Floor => (from.z, to.z, 0.0),
        Face::Canopy => (from.z, to.z, platform.height_m),
        Face::Rear => (from.y, to.y, platform.depth_m),
        Face::Left => (from.x, to.x, -platform.width_m / 2.0),
        Face::Right => (from.x, to.x, platform.width_m / 2.0),
    };
    let share = (plane - a) / (b - a);
    (share.is_finite() && (0.0..=1.0).contains(&share)).then(|| from + (to - from) * share)
}

/// Says whether a point lies on the platform's faces or within them.
///
/// The open front is no limit: the microphones may stand over the edge itself.
fn inside(point: Vector, platform: &Platform) -> bool {
    let slack = 1e-9;
    point.x.abs() <= platform.width_m / 2.0 + slack
        && (-slack..=platform.depth_m + slack).contains(&point.y)
        && (-slack..=platform.height_m + slack).contains(&point.z)
}

/// Returns every valid path of up to three reflections, by trying all sequences of faces.
///
/// A sequence is valid when its path, walked back from the capsule to the
/// source, meets each face inside the box. Departure is the direction of the
/// first leg, incidence that of the last.
pub(crate) fn paths(
    source: &Source,
    platform: &Platform,
    microphones: &Microphones,
    capsule: &Capsule,
) -> Vec<Path> {
    let receiver = microphones.position() + capsule.offset;
    let mut sequences: Vec<Vec<Face>> = vec![Vec::new()];
    let mut paths = Vec::new();
    for _ in 0..=HIGHEST_ORDER {
        paths.extend(sequences.iter().filter_map(|faces| {
            walk(faces, source.position, receiver, platform).map(|legs| Path {
                faces: faces.clone(),
                arrival: heard(faces, &legs, source, platform, capsule),
            })
        }));
        sequences = sequences
            .iter()
            .flat_map(|faces| {
                Face::ALL.iter().filter(|&face| faces.last() != Some(face)).map(|&face| {
                    let mut longer = faces.clone();
                    longer.push(face);
                    longer
                })
            })
            .collect();
    }
    paths
}

/// Walks back from the receiver; returns the corner points from source to receiver.
fn walk(faces: &[Face], source: Vector, receiver: Vector, platform: &Platform) -> Option<Vec<Vector>> {
    let mut mirrored = vec![source];
    for &face in faces {
        let last = *mirrored.last()?;
        mirrored.push(mirror(last, face, platform));
    }
    let mut corners = vec![receiver];
    for (index, &face) in faces.iter().enumerate().rev() {
        let hit = crossing(*corners.last()?, mirrored[index + 1], face, platform)?;
        if !inside(hit, platform) {
            return None;
        }
        corners.push(hit);
    }
    corners.push(source);
    corners.reverse();
    Some(corners)
}

fn heard(
    faces: &[Face],
    corners: &[Vector],
    source: &Source,
    platform: &Platform,
    capsule: &Capsule,
) -> Arrival {
    let path_m: f64 = corners.windows(2).map(|leg| (leg[1] - leg[0]).length()).sum();
    let departure = (corners[1] - corners[0]).unit();
    let incidence = (corners[corners.len() - 2] - corners[corners.len() - 1]).unit();
    let axis = world_axis(source.family, source.forward);
    let patterns = source.family.patterns();
    let recorded = source.recorded.gains(source.family);
    let air = platform.air_db_per_m();
    let gain = std::array::from_fn::<f64, BANDS, _>(|band| {
        let mut gain = patterns[band].gain(departure.dot(axis)) * capsule.gain(incidence) / path_m;
        for &face in faces {
            gain *= platform.hit_gain(face)[band];
        }
        gain * recorded[band] * gain_of_db(-air[band] * path_m)
    });
    let top_db = platform.air.attenuation_db_per_m(exact_midband_hz(TOP)) - air[BANDS - 1];
    Arrival { path_m, gain, top_gain: gain[BANDS - 1] * gain_of_db(-top_db * path_m) }
}
