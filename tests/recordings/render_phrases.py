"""Dry recordings that nothing was developed with: a phrase for each of four families.

Renders a chromatic phrase from Debian's `fluid-soundfont-gm` (MIT licence; other
players and microphones than the demo's set) with fluidsynth, reverb and chorus
off, at 44.1, 48 and 96 kHz, mono, into the folder named. Nothing of it is kept
in the repository. Run as `python3 render_phrases.py target/recordings`, then

    cargo run --release -p rostra-tests --bin recordings -- target/recordings
"""

import pathlib
import shutil
import struct
import subprocess
import sys
import wave

SOUND_FONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
# Name: program of General MIDI, lowest and highest key.
PHRASES = {"horn": (60, 45, 69), "violin": (40, 58, 88), "clarinet": (71, 52, 84), "trumpet": (56, 54, 79)}
RATES_HZ = (44_100, 48_000, 96_000)
TICKS = 480


def number(value):
    out = [value & 0x7F]
    while value := value >> 7:
        out.insert(0, value & 0x7F | 0x80)
    return bytes(out)


def phrase(program, low, high):
    """Returns a MIDI file: every key from low to high and back, a quarter of a second each."""
    keys = [*range(low, high + 1, 1), *range(high - 1, low, -2)]
    track = bytes([0, 0xC0, program])
    for key in keys:
        track += bytes([0, 0x90, key, 100]) + number(TICKS // 2) + bytes([0x80, key, 0])
    track += number(2 * TICKS) + bytes([0xFF, 0x2F, 0])
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, TICKS) + b"MTrk" + struct.pack(">I", len(track)) + track


def main():
    if shutil.which("fluidsynth") is None:
        sys.exit("error: fluidsynth is missing; install Debian's package fluidsynth")
    if not pathlib.Path(SOUND_FONT).exists():
        sys.exit(f"error: {SOUND_FONT} is missing; install Debian's package fluid-soundfont-gm")
    folder = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else "target/recordings")
    folder.mkdir(parents=True, exist_ok=True)
    for name, (program, low, high) in PHRASES.items():
        midi = folder / f"{name}.mid"
        midi.write_bytes(phrase(program, low, high))
        for rate in RATES_HZ:
            stereo = folder / "stereo.wav"
            command = ["fluidsynth", "-ni", "-R", "0", "-C", "0", "-g", "0.8", "-r", str(rate)]
            subprocess.run([*command, "-F", str(stereo), SOUND_FONT, str(midi)], check=True, stdout=subprocess.DEVNULL)
            with wave.open(str(stereo)) as file:
                samples = struct.unpack(f"<{2 * file.getnframes()}h", file.readframes(file.getnframes()))
            mono = folder / f"{name}-{rate}.wav"
            with wave.open(str(mono), "wb") as file:
                file.setparams((1, 2, rate, 0, "NONE", "not compressed"))
                file.writeframes(struct.pack(f"<{len(samples) // 2}h", *samples[::2]))
            print(mono)
        midi.unlink()
    stereo.unlink()


if __name__ == "__main__":
    main()
