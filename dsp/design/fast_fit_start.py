#!/usr/bin/env python3
"""Works out `dsp/src/plan/fast_fit_start.rs`: the polynomials with which the fast fit of branch weights begins.

    python3 dsp/design/fast_fit_start.py > dsp/src/plan/fast_fit_start.rs

The polynomials map the tilts between neighbouring band gains to factors on
the gains of the steps between the branches (`dsp/src/plan/band_split.rs`), so that the sum
of branches has the energies asked for. Trained at 48 kHz on gains as arrivals
have them: a lobe of a family seen from anywhere and recorded from any side,
the hits of one of the 38 arrivals on faces of any finish, air. Needs numpy.
"""

import numpy as np

RATE_HZ = 48000.0
G = 10 ** 0.3
BANDS = 8  # Seven octaves, and the top above them.
LEAST = 0.003
TOP_WEIGHT = 0.1
POINTS = 24
SETS = 6000
ROUNDS = 14
# As in `dsp/src/plan/band_split.rs`.
CORNER_OF_EDGE, TOP_CORNER_OF_EDGE, Q = 0.87, 1.1, 0.6
# As in `dsp/src/acoustics/radiation.rs`.
FACTORS = np.array([
    [1.0] * 7,
    [1.05, 1.2, 1.6, 3.2, 6.8, 14.0, 20.0],
    [1.15, 1.5, 2.8, 6.0, 10.0, 16.0, 18.0],
    [1.28, 1.95, 4.2, 8.5, 12.5, 16.5, 17.5],
    [1.0, 1.05, 1.25, 1.6, 2.2, 3.0, 3.6],
    [1.0, 1.1, 1.4, 1.8, 2.3, 2.9, 3.4],
    [1.0, 1.05, 1.25, 1.55, 2.1, 2.8, 3.3],
    [1.2, 1.2, 1.4, 1.6, 2.0, 2.0, 2.0],
    [1.08, 1.27, 1.92, 4.2, 8.8, 14.5, 18.5],
    [1.0, 1.1, 1.35, 1.7, 2.2, 2.7, 3.1],
    [1.0, 1.1, 1.5, 1.6, 1.8, 2.2, 2.6],
    [1.0, 1.1, 1.3, 1.6, 2.0, 2.4, 2.7],
    [1.05, 1.15, 1.4, 1.8, 2.4, 3.0, 3.4],
    [1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2],
    [1.15, 1.3, 1.5, 1.7, 2.2, 2.9, 3.8],
])
LEAKS = np.array([
    [0.01] * 7,
    [0.93, 0.8, 0.55, 0.205, 0.02, 0.01, 0.01],
    [0.81, 0.55, 0.17, 0.03, 0.01, 0.01, 0.01],
    [0.7, 0.35, 0.07, 0.012, 0.01, 0.01, 0.01],
    [0.9, 0.8, 0.4, 0.25, 0.15, 0.12, 0.08],
    [0.9, 0.75, 0.4, 0.25, 0.17, 0.13, 0.1],
    [0.9, 0.8, 0.4, 0.25, 0.15, 0.12, 0.08],
    [0.7, 0.7, 0.5, 0.35, 0.15, 0.1, 0.1],
    [0.9, 0.71, 0.36, 0.07, 0.015, 0.01, 0.01],
    [0.9, 0.8, 0.5, 0.3, 0.17, 0.13, 0.1],
    [0.9, 0.86, 0.5, 0.44, 0.33, 0.18, 0.1],
    [0.9, 0.8, 0.55, 0.35, 0.22, 0.17, 0.14],
    [0.9, 0.8, 0.5, 0.28, 0.16, 0.11, 0.08],
    [0.86, 0.75, 0.57, 0.44, 0.35, 0.27, 0.2],
    [0.75, 0.6, 0.42, 0.3, 0.15, 0.07, 0.03],
])
AXES = np.array([
    [1.0, 0.0, 0.0],
    [1.0, 0.0, 0.0],
    [-0.8, 0.6, -0.1],
    [0.3, 0.0, 1.0],
    [0.3, 0.5, 0.8],
    [1.0, 0.0, 0.35],
    [0.8, 0.0, -0.3],
    [0.2, 0.0, 1.0],
    [1.0, 0.0, 0.0],
    [0.3, -0.3, 1.0],
    [1.0, 0.3, 0.0],
    [0.8, 0.0, 0.6],
    [0.0, 1.0, 0.6],
    [0.0, 0.0, 1.0],
    [1.0, 0.0, 0.0],
])
# As in `dsp/src/acoustics/recorded_from.rs`: in front, above, at the side; on the axis comes before them.
SIDES = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]])
LEAST_RECORDED = 10**-1.5
# As in `dsp/src/acoustics/surface.rs`.
ABSORPTION = np.array([
    [0.10, 0.07, 0.06, 0.06, 0.06, 0.06, 0.06],
    [0.18, 0.12, 0.10, 0.09, 0.08, 0.07, 0.07],
    [0.20, 0.15, 0.10, 0.08, 0.04, 0.02, 0.02],
    [0.01, 0.02, 0.02, 0.03, 0.03, 0.04, 0.04],
    [0.08, 0.09, 0.12, 0.16, 0.22, 0.24, 0.24],
    [0.01, 0.01, 0.02, 0.02, 0.02, 0.05, 0.05],
    [0.08, 0.08, 0.30, 0.60, 0.75, 0.80, 0.80],
    [0.30, 0.45, 0.65, 0.56, 0.59, 0.71, 0.71],
    [0.15, 0.70, 0.60, 0.60, 0.85, 0.90, 0.90],
])
# ISO 9613-1 at 20 degrees and 50 %, dB/m, 125 Hz to 16 kHz (`dsp/src/acoustics/air.rs`).
AIR = np.array([0.00044, 0.00131, 0.00273, 0.00466, 0.00986, 0.0294, 0.104, 0.346])
# Hits of floor, canopy, rear wall and side walls by arrival, as in `dsp/src/acoustics/arrivals.rs`.
HITS = np.array([
    [(abs(nz) + (nz < 0)) // 2, (abs(nz) + (nz > 0)) // 2, rear, abs(nx)]
    for rear in range(2)
    for nx in range(-3, 4)
    for nz in range(-3, 4)
    if abs(nx) + abs(nz) + rear <= 3
])


def midband_hz(band):
    return 1000.0 * G ** (band - 3)


def energies():
    """Returns C[j, k, l]: the energy in band j of steps k and l together."""
    corners = np.array([(TOP_CORNER_OF_EDGE if i == 6 else CORNER_OF_EDGE) * midband_hz(i) * G**0.5 for i in range(7)])
    all_bands = []
    for band in range(BANDS):
        low, high = midband_hz(band) / G**0.5, min(midband_hz(band) * G**0.5, 0.46 * RATE_HZ)
        hz = low + (high - low) * (np.arange(POINTS) + 0.5) / POINTS
        w = np.tan(np.pi * hz / RATE_HZ)[:, None] / np.tan(np.pi * corners / RATE_HZ)
        low_passes = np.concatenate([1 / (1 - w * w + 1j * w / Q), np.ones((POINTS, 1))], 1)
        steps = np.diff(low_passes, axis=1, prepend=0)
        all_bands.append(np.real(steps.conj().T @ steps) / POINTS)
    return np.array(all_bands)


def gains(random):
    """Returns sets of relative gains as arrivals have them."""
    family = random.integers(len(FACTORS), size=SETS)
    factor, leak = FACTORS[family], LEAKS[family]
    exponent = ((1 - leak) / (1 / factor - leak) - 1) / 2
    cosine = random.uniform(-1, 1, SETS)[:, None]
    energy = leak + (1 - leak) * ((1 + cosine) / 2) ** (2 * exponent)
    side = random.integers(len(SIDES) + 1, size=SETS)[:, None]
    axis = AXES / np.linalg.norm(AXES, axis=1, keepdims=True)
    towards = np.concatenate([np.ones((len(axis), 1)), axis @ SIDES.T], 1)[family[:, None], side]
    recorded = leak + (1 - leak) * ((1 + towards) / 2) ** (2 * exponent)
    energy /= np.maximum(recorded, LEAST_RECORDED)
    hits = HITS[random.integers(len(HITS), size=SETS)]
    for face in range(hits.shape[1]):
        # Hard finishes are met more often than soft ones.
        finish = np.where(random.uniform(size=SETS) < 0.75, random.integers(6, size=SETS), random.integers(9, size=SETS))
        energy *= (1 - ABSORPTION[finish]) ** hits[:, face, None]
    energy = np.concatenate([energy, energy[:, -1:]], 1)
    # Metres times the air's loss.
    path = random.uniform(1, 90, SETS) * random.choice([0.0, 1.0, 1.0, 3.0], SETS)
    energy *= 10 ** (-AIR * path[:, None] / 10)
    gain = np.sqrt(energy)
    return np.maximum(gain / gain.max(1, keepdims=True), LEAST)


def features(gain):
    """1, the tilts, products of two up to two bands apart, cubes, and products of three of two neighbours."""
    t = (gain[:, 1:] - gain[:, :-1]) / (gain[:, 1:] + gain[:, :-1])
    last = BANDS - 1
    columns = [np.ones(len(t))] + [t[:, a] for a in range(last)]
    columns += [t[:, a] * t[:, b] for a in range(last) for b in range(a, min(a + 3, last))]
    for a in range(last):
        columns.append(t[:, a] ** 3)
        if a + 1 < last:
            columns += [t[:, a] ** 2 * t[:, a + 1], t[:, a] * t[:, a + 1] ** 2]
    return np.stack(columns, 1)


def train():
    c = energies()
    gain = gains(np.random.default_rng(1))
    columns = features(gain)
    scale = np.sqrt((columns**2).mean(0)) + 1e-9
    columns = columns / scale
    sets, count = columns.shape
    weight = np.ones(BANDS)
    weight[-1] = TOP_WEIGHT
    coefficients = np.zeros((count, BANDS))
    # Equal gains leave the sound alone: the constant is 1, and is not trained.
    coefficients[0] = scale[0]

    def errors(coefficients):
        step = gain * (columns @ coefficients)
        slope = np.einsum("jkl,nl->njk", c, step)
        energy = np.maximum(np.einsum("njk,nk->nj", slope, step), 1e-12)
        return slope, energy, 0.5 * np.log(energy / gain**2) * weight

    slope, energy, error = errors(coefficients)
    damping = 1.0
    for _ in range(ROUNDS):
        # Sets that no sum of branches can follow must not spoil the rest.
        trust = 1 / np.sqrt(1 + (error / 0.12) ** 2)
        cost = ((trust * error) ** 2).sum()
        jacobian = slope * gain[:, None, :] / energy[:, :, None] * weight[None, :, None]
        free = count - 1
        normal, right = np.zeros((free * BANDS, free * BANDS)), np.zeros(free * BANDS)
        for row in range(BANDS):
            block = columns[:, 1:, None] * (jacobian[:, row] * trust[:, row, None])[:, None, :]
            block = block.reshape(sets, -1)
            normal += block.T @ block
            right -= block.T @ (trust[:, row] * error[:, row])
        for _ in range(6):
            damped = normal + (1e-3 * damping + 1e-7) * sets * np.eye(len(normal))
            tried = coefficients.copy()
            tried[1:] += np.linalg.solve(damped, right).reshape(free, BANDS)
            then = errors(tried)
            if ((trust * then[2]) ** 2).sum() < cost:
                break
            damping *= 8
        else:
            break
        coefficients, (slope, energy, error) = tried, then
        damping = max(damping * 0.2, 1e-6)
    return coefficients / scale[:, None]


def main():
    coefficients = train()
    print("//! Made by `dsp/design/fast_fit_start.py`: the polynomials with which the fast fit of branch weights begins.")
    print()
    print("use crate::plan::band_split::FITTED;")
    print()
    print("/// Number of features, in the order of `fast_fit::find_features`.")
    print(f"pub(crate) const FEATURES: usize = {len(coefficients)};")
    print("/// Factor on each step's gain, by feature, then step.")
    print("#[rustfmt::skip]")
    print('#[allow(clippy::approx_constant, reason = "a fitted number that only happens to be near pi/6")]')
    print("pub(crate) const START: [[f32; FITTED]; FEATURES] = [")
    for row in coefficients:
        print("    [" + ", ".join(f"{value:.4f}" for value in row) + "],")
    print("];")


if __name__ == "__main__":
    main()
