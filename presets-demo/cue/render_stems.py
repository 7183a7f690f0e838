#!/usr/bin/env python3
"""Render the dry stems of the demo cue.

Reads cue.toml beside this script, writes one MIDI file per stem into a
temporary folder, plays each through fluidsynth (reverb and chorus off), mixes
it down to mono and stores it as a 48 kHz, 16-bit FLAC file in ../stems.

    python3 render_stems.py            render all stems, then print the levels
    python3 render_stems.py --check    only measure the stems that are there
    python3 render_stems.py --only horns timpani
    python3 render_stems.py --midi DIR keep the MIDI files in DIR

Python 3.11 or newer, standard library only.
"""

import argparse
import array
import math
import os
import random
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import wave

try:
    import tomllib
except ModuleNotFoundError:
    sys.exit("error: Python 3.11 or newer is needed (module tomllib)")

HERE = os.path.dirname(os.path.abspath(__file__))
STEMS = os.path.join(os.path.dirname(HERE), "stems")
SOUND_FONT = "/usr/share/sounds/sf2/MuseScore_General_Full.sf2"
RATE = 48000
PPQ = 960
CONTROL_STEP_S = 0.03

STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
TOKEN = re.compile(
    r"^(?P<pitch>rest|[A-G][#b]?\d(?:\+[A-G][#b]?\d)*)(?P<marks>['_>~]*)"
    r"(?::(?P<len>\d*\.?\d+))?(?:x(?P<times>\d+))?$"
)


def fail(text):
    sys.exit("error: " + text)


def need_program(name, package):
    if shutil.which(name) is None:
        fail(f"the program '{name}' is missing; on Debian-based systems: apt-get install {package}")


def midi_key(name):
    m = re.match(r"^([A-G])([#b]?)(\d)$", name)
    step = STEPS[m[1]] + {"#": 1, "b": -1, "": 0}[m[2]]
    return step + 12 * (int(m[3]) + 1)


# ------------------------------------------------------------- score reading


def read_line(stem, line, beats_per_bar):
    """Turn one line of notes into (beat, length, keys, marks)."""
    start = (line["bar"] - 1) * beats_per_bar
    beat, length = float(start), 1.0
    events = []
    for token in line["notes"].split():
        if token == "|":
            if abs(beat / beats_per_bar - round(beat / beats_per_bar)) > 1e-6:
                fail(f"{stem}: bar line off the bar at beat {beat - start:g} "
                     f"of the line that starts in bar {line['bar']}")
            continue
        m = TOKEN.match(token)
        if m is None:
            fail(f"{stem}: cannot read the note '{token}'")
        if m["len"]:
            length = float(m["len"])
        for _ in range(int(m["times"] or 1)):
            if m["pitch"] != "rest":
                keys = [midi_key(k) for k in m["pitch"].split("+")]
                events.append((beat, length, keys, m["marks"]))
            beat += length
    return events


def dynamics_curve(stem, marks, beats_per_bar):
    points = []
    for bar, beat, mark in stem["dynamics"]:
        points.append(((bar - 1) * beats_per_bar + beat - 1, marks[mark]))

    def level(at):
        if at <= points[0][0]:
            return points[0][1]
        for (b0, v0), (b1, v1) in zip(points, points[1:]):
            if at <= b1:
                return v0 + (v1 - v0) * (at - b0) / (b1 - b0) if b1 > b0 else v1
        return points[-1][1]

    return level


# -------------------------------------------------------------- MIDI writing


def clamp(value, low, high):
    return max(low, min(high, value))


def variable_length(n):
    out = [n & 0x7F]
    while n > 0x7F:
        n >>= 7
        out.append((n & 0x7F) | 0x80)
    return bytes(reversed(out))


