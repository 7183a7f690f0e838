#!/usr/bin/env python3
"""Hold the VST3 in a Python host against what the CLAP rendered in a Rust host.

`cargo test -p rostra-tests --test hosts` writes target/host-equality: the
seat's parameters as shares of their ranges (seat.json), the noise that went in,
and what the CLAP made of it. Here the same seat is set in the VST3, parameter
by parameter, the same noise goes through in blocks of every size and at every
rate, and the same samples must come out; then one parameter is changed, and
they must not. Bad audio, a reset in the tail and forty instances on eight
threads follow.

    python3 tests/hosts/equality.py

Needs tests/requirements.txt; `cargo xtask test` sees to all of it.
"""

import concurrent.futures
import sys

import numpy
import pedalboard

from against_clap import BUNDLE, LEAST_DBFS, Checks, bundle, dbfs, difference, read_wav, written

# Both plug-ins of the bundle.
SEAT = "Rostra Seat"
HALL = "Rostra Hall"
RATE_HZ = 48000
# Not the blocks of the other hosts (512 and 480), on purpose.
BLOCK_FRAMES = 1024
# The smallest and largest that hosts offer, powers of two and none.
BLOCKS_FRAMES = (1, 16, 63, 64, 333, 512, 4096, 8192)
# This host offers no layout with unlike channels.
LAYOUTS = ("stereo", "mono")
INSTANCES = 40
THREADS = 8


def by_name(plugin):
    """Return the parameters by the names of the design; this host's keys carry units."""
    return {parameter.name: parameter for parameter in plugin.parameters.values()}


def seated(settings, name=SEAT):
    """Return a fresh instance with these shares set."""
    plugin = pedalboard.load_plugin(bundle(), plugin_name=name)
    parameters = by_name(plugin)
    for setting in settings:
        parameters[setting["name"]].raw_value = setting["share"]
    return plugin


