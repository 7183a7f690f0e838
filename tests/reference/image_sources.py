"""Writes tests/data/image_sources_order3.csv: image sources of a box with one open face.

Pinned: Python 3.11, pyroomacoustics 0.10.1. Run from the top of the checkout:

    pip install pyroomacoustics==0.10.1
    python tests/reference/image_sources.py

Nothing here is read from the project's own code. Places, orders and damping of
the images are pyroomacoustics' own; absorption of the finishes is read from
the material table that it ships (M. Vorlaender, Auralization, Springer 2008).
What a face keeps of a hit follows from the formulas of the project's model:

    a        mean absorption of the six faces, the open one counting as 1, mean of 500 Hz and 1 kHz
    1 - beta = exp(-L) / (1 - a), L (1 - g L/2) = 24 ln10 V / (c S T), g = 0.35
    kept     = (1 - alpha_b) (1 - sigma_b) (1 - beta)         energy, per hit and octave

and goes into pyroomacoustics as the energy absorption 1 - kept.

The library's axes start in a corner; the table's are the project's: x from the
middle, y upstage from the open face, z up. The library counts a hit of the open
face as one that keeps nothing; those images are left out. Its damping leaves
out the air, and so does this table.
"""

import math
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from pyroomacoustics.parameters import materials_data

assert pra.__version__ == "0.10.1", pra.__version__

OUT = Path(__file__).resolve().parent.parent / "data" / "image_sources_order3.csv"

BANDS_HZ = [125, 250, 500, 1000, 2000, 4000, 8000]
WIDTH_M, DEPTH_M, HEIGHT_M = 14.0, 9.5, 7.3
DECAY_S = 0.45
TEMPERATURE_C = 20.0
SPEED_M_S = 331.3 * math.sqrt(1.0 + TEMPERATURE_C / 273.15)
ORDER = 3

# Rows of the shipped material table; the floor's scattering is its row classroom_tables, that of the others the model's.
WALLS = np.array([0.1, 0.1, 0.15, 0.2, 0.25, 0.3, 0.3])
FINISHES = {
    "floor": ("carpet_tufted_9m", None),
    "ceiling": ("ceiling_plasterboard", WALLS),
    "north": ("smooth_brickwork_10mm_pointing", WALLS),  # y = depth: the rear wall
    "west": ("brickwork", WALLS),  # x = -width / 2
    "east": ("brickwork", WALLS),  # x = width / 2
}
AREAS_M2 = {
    "floor": WIDTH_M * DEPTH_M,
    "ceiling": WIDTH_M * DEPTH_M,
    "north": WIDTH_M * HEIGHT_M,
    "west": DEPTH_M * HEIGHT_M,
    "east": DEPTH_M * HEIGHT_M,
}

# Off every plane of symmetry, so that no two paths are equally long. The
# receiver is the right capsule of the near-coincident pair, as an omni.
SOURCE_M = (-2.7, 6.1, 1.9)
RECEIVER_M = (0.085, 0.0, 3.0)


def absorption(row):
    """Energy absorption of a row per octave, 8 kHz repeating 4 kHz where the row ends there."""
    for group in materials_data["absorption"].values():
        if row in group:
            coefficients = list(group[row]["coeffs"])
            bands = list(group[row].get("center_freqs", materials_data["center_freqs"]))[: len(coefficients)]
            if bands[-1] == 4000:
                bands.append(8000)
                coefficients.append(coefficients[-1])
            assert bands == BANDS_HZ, (row, bands)
            return np.array(coefficients)
    raise KeyError(row)


def furnishing():
    """beta: what players, chairs and drapes take, spread evenly over the faces."""
    volume = WIDTH_M * DEPTH_M * HEIGHT_M
    front = WIDTH_M * HEIGHT_M
    surface = sum(AREAS_M2.values()) + front
    mid = [BANDS_HZ.index(500), BANDS_HZ.index(1000)]
    mean = (sum(AREAS_M2[f] * absorption(FINISHES[f][0])[mid].mean() for f in AREAS_M2) + front) / surface
    exponent = 24.0 * math.log(10.0) * volume / (SPEED_M_S * surface * DECAY_S)
    # Eyring with Kuttruff's allowance for unequal free paths.
    log_absorption = (1.0 - math.sqrt(1.0 - 2.0 * 0.35 * exponent)) / 0.35
    return max(0.0, 1.0 - math.exp(-log_absorption) / (1.0 - mean))


def scattering(face):
    """Share that a face scatters per octave; the floor's is read from the library's table, 8 kHz repeating 4 kHz."""
    own = FINISHES[face][1]
    if own is not None:
        return own
    row = materials_data["scattering"]["Seating and audience"]["classroom_tables"]
    coefficients = list(row["coeffs"])
    return np.array((coefficients + coefficients[-1:])[: len(BANDS_HZ)])


def material(energy_absorption):
    return pra.Material({"description": "", "coeffs": list(energy_absorption), "center_freqs": BANDS_HZ})


def main():
    pra.constants.set("c", SPEED_M_S)
    beta = furnishing()
    walls = {
        face: material(1.0 - (1.0 - absorption(row)) * (1.0 - scattering(face)) * (1.0 - beta))
        for face, (row, _) in FINISHES.items()
    }
    walls["south"] = material(np.ones(len(BANDS_HZ)))
    room = pra.ShoeBox(
        [WIDTH_M, DEPTH_M, HEIGHT_M], fs=48000, materials=walls, max_order=ORDER, air_absorption=False
    )
    middle = np.array([WIDTH_M / 2, 0.0, 0.0])
    room.add_source(middle + SOURCE_M)
    # The images do not depend on the receiver, which stands on the open face itself.
    room.add_microphone(middle + (0.0, 1.0, 3.0))
    room.image_source_model()
    source = room.sources[0]
    # At 48 kHz the library adds a 16 kHz octave, which is no band of ours.
    assert np.allclose(room.octave_bands.centers[: len(BANDS_HZ)], BANDS_HZ), room.octave_bands.centers
    all_damping = source.damping[: len(BANDS_HZ)]

    rows = []
    for image, order, damping in zip(source.images.T, source.orders, all_damping.T):
        if np.all(damping < 1e-6):
            continue
        place = image - middle
        path = np.linalg.norm(image - (middle + np.array(RECEIVER_M)))
        rows.append((path / SPEED_M_S, place, int(order), damping / path))
    rows.sort(key=lambda row: row[0])

    with OUT.open("w", newline="\n") as file:
        file.write(
            f"# Image sources up to third order of a box of {WIDTH_M:g} x {DEPTH_M:g} x {HEIGHT_M:g} m whose front is open, by\n"
            "# pyroomacoustics 0.10.1, made with tests/reference/image_sources.py. Axes as in the crate;\n"
            f"# source {SOURCE_M}, receiver {RECEIVER_M} (m), decay {DECAY_S} s; gain: amplitude of an even source\n"
            "# at 1 m, without air.\n"
            "x,y,z,order,delay_s," + ",".join(f"gain_{hz}" for hz in BANDS_HZ) + "\n"
        )
        for delay, place, order, gain in rows:
            cells = [f"{v:.6f}" for v in place] + [str(order), f"{delay:.9f}"] + [f"{v:.9e}" for v in gain]
            file.write(",".join(cells) + "\n")
    print(f"{len(rows)} images, furnishing {beta:.4f}")


if __name__ == "__main__":
    main()