def stem_midi(score, stem):
    cue = score["cue"]
    beat_s = 60.0 / cue["tempo_bpm"]
    rng = random.Random(f"{cue['seed']}/{stem['name']}")
    level = dynamics_curve(stem, score["marks"], cue["beats_per_bar"])
    channels = {}
    for name in stem["patches"]:
        channels[name] = len(channels)        # at most five: channel 10 is never used
    spread = cue["onset_spread_ms"] / 1000.0

    messages = []                             # (tick, order, bytes)

    def put(seconds, order, *data):
        messages.append((max(0, round(seconds / beat_s * PPQ)), order, bytes(data)))

    for name, (bank, program) in stem["patches"].items():
        ch = channels[name]
        put(0, 0, 0xB0 | ch, 0, bank)
        put(0, 1, 0xB0 | ch, 32, 0)
        put(0, 2, 0xC0 | ch, program)
        put(0, 3, 0xB0 | ch, 7, 100)          # volume
        put(0, 3, 0xB0 | ch, 10, 64)          # centre
        put(0, 3, 0xB0 | ch, 91, 0)           # no reverb send
        put(0, 3, 0xB0 | ch, 93, 0)           # no chorus send

    accents = []
    for line in stem["line"]:
        for beat, length, keys, marks in read_line(stem["name"], line, cue["beats_per_bar"]):
            patch = line.get("patch")
            if patch is None:
                patch = "short" if "'" in marks and "short" in stem["patches"] else "long"
            ch = channels[patch]
            accent = 12 if ">" in marks else 0
            lift = stem.get("short_lift", 0) if patch == "short" else 0
            share = 0.45 if "'" in marks else 1.01 if "_" in marks else 0.92
            if "'" in marks and length <= 0.25:
                share = stem.get("short_share", share)
            sounding = length * beat_s * share
            if "~" in marks:
                sounding = max(sounding, 2.5 * beat_s)
            lead = 0.0 if patch == "pizz" else stem.get("lead_ms", 0.0) / 1000.0
            for index, key in enumerate(sorted(keys)):
                late = clamp(rng.gauss(0.0, spread), -2.5 * spread, 2.5 * spread)
                on = max(0.0, beat * beat_s - lead + late + index * stem.get("spread_ms", 0.0) / 1000.0)
                off = on + max(0.05, sounding * (1.0 + rng.gauss(0.0, cue["length_spread"])))
                velocity = level(beat) + accent + lift + rng.gauss(0.0, cue["velocity_spread"])
                velocity = int(clamp(round(velocity), 1, 127))
                put(on, 6, 0x90 | ch, key, velocity)
                put(off, 5, 0x80 | ch, key, 0)
                if accent and index == 0:
                    accents.append(on)
    accents.sort()

    # Expression (11) follows the dynamics over a small range; breath (2) drives
    # the patches whose loudness and tone do not follow velocity.
    # "damp" = [[bar, beat, seconds], ...]: the player stops the sound by hand. The
    # expression falls to nothing, then every voice is ended and expression returns.
    damps = []
    for bar, beat, seconds in stem.get("damp", []):
        start = ((bar - 1) * cue["beats_per_bar"] + beat - 1) * beat_s
        damps.append((start, seconds))
        for ch in channels.values():
            put(start + seconds + CONTROL_STEP_S, 4, 0xB0 | ch, 120, 0)
    last = {}
    steps = int(cue["length_s"] / CONTROL_STEP_S)
    for i in range(steps):
        at = i * CONTROL_STEP_S
        now = level(at / beat_s)
        push = 0.0
        for a in accents:
            if a - CONTROL_STEP_S <= at:
                push = 12.0 * math.exp(-max(0.0, at - a) / 0.2)
        expression = 96 + now * 31 / 127
        for start, seconds in damps:
            if start < at < start + seconds + 2.0 * CONTROL_STEP_S:
                expression *= max(0.0, 1.0 - (at - start) / seconds)
        values = {11: expression, 2: now + push}
        for number, value in values.items():
            value = int(clamp(round(value), 0, 127))
            if last.get(number) != value:
                last[number] = value
                for ch in channels.values():
                    put(at, 4, 0xB0 | ch, number, value)

    messages.sort(key=lambda m: (m[0], m[1]))
    tempo = round(60e6 / cue["tempo_bpm"])
    track = b"\x00\xff\x51\x03" + struct.pack(">I", tempo)[1:]
    now = 0
    for tick, _, data in messages:
        track += variable_length(tick - now) + data
        now = tick
    end = max(now, round(cue["length_s"] / beat_s * PPQ))
    track += variable_length(end - now) + b"\xff\x2f\x00"
    return (b"MThd" + struct.pack(">IHHH", 6, 0, 1, PPQ)
            + b"MTrk" + struct.pack(">I", len(track)) + track)


