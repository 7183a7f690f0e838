"""What the CLAP rendered in a Rust host, for the hosts in Python to be held against.

`cargo test -p rostra-tests --test hosts` writes it to target/host-equality.
"""

import json
import pathlib
import struct
import sys

import numpy

ROOT = pathlib.Path(__file__).resolve().parents[3]
SHARED = ROOT / "target" / "host-equality"
BUNDLE = ROOT / "target" / "bundled" / "rostra.vst3"
# What makes the files.
COMMAND = "cargo test -p rostra-tests --test hosts"
# An output above this, rms, is sound and no silence.
LEAST_DBFS = -40.0


def need(path, command):
    """Return a path that must be there; say what makes it where it is not."""
    if not path.exists():
        sys.exit(f"error: {path} is missing: run `{command}` first")
    return path


def bundle():
    """Return the path of the bundle."""
    return str(need(BUNDLE, "cargo xtask bundle"))


def written(name):
    """Return what a JSON file of the Rust host says."""
    return json.loads(need(SHARED / name, COMMAND).read_text())


def read_wav(name, rate_hz):
    """Return the channels of a 32-bit float WAV, which the standard library does not read."""
    path = need(SHARED / name, COMMAND)
    data = path.read_bytes()
    at, found = 12, {}
    while at + 8 <= len(data):
        chunk, size = data[at:at + 4], struct.unpack_from("<I", data, at + 4)[0]
        found[chunk] = data[at + 8:at + 8 + size]
        at += 8 + size + size % 2
    channels, rate = struct.unpack_from("<HI", found[b"fmt "], 2)
    bits = struct.unpack_from("<H", found[b"fmt "], 14)[0]
    if (rate, bits) != (rate_hz, 32):
        sys.exit(f"error: {path}: {rate} Hz and {bits} bits, expected {rate_hz} and 32")
    return numpy.frombuffer(found[b"data"], dtype="<f4").reshape(-1, channels).T.copy()


def dbfs(sound):
    """Return the level of the quietest channel, rms."""
    return float(10 * numpy.log10(numpy.min(numpy.mean(sound.astype(float) ** 2, axis=1)) + 1e-30))


def difference(a, b):
    """Return the largest difference of two sounds; without end where their shapes differ or one is no number."""
    if a.shape != b.shape or not (numpy.isfinite(a).all() and numpy.isfinite(b).all()):
        return float("inf")
    return float(numpy.max(numpy.abs(a - b)))


class Checks:
    """Counts what holds and what fails, and says what fails at once."""

    def __init__(self):
        self.held = 0
        self.failed = 0

    def hold(self, is_held, what):
        print(("ok     " if is_held else "FAILS  ") + what, flush=True)
        self.held += bool(is_held)
        self.failed += not is_held

    def same(self, got, expected, bound, what):
        """Hold two sounds to each other, neither of them silence."""
        level = dbfs(got)
        self.hold(level > LEAST_DBFS, f"{what}: {level:.1f} dBFS, no silence")
        apart = difference(got, expected)
        self.hold(apart <= bound, f"{what}: differs from the CLAP by {apart:.2e}, at most {bound:.0e}")
