"""Writes tests/data/section_points.csv: sections of players as incoherent points in a box with one open face.

Pinned: Python 3.11, pyroomacoustics 0.10.1. Run from the top of the checkout:

    pip install pyroomacoustics==0.10.1
    python tests/reference/section_points.py

Every player is a point of its own that radiates evenly, with a signal that has
nothing to do with the others'. Places, orders and damping of the images are
pyroomacoustics' own, with the materials of `image_sources.py`; so are the
patterns of the two cardioids. What left and right hear of all players is summed
as energies and cross energies of their transfer functions and averaged over
thirds of an octave:

    S_ab(f) = sum_p H_pa(f) H_pb*(f) / N, level 10 log10 mean S_aa, coherence Re mean S_LR / sqrt(mean S_LL mean S_RR)

No diffuse sound, no air: images up to third order. Between octaves the damping
of an image goes on straight lines over the logarithm of frequency.
"""

import math
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from image_sources import FINISHES, absorption, material, scattering

OUT = Path(__file__).resolve().parent.parent / "data" / "section_points.csv"
BANDS_HZ = [125, 250, 500, 1000, 2000, 4000, 8000]
SPEED_M_S = 331.3 * math.sqrt(1.0 + 20.0 / 273.15)
ORDER = 3

# Width, depth, height, decay.
PLATFORMS = {"small": (14.0, 9.5, 7.3, 0.45), "large": (20.0, 14.0, 11.0, 0.7)}
# Platform, players, depth, bearing, riser, width, depth of the section.
SECTIONS = [
    ("small", 14, 3.2, -25.0, 0.0, 5.0, 2.4),
    ("small", 8, 7.0, 15.0, 0.4, 5.0, 1.5),
    ("small", 4, 6.5, -20.0, 0.6, 3.0, 1.5),
    ("large", 14, 4.0, 25.0, 0.0, 6.0, 3.0),
    ("large", 8, 11.0, -20.0, 0.8, 5.0, 1.5),
    ("large", 4, 9.0, 5.0, 0.6, 4.0, 1.5),
]
# Near-coincident pair at the front edge, 3 m up: 17 cm, cardioids 110 degrees apart.
MICROPHONES_Z_M = 3.0
HALF_SPACING_M = 0.085
HALF_ANGLE_DEG = 55.0
# An instrument stands 1.2 m above its riser.
HEIGHT_M = 1.2
THIRDS_HZ = [1000.0 * 10.0 ** (n / 10.0) for n in range(-6, 10)]
STEP_HZ = 1.0


def players(count, depth, bearing, riser, width, behind):
    """One rank up to six players, else two, the fuller one in front; in the middles of equal parts of their rank."""
    x, y = depth * math.tan(math.radians(bearing)), depth
    sight = np.array([x, y]) / math.hypot(x, y)
    across = np.array([sight[1], -sight[0]])
    ranks = 1 if count <= 6 else 2
    places = []
    for rank in range(ranks):
        abreast = count // ranks + (rank < count % ranks)
        for player in range(abreast):
            sideways = width * ((player + 0.5) / abreast - 0.5)
            back = behind * ((rank + 0.5) / ranks - 0.5)
            place = np.array([x, y]) + across * sideways + sight * back
            places.append((place[0], place[1], riser + HEIGHT_M))
    return places


def walls(size):
    width, depth, height, decay = size
    areas = {
        "floor": width * depth,
        "ceiling": width * depth,
        "north": width * height,
        "west": depth * height,
        "east": depth * height,
    }
    front = width * height
    surface = sum(areas.values()) + front
    mid = [BANDS_HZ.index(500), BANDS_HZ.index(1000)]
    mean = (sum(areas[f] * absorption(FINISHES[f][0])[mid].mean() for f in areas) + front) / surface
    exponent = 24.0 * math.log(10.0) * width * depth * height / (SPEED_M_S * surface * decay)
    log_absorption = (1.0 - math.sqrt(1.0 - 2.0 * 0.35 * exponent)) / 0.35
    beta = max(0.0, 1.0 - math.exp(-log_absorption) / (1.0 - mean))
    faces = {
        face: material(1.0 - (1.0 - absorption(row)) * (1.0 - scattering(face)) * (1.0 - beta))
        for face, (row, _) in FINISHES.items()
    }
    faces["south"] = material(np.ones(len(BANDS_HZ)))
    return faces


