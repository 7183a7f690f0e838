#!/usr/bin/env python3
"""Fetch real dry recordings of four instruments, store them at three rates, and sum two of them to sections.

    python3 -m venv DIR && DIR/bin/pip install -r tests/recordings/requirements.txt
    DIR/bin/python tests/recordings/fetch_recordings.py

Writes target/recordings/<family> <rate>.wav: mono, 32-bit float, 44.1, 48 and
96 kHz, and <family> section 48000.wav. `cargo run --release -p rostra-tests
--bin recordings` then places them and prints what came out.

What is recorded, one instrument for each of four families; nothing is kept in
this repository, and the demo's stems use none of these recordings:

    family        instrument             package (Debian)      licence
    rear bell     horn, 5 notes          timgm6mb-soundfont    GPL-2
    top plate     violin, 14 notes       fluid-soundfont-gm    MIT
    tone holes    English horn, 8 notes  fluid-soundfont-gm    MIT
    forward bell  trumpet, 7 notes       timgm6mb-soundfont    GPL-2

The demo's horns, trumpets and woodwinds were played from a sound font that took
over those of fluid-soundfont-gm (the trumpets' samples are the same to the
bit), so that its horn and trumpet are no fresh recordings; hence the second
package. The English horn and the solo violin are in no stem of the demo.

The recordings are taken out of the sound font as they are: the left channel
where there are two, at the pitch at which they were played, each note to its
end with a fade of 20 ms, then a second of silence. No synthesiser, no effect.
The horn and the trumpet were recorded at 22.05 kHz: the upper half of the
8 kHz octave (to 11.3 kHz) holds little.

A section is the horn and the violin once more: every note summed from 8 and 14
takes of it, each up to 10 cents and 2 dB off and up to 40 ms late. Players of
an ensemble start 30 to 50 ms apart (Rasch, Acustica 43, 1979, from memory); the
cents and decibels are common practice, no source. The seed is fixed.

Debian-based systems: packages that are not installed are downloaded with
`apt-get download` and unpacked into target/recordings, not installed.
"""

import pathlib
import re
import struct
import subprocess
import sys

try:
    import numpy
    import soxr
except ModuleNotFoundError as missing:
    sys.exit(f"error: {missing}; install tests/recordings/requirements.txt first")

ROOT = pathlib.Path(__file__).resolve().parents[2]
OUT = ROOT / "target" / "recordings"
RATES_HZ = (44100, 48000, 96000)
FADE_S = 0.020
# Longer than the tail, so that notes are heard by themselves.
GAP_S = 1.0
# Peak of the loudest note; the placed sound may be louder than the dry one.
PEAK = 0.25

TIMGM = ("timgm6mb-soundfont", "TimGM6mb.sf2")
FLUID = ("fluid-soundfont-gm", "FluidR3_GM.sf2")
# Players of a section, by family, and how far they are apart.
SECTIONS = {"rear bell": 8, "top plate": 14}
LATEST_S, MOST_CENTS, MOST_DB = 0.040, 10.0, 2.0
# Family, sound font, and what the names of its samples look like.
RECORDINGS = (
    ("rear bell", TIMGM, r"[A-G]#?\d FrenchHorn1$"),
    ("top plate", FLUID, r"Violin [A-G]#?\d\(L\)$"),
    ("tone holes", FLUID, r"English Horn [A-G]#?\d\(L\)$"),
    ("forward bell", TIMGM, r"Trump[A-G]#?\d$"),
)


def fail(text):
    sys.exit("error: " + text)


def sound_font(package, name):
    """Return the path of a package's sound font, fetching the package where it is missing."""
    inside = pathlib.Path("usr/share/sounds/sf2") / name
    unpacked = OUT / "packages"
    for root in (pathlib.Path("/"), unpacked):
        if (root / inside).exists():
            return root / inside
    unpacked.mkdir(parents=True, exist_ok=True)
    try:
        subprocess.run(["apt-get", "download", package], cwd=unpacked, check=True)
        for archive in unpacked.glob(f"{package}_*.deb"):
            subprocess.run(["dpkg", "-x", archive, unpacked], check=True)
    except (OSError, subprocess.CalledProcessError) as error:
        fail(f"{package} cannot be fetched ({error}); install it by hand: apt-get install {package}")
    return unpacked / inside