def render(plugin, sound, block_frames=BLOCK_FRAMES, rate_hz=RATE_HZ):
    """Render in blocks, the first from a clean start."""
    # A round of silence first: the host hands parameters on while it processes.
    plugin.process(numpy.zeros((sound.shape[0], rate_hz // 10), dtype=numpy.float32), rate_hz,
                   buffer_size=block_frames)
    return plugin.process(sound, rate_hz, buffer_size=block_frames, reset=True)


def in_layout(checks, seat, layout):
    """Hold one layout to the CLAP: what is shown, the sound, a saved state, a changed parameter."""
    dry, expected = read_wav(f"{layout}.wav", RATE_HZ), read_wav(f"{layout} placed.wav", RATE_HZ)
    plugin = seated(seat["seat"])
    shown = {name: parameter.string_value for name, parameter in by_name(plugin).items()}
    # This host shows numbers without their units.
    wrong = [f"{text['name']}: {shown[text['name']]}, expected {text['text']}" for text in seat["texts"]
             if not text["text"].startswith(shown[text["name"]])]
    checks.hold(not wrong, f"{layout}: every parameter shows what was set {'; '.join(wrong)}")
    placed = render(plugin, dry)
    checks.same(placed, expected, seat["same"], layout)

    # The same instance's state, in a fresh one.
    again = pedalboard.load_plugin(str(BUNDLE), plugin_name=SEAT)
    again.raw_state = plugin.raw_state
    checks.hold(numpy.array_equal(render(again, dry), placed),
                f"{layout}: a saved state gives the same bits in a fresh instance")

    elsewhere = render(seated(seat["seat"] + seat["elsewhere"]), dry)
    change = difference(elsewhere, expected)
    checks.hold(change > seat["changed"],
                f"{layout}: half a metre of depth changes {change:.3f}, more than {seat['changed']:.0e}")
    for block_frames in BLOCKS_FRAMES:
        checks.same(render(plugin, dry, block_frames), expected, seat["same"], f"{layout}, blocks of {block_frames}")


def at_rates(checks, seat):
    """Hold every rate to the CLAP, in one instance that goes from rate to rate."""
    plugin = seated(seat["seat"])
    for rate_hz in written("rates.json")["rates_hz"]:
        dry, expected = read_wav(f"stereo {rate_hz}.wav", rate_hz), read_wav(f"stereo {rate_hz} placed.wav", rate_hz)
        checks.same(render(plugin, dry, rate_hz=rate_hz), expected, seat["same"], f"{rate_hz} Hz")


def bad_audio(checks, seat):
    """Bad samples give finite ones, and after a reset or the tail's length nothing of them is left."""
    dry, expected = read_wav("stereo.wav", RATE_HZ), read_wav("stereo placed.wav", RATE_HZ)
    frames = RATE_HZ // 4
    alternating = numpy.where(numpy.arange(frames) // 48 % 2 == 0, 1.0, -1.0)
    impulse = numpy.zeros(frames)
    impulse[frames // 2] = 1.0
    kinds = {
        "not a number": numpy.full(frames, numpy.nan),
        "infinity": numpy.full(frames, numpy.inf),
        "denormal": numpy.full(frames, 1e-42),
        "full-scale square": alternating,
        "DC": numpy.ones(frames),
        "silence, then an impulse": impulse,
        "1e6": numpy.full(frames, 1e6),
        "the largest number": numpy.full(frames, numpy.finfo(numpy.float32).max),
    }
    # Longer than any platform sounds: at most 2 s of decay, twice in the bass.
    quiet = numpy.zeros((2, 5 * RATE_HZ), dtype=numpy.float32)
    plugin = seated(seat["seat"])
    for name, channel in kinds.items():
        bad = numpy.stack([channel, -channel]).astype(numpy.float32)
        heard = plugin.process(bad, RATE_HZ, buffer_size=BLOCK_FRAMES, reset=False)
        tiny = numpy.finfo(numpy.float32).tiny
        is_sound = numpy.isfinite(heard).all() and not ((heard != 0) & (numpy.abs(heard) < tiny)).any()
        checks.hold(is_sound, f"{name}: the output is finite and not subnormal")
        after = plugin.process(dry, RATE_HZ, buffer_size=BLOCK_FRAMES, reset=True)
        checks.same(after, expected, seat["same"], f"{name}, then a reset")
        plugin.process(bad, RATE_HZ, buffer_size=BLOCK_FRAMES, reset=False)
        plugin.process(quiet, RATE_HZ, buffer_size=BLOCK_FRAMES, reset=False)
        after = plugin.process(dry, RATE_HZ, buffer_size=BLOCK_FRAMES, reset=False)
        checks.same(after, expected, seat["same"], f"{name}, then silence")


def many(checks, seat):
    """Forty instances on eight threads give the bits of one."""
    dry, expected = read_wav("stereo.wav", RATE_HZ), read_wav("stereo placed.wav", RATE_HZ)
    # This host makes instances on one thread, and lets go of the interpreter while they process.
    plugins = [seated(seat["seat"]) for _ in range(INSTANCES)]
    with concurrent.futures.ThreadPoolExecutor(THREADS) as threads:
        heard = list(threads.map(lambda plugin: render(plugin, dry), plugins))
    worst = max(difference(one, expected) for one in heard)
    checks.hold(worst <= seat["same"],
                f"{INSTANCES} instances on {THREADS} threads: differ from the CLAP by {worst:.2e} at most")
    checks.hold(min(map(dbfs, heard)) > LEAST_DBFS, "none of them is silence")


def in_the_hall(checks):
    """Hold the hall to the CLAP's, and a changed one away from it."""
    hall = written("hall.json")
    dry, expected = read_wav("hall.wav", RATE_HZ), read_wav("hall placed.wav", RATE_HZ)
    for block_frames in (BLOCK_FRAMES, *BLOCKS_FRAMES):
        heard = render(seated(hall["settings"], HALL), dry, block_frames)
        checks.same(heard, expected, hall["same"], f"hall, blocks of {block_frames}")
    changed = [{**setting, "share": 1 - setting["share"]} if setting["name"] == "Decay" else setting
               for setting in hall["settings"]]
    change = difference(render(seated(changed, HALL), dry), expected)
    checks.hold(change > hall["changed"], f"hall: another decay changes {change:.3f}")


def main():
    seat = written("seat.json")
    checks = Checks()
    for layout in LAYOUTS:
        in_layout(checks, seat, layout)
    at_rates(checks, seat)
    bad_audio(checks, seat)
    many(checks, seat)
    in_the_hall(checks)
    print(f"{checks.held} checks hold, {checks.failed} fail")
    return checks.failed


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