# ------------------------------------------------------------------ rendering


def render(score, stem, sound_font, folder, report):
    cue = score["cue"]
    name = stem["name"]
    frames = round(cue["length_s"] * RATE)
    midi = os.path.join(folder, name + ".mid")
    raw = os.path.join(folder, name + ".raw")
    wav = os.path.join(folder, name + ".wav")
    with open(midi, "wb") as f:
        f.write(stem_midi(score, stem))
    run([
        "fluidsynth", "-n", "-i", "-q", "-R", "0", "-C", "0",
        "-o", "synth.reverb.active=no", "-o", "synth.chorus.active=no",
        "-o", "synth.midi-bank-select=gs", "-o", "synth.cpu-cores=1",
        "-o", "synth.polyphony=256", "-g", "0.5", "-r", str(RATE),
        "-T", "raw", "-O", "float", "-E", "little", "-F", raw, sound_font, midi,
    ])
    data = array.array("f")
    with open(raw, "rb") as f:
        data.frombytes(f.read())
    if sys.byteorder == "big":
        data.byteswap()
    left, right = data[0::2], data[1::2]
    if stem["downmix"] == "left":
        mono = left
    else:
        mono = array.array("f", ((a + b) * 0.5 for a, b in zip(left, right)))
    mono = high_pass(mono)
    tail = max((abs(x) for x in mono[frames:]), default=0.0)
    mono = mono[:frames]
    mono.extend([0.0] * (frames - len(mono)))
    peak = max(abs(x) for x in mono)
    if peak <= 0.0:
        fail(f"{name}: fluidsynth gave silence")
    if tail > peak * 1e-4:
        fail(f"{name}: the cue is longer than length_s")
    if report:
        energy = [sum(x * x for x in c) for c in (left, right, mono)]
        print(f"{name:14s} left {db(energy[0] / frames) / 2:6.1f}  "
              f"right {db(energy[1] / frames) / 2:6.1f}  "
              f"mono {db(energy[2] / frames) / 2:6.1f} dB")
    gain = 32767.0 * 10.0 ** (stem["peak_dbfs"] / 20.0) / peak
    pcm = array.array("h", (round(x * gain) for x in mono))
    if sys.byteorder == "big":
        pcm.byteswap()
    with wave.open(wav, "wb") as w:
        w.setnchannels(1)
        w.setsampwidth(2)
        w.setframerate(RATE)
        w.writeframes(pcm.tobytes())
    os.makedirs(STEMS, exist_ok=True)
    run([
        "flac", "--silent", "--force", "--best", "--no-padding",
        "-T", f"TITLE={cue['title']} - {name}", "-T", f"ARTIST={cue['ensemble']}",
        "-o", os.path.join(STEMS, name + ".flac"), wav,
    ])
    os.remove(raw)
    os.remove(wav)


def high_pass(samples, cutoff=16.0):
    """Second-order high-pass: takes out the constant offset some samples carry."""
    w = 2.0 * math.pi * cutoff / RATE
    alpha = math.sin(w) / math.sqrt(2.0)
    cosine, a0 = math.cos(w), 1.0 + alpha
    b0 = (1.0 + cosine) / (2.0 * a0)
    a1, a2 = -2.0 * cosine / a0, (1.0 - alpha) / a0
    out = array.array("f", bytes(4 * len(samples)))
    z1 = z2 = 0.0
    for i, x in enumerate(samples):
        y = b0 * x + z1
        z1 = -2.0 * b0 * x - a1 * y + z2
        z2 = b0 * x - a2 * y
        out[i] = y
    return out


def run(command):
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    if done.returncode != 0:
        fail(f"{command[0]} stopped with code {done.returncode}:\n{done.stdout}")