def chunks(data, start, end):
    """Yield (name, start, end) of the RIFF chunks between two places."""
    while start + 8 <= end:
        name, size = data[start:start + 4], struct.unpack_from("<I", data, start + 4)[0]
        yield name, start + 8, start + 8 + size
        start += 8 + size + size % 2


def samples_of(path):
    """Yield (name, samples, rate, pitch) of a sound font (SoundFont 2.01, sections 6.1 and 7.10)."""
    data = path.read_bytes()
    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        fail(f"{path}: no sound font")
    parts = {}
    for name, start, end in chunks(data, 12, len(data)):
        if name == b"LIST":
            parts.update({inner: (a, b) for inner, a, b in chunks(data, start + 4, end)})
    (first, last), (pcm, pcm_end) = parts[b"shdr"], parts[b"smpl"]
    words = numpy.frombuffer(data, dtype="<i2", count=(pcm_end - pcm) // 2, offset=pcm)
    # The last record only marks the end.
    for at in range(first, last - 46, 46):
        name, start, end, _, _, rate, pitch = struct.unpack_from("<20sIIIIIB", data, at)
        yield name.split(b"\0")[0].decode("latin-1"), words[start:end] / 32768.0, rate, pitch


def phrase(notes, rate):
    """Join notes of one rate with silence between them."""
    fade = int(FADE_S * rate)
    parts = [numpy.zeros(rate // 10)]
    for note in notes:
        note = note.copy()
        note[-fade:] *= 0.5 + 0.5 * numpy.cos(numpy.pi * numpy.arange(fade) / fade)
        parts += [note, numpy.zeros(int(GAP_S * rate))]
    joined = numpy.concatenate(parts)
    return joined * PEAK / numpy.max(numpy.abs(joined))


def section(note, rate, players, chance):
    """Return a note as so many players begin it: not together, not quite in tune, not equally loud."""
    latest = int(LATEST_S * rate)
    longest = int(len(note) * 2 ** (MOST_CENTS / 1200)) + latest + 2
    total = numpy.zeros(longest)
    for _ in range(players):
        cents = chance.uniform(-MOST_CENTS, MOST_CENTS)
        take = soxr.resample(note, rate, rate * 2 ** (cents / 1200), quality="VHQ")
        late = chance.integers(latest)
        total[late:late + len(take)] += 10 ** (chance.uniform(-MOST_DB, MOST_DB) / 20) * take
    return total / numpy.sqrt(players)


def write_wav(path, samples, rate):
    """Write mono 32-bit float WAV; the standard library writes whole numbers only."""
    body = samples.astype("<f4").tobytes()
    form = struct.pack("<HHIIHHH", 3, 1, rate, rate * 4, 4, 32, 0)
    fact = struct.pack("<I", len(samples))
    pieces = b"WAVE"
    for name, content in ((b"fmt ", form), (b"fact", fact), (b"data", body)):
        pieces += name + struct.pack("<I", len(content)) + content
    path.write_bytes(b"RIFF" + struct.pack("<I", len(pieces)) + pieces)


def main():
    OUT.mkdir(parents=True, exist_ok=True)
    for family, (package, name), pattern in RECORDINGS:
        found = [sample for sample in samples_of(sound_font(package, name)) if re.match(pattern, sample[0])]
        if not found:
            fail(f"{name} has no samples like {pattern}")
        rates = {rate for _, _, rate, _ in found}
        if len(rates) != 1:
            fail(f"{family}: samples of several rates, {sorted(rates)}")
        rate = rates.pop()
        dry = phrase([samples for _, samples, _, _ in found], rate)
        for wanted in RATES_HZ:
            path = OUT / f"{family} {wanted}.wav"
            write_wav(path, soxr.resample(dry, rate, wanted, quality="VHQ"), wanted)
        if family in SECTIONS:
            chance = numpy.random.default_rng(1)
            many = phrase([section(samples, rate, SECTIONS[family], chance) for _, samples, _, _ in found], rate)
            write_wav(OUT / f"{family} section 48000.wav", soxr.resample(many, rate, 48000, quality="VHQ"), 48000)
        print(f"{family}: {len(found)} notes, {len(dry) / rate:.1f} s, recorded at {rate} Hz, "
              f"from {package}: {', '.join(name for name, *_ in found)}")


if __name__ == "__main__":
    main()
