#!/usr/bin/env python3
"""Hold the VST3 in a Python host against what the CLAP rendered in a Rust host.

`cargo test -p rostra-tests --test hosts` writes target/host-equality: the
seat's parameters as shares of their ranges (seat.json), the noise that went in,
and what the CLAP made of it. Here the same seat is set in the VST3, parameter
by parameter, the same noise goes through in blocks of another size, and the
same samples must come out; then one parameter is changed, and they must not.

    python3 tests/hosts/equality.py

Needs tests/requirements.txt; `cargo xtask test` sees to all of it.
"""

import json
import pathlib
import struct
import sys

import numpy
import pedalboard

ROOT = pathlib.Path(__file__).resolve().parents[2]
SHARED = ROOT / "target" / "host-equality"
BUNDLE = ROOT / "target" / "bundled" / "rostra.vst3"
# The bundle holds the hall, too.
NAME = "Rostra Seat"
RATE_HZ = 48000
# Not the blocks of the other hosts (512 and 480), on purpose.
BLOCK_FRAMES = 1024
# This host offers no layout with unlike channels.
LAYOUTS = ("stereo", "mono")
# An output above this, rms, is sound and no silence.
LEAST_DBFS = -40.0


def need(path, command):
    if not path.exists():
        sys.exit(f"error: {path} is missing: run `{command}` first")
    return path


def read_wav(path):
    """Return the channels of a 32-bit float WAV, which the standard library does not read."""
    data = need(path, "cargo test -p rostra-tests --test hosts").read_bytes()
    at, found = 12, {}
    while at + 8 <= len(data):
        name, size = data[at:at + 4], struct.unpack_from("<I", data, at + 4)[0]
        found[name] = data[at + 8:at + 8 + size]
        at += 8 + size + size % 2
    channels, rate = struct.unpack_from("<HI", found[b"fmt "], 2)
    bits = struct.unpack_from("<H", found[b"fmt "], 14)[0]
    if (rate, bits) != (RATE_HZ, 32):
        sys.exit(f"error: {path}: {rate} Hz and {bits} bits, expected {RATE_HZ} and 32")
    return numpy.frombuffer(found[b"data"], dtype="<f4").reshape(-1, channels).T.copy()


def by_name(plugin):
    """Return the parameters by the names of the design; this host's keys carry units."""
    return {parameter.name: parameter for parameter in plugin.parameters.values()}


def seated(settings):
    """Return a fresh instance with these shares set."""
    plugin = pedalboard.load_plugin(str(need(BUNDLE, "cargo xtask bundle")), plugin_name=NAME)
    parameters = by_name(plugin)
    for setting in settings:
        parameters[setting["name"]].raw_value = setting["share"]
    return plugin


def render(plugin, sound):
    """Render in blocks, the first from a clean start."""
    # A round of silence first: the host hands parameters on while it processes.
    plugin.process(numpy.zeros((sound.shape[0], RATE_HZ // 10), dtype=numpy.float32), RATE_HZ,
                   buffer_size=BLOCK_FRAMES)
    return plugin.process(sound, RATE_HZ, buffer_size=BLOCK_FRAMES, reset=True)


def dbfs(sound):
    """Return the level of the quietest channel, rms."""
    return float(10 * numpy.log10(numpy.min(numpy.mean(sound.astype(float) ** 2, axis=1)) + 1e-30))


class Checks:
    """Counts what fails, and says so at once."""

    def __init__(self):
        self.failed = 0

    def hold(self, is_held, what):
        print(("ok     " if is_held else "FAILS  ") + what)
        self.failed += not is_held


def main():
    seat = json.loads(need(SHARED / "seat.json", "cargo test -p rostra-tests --test hosts").read_text())
    checks = Checks()
    for layout in LAYOUTS:
        dry, expected = read_wav(SHARED / f"{layout}.wav"), read_wav(SHARED / f"{layout} placed.wav")
        plugin = seated(seat["seat"])
        shown = {name: parameter.string_value for name, parameter in by_name(plugin).items()}
        # This host shows numbers without their units.
        wrong = [f"{text['name']}: {shown[text['name']]}, expected {text['text']}" for text in seat["texts"]
                 if not text["text"].startswith(shown[text["name"]])]
        checks.hold(not wrong, f"{layout}: every parameter shows what was set {'; '.join(wrong)}")
        placed = render(plugin, dry)
        level = dbfs(placed)
        checks.hold(level > LEAST_DBFS, f"{layout}: {level:.1f} dBFS, no silence")
        same = placed.shape == expected.shape
        difference = float(numpy.max(numpy.abs(placed - expected))) if same else float("inf")
        checks.hold(difference <= seat["same"],
                    f"{layout}: differs from the CLAP by {difference:.2e}, at most {seat['same']:.0e}")

        # The same instance's state, in a fresh one.
        again = pedalboard.load_plugin(str(BUNDLE), plugin_name=NAME)
        again.raw_state = plugin.raw_state
        checks.hold(numpy.array_equal(render(again, dry), placed),
                    f"{layout}: a saved state gives the same bits in a fresh instance")

        elsewhere = render(seated(seat["seat"] + seat["elsewhere"]), dry)
        change = float(numpy.max(numpy.abs(elsewhere - expected)))
        checks.hold(change > seat["changed"],
                    f"{layout}: half a metre of depth changes {change:.3f}, more than {seat['changed']:.0e}")
    return checks.failed


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
