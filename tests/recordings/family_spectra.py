#!/usr/bin/env python3
"""Work out the usual spectra of the families, in thirds of an octave.

    python3 -m venv DIR && DIR/bin/pip install -r tests/recordings/requirements.txt
    DIR/bin/python tests/recordings/family_spectra.py

Prints the table in `dsp/src/acoustics/loudness.rs`. A family's spectrum is the
mean energy of the notes of its sampled instruments (the sound font of the
Debian package timgm6mb-soundfont) and of the demo's stems in it, three to seven
where there are both; then, since recordings differ, smoothed over neighbouring
thirds, with an eighth of pink noise (our choice). One number a third is kept,
no sound.
"""

import pathlib
import re

import numpy
import soundfile

import fetch_recordings

THIRDS_HZ = 1000.0 * 10.0 ** (numpy.arange(-15, 13) / 10.0)
# Families in the table's order; stems; names of samples.
FAMILIES = (
    ("ForwardBell", ("trumpets",), r"Trump[A-G]"),
    ("WideForwardBell", ("trombones",), r"Trombone"),
    ("RearBell", ("horns",), r"FRHORN|French Horns"),
    ("UpwardBell", (), r"Tuba"),
    ("TopPlate", ("violins-1", "violins-2", "violas"), r"Violin"),
    ("FrontPlate", ("cellos", "double-basses"), r"Arco Cello|Contra Bass"),
    ("ToneHoles", ("oboe", "clarinet"), r"Oboe|English Horn|Bb ff Clar"),
    ("Bassoon", ("bassoon",), r"Bassoon"),
    ("Flute", ("flute",), r"Flute"),
    ("Harp", ("harp",), r"Harp[A-G]"),
    ("Lid", (), r"Piano"),
    ("Bars", (), r"Marimba|Xylophone|Vibes|Glocken"),
    ("Mouth", (), r"Aahs|Choir"),
    ("Drumhead", ("timpani",), r"Timp Drum"),
)
STEMS_COUNT = 0.7
PINK_COUNTS = 0.12
FRAMES = 1 << 14
# Shorter ones are loops of a few periods.
SHORTEST_FRAMES = 400
LEAST_DB = -40.0


def in_thirds(sound, rate):
    """Return the energy in each third, all together 1."""
    window = numpy.hanning(FRAMES)
    sound = numpy.concatenate([numpy.zeros(FRAMES // 2), sound, numpy.zeros(FRAMES)])
    starts = range(0, len(sound) - FRAMES, FRAMES // 2)
    power = sum(numpy.abs(numpy.fft.rfft(sound[at:at + FRAMES] * window)) ** 2 for at in starts)
    hz = numpy.fft.rfftfreq(FRAMES, 1.0 / rate)
    inside = [(hz >= middle * 10 ** -0.05) & (hz < middle * 10 ** 0.05) for middle in THIRDS_HZ]
    energy = numpy.array([power[lines].sum() + 1e-30 for lines in inside])
    return energy / energy.sum()


def of_samples(samples, pattern):
    """Return the mean over sampled notes, each sounding for a second at least."""
    notes = [(sound, rate) for name, sound, rate, _ in samples
             if re.match(pattern, name) and len(sound) > SHORTEST_FRAMES]
    repeated = [(numpy.tile(sound, max(1, -(-rate // len(sound)))), rate) for sound, rate in notes]
    return numpy.mean([in_thirds(sound, rate) for sound, rate in repeated], axis=0)


def main():
    stems = pathlib.Path(fetch_recordings.ROOT) / "presets-demo" / "stems"
    samples = list(fetch_recordings.samples_of(fetch_recordings.sound_font(*fetch_recordings.TIMGM)))
    for family, names, pattern in FAMILIES:
        energy = of_samples(samples, pattern)
        if names:
            played = [in_thirds(*soundfile.read(stems / f"{name}.flac")) for name in names]
            energy = STEMS_COUNT * numpy.mean(played, axis=0) + (1.0 - STEMS_COUNT) * energy
        smooth = energy.copy()
        smooth[1:-1] = 0.2 * energy[:-2] + 0.6 * energy[1:-1] + 0.2 * energy[2:]
        smooth = (1.0 - PINK_COUNTS) * smooth / smooth.sum() + PINK_COUNTS / len(smooth)
        levels = numpy.maximum(numpy.round(10.0 * numpy.log10(smooth / smooth.max())), LEAST_DB)
        print(f"Self::{family} => [{', '.join(str(int(level)) for level in levels)}],")


if __name__ == "__main__":
    main()