def transfer(size, faces, place, frequency):
    """What both capsules hear of a point: two complex rows."""
    width, depth, height, _ = size
    room = pra.ShoeBox([width, depth, height], fs=48000, materials=faces, max_order=ORDER, air_absorption=False)
    middle = np.array([width / 2, 0.0, 0.0])
    room.add_source(middle + place)
    room.add_microphone(middle + (0.0, 1.0, 3.0))
    room.image_source_model()
    source = room.sources[0]
    damping = source.damping[: len(BANDS_HZ)]
    heard = np.zeros((2, len(frequency)), complex)
    for image, gains in zip(source.images.T, damping.T):
        if np.all(gains < 1e-6):
            continue
        gain = np.interp(np.log(frequency), np.log(BANDS_HZ), gains)
        for capsule, side in enumerate((-1.0, 1.0)):
            microphone = middle + np.array([side * HALF_SPACING_M, 0.0, MICROPHONES_Z_M])
            way = image - microphone
            path = np.linalg.norm(way)
            azimuth = math.pi / 2 - side * math.radians(HALF_ANGLE_DEG)
            pattern = pra.directivities.Cardioid(
                pra.directivities.DirectionVector(azimuth=azimuth, colatitude=math.pi / 2, degrees=False)
            )
            colatitude = math.acos(way[2] / path)
            taken = pattern.get_response(
                azimuth=np.array([math.atan2(way[1], way[0])]), colatitude=np.array([colatitude]), degrees=False
            )
            taken = np.squeeze(taken)
            heard[capsule] += gain * taken / path * np.exp(-2j * np.pi * frequency * path / SPEED_M_S)
    return heard


def main():
    pra.constants.set("c", SPEED_M_S)
    frequency = np.arange(200.0, 9300.0, STEP_HZ)
    with OUT.open("w", newline="\n") as file:
        file.write(
            "# Sections of incoherent points in a box whose front is open, images up to third order, near-coincident pair, by\n"
            "# pyroomacoustics 0.10.1, made with tests/reference/section_points.py. Axes as in the crate; levels against a\n"
            "# point of 1 Pa at 1 m. A line of a section: platform, players, depth, bearing, riser, width and depth of the\n"
            "# section in m and degrees; then a line for each player: x, y, z; then for each third its midband in Hz, level of\n"
            "# left and right in dB, coherence.\n"
        )
        for platform, count, depth, bearing, riser, width, behind in SECTIONS:
            size = PLATFORMS[platform]
            faces = walls(size)
            places = players(count, depth, bearing, riser, width, behind)
            file.write(f"section,{platform},{count},{depth:g},{bearing:g},{riser:g},{width:g},{behind:g}\n")
            sums = np.zeros((2, 2, len(frequency)), complex)
            for place in places:
                file.write("player," + ",".join(f"{x:.6f}" for x in place) + "\n")
                heard = transfer(size, faces, place, frequency)
                sums += heard[:, None, :] * np.conj(heard[None, :, :]) / count
            for middle in THIRDS_HZ:
                within = (frequency >= middle * 10**-0.05) & (frequency < middle * 10**0.05)
                mean = sums[:, :, within].mean(axis=2)
                left, right = mean[0, 0].real, mean[1, 1].real
                coherence = mean[0, 1].real / math.sqrt(left * right)
                levels = f"{10 * math.log10(left):.4f},{10 * math.log10(right):.4f}"
                file.write(f"third,{middle:.2f},{levels},{coherence:.4f}\n")


if __name__ == "__main__":
    main()