# ------------------------------------------------------------------ measuring


def db(power):
    return 20.0 * math.log10(power) if power > 0.0 else -math.inf


def read_flac(path):
    with tempfile.TemporaryDirectory() as folder:
        wav = os.path.join(folder, "stem.wav")
        run(["flac", "--silent", "--decode", "-o", wav, path])
        with wave.open(wav, "rb") as w:
            if (w.getnchannels(), w.getsampwidth(), w.getframerate()) != (1, 2, RATE):
                fail(f"{path}: not mono, 16 bit, {RATE} Hz")
            pcm = array.array("h")
            pcm.frombytes(w.readframes(w.getnframes()))
    if sys.byteorder == "big":
        pcm.byteswap()
    return pcm


def measure_row(name, samples, size):
    peak = max(abs(x) for x in samples)
    rms = math.sqrt(sum(x * x for x in samples) / len(samples))
    limit = 32768 * 10 ** (-60 / 20)
    first = next((i for i, x in enumerate(samples) if abs(x) > limit), 0) / RATE
    last = next((i for i in range(len(samples) - 1, -1, -1) if abs(samples[i]) > limit), 0) / RATE
    print(f"{name:14s} {len(samples) / RATE:8.3f} {db(peak / 32768):8.2f} {db(rms / 32768):8.2f} "
          f"{first:8.3f} {last:8.3f} {sum(samples) / len(samples) / 32768:10.1e} {size:9d}")


def check(score):
    print(f"{'stem':14s} {'length s':>8s} {'peak dB':>8s} {'rms dB':>8s} {'first s':>8s} "
          f"{'last s':>8s} {'mean':>10s} {'bytes':>9s}")
    mix, total = None, 0
    for stem in score["stem"]:
        path = os.path.join(STEMS, stem["name"] + ".flac")
        if not os.path.exists(path):
            fail(f"stem file missing: {stem['name']}.flac (run without --check)")
        size = os.path.getsize(path)
        total += size
        pcm = read_flac(path)
        measure_row(stem["name"], pcm, size)
        if mix is None:
            mix = [0] * len(pcm)
        if len(pcm) != len(mix):
            fail("the stems differ in length")
        mix = [a + b for a, b in zip(mix, pcm)]
    measure_row("sum of all", mix, total)
    print("first s / last s: first and last sample above -60 dBFS")
    if max(abs(x) for x in mix) > 32767:
        fail("the sum of all stems clips")


def main():
    parser = argparse.ArgumentParser(description="Render the dry stems of the demo cue.")
    parser.add_argument("--sound-font", default=SOUND_FONT, help="path of the sound font")
    parser.add_argument("--only", nargs="+", metavar="STEM", help="render only these stems")
    parser.add_argument("--check", action="store_true", help="measure only, render nothing")
    parser.add_argument("--midi", metavar="DIR", help="keep the MIDI files in this folder")
    parser.add_argument("--channels", action="store_true",
                        help="print the level of left, right and mono before the downmix")
    args = parser.parse_args()

    with open(os.path.join(HERE, "cue.toml"), "rb") as f:
        score = tomllib.load(f)
    names = [s["name"] for s in score["stem"]]
    for name in args.only or []:
        if name not in names:
            fail(f"no stem '{name}'; the stems are: {', '.join(names)}")

    need_program("flac", "flac")
    if not args.check:
        need_program("fluidsynth", "fluidsynth")
        if not os.path.exists(args.sound_font):
            fail(f"the sound font {args.sound_font} is missing; on Debian-based systems: "
                 "apt-get install musescore-general-soundfont-lossless")
        with tempfile.TemporaryDirectory() as folder:
            for stem in score["stem"]:
                if args.only and stem["name"] not in args.only:
                    continue
                render(score, stem, args.sound_font, folder, args.channels)
                print("rendered", stem["name"], flush=True)
                if args.midi:
                    os.makedirs(args.midi, exist_ok=True)
                    shutil.copy(os.path.join(folder, stem["name"] + ".mid"), args.midi)
    check(score)


if __name__ == "__main__":
    main()
