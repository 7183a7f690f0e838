#!/usr/bin/env python3
"""Hold the VST3 in a host that renders graphs offline against what the CLAP rendered in a Rust host.

As equality.py, in another host in Python: layouts, blocks and rates, a state
from a file, a changed parameter, and thirty instances at once.

    python3 tests/hosts/render_engine.py

Needs tests/requirements.txt; `cargo xtask test` sees to all of it.
"""

import pathlib
import sys
import tempfile

import dawdreamer
import numpy

from against_clap import Checks, bundle, difference, read_wav, written

RATE_HZ = 48000
BLOCK_FRAMES = 512
BLOCKS_FRAMES = (1, 16, 63, 64, 333, 1024, 4096, 8192)
# Name of the files, channels in, channels out. Asked for one in and two out, this host takes it for done and never
# tells the plug-in (its calls of setBusArrangements were watched), so that the second input is whatever memory holds.
LAYOUTS = (("stereo", 2, 2), ("mono", 1, 1))
INSTANCES = 30
# Long enough for the host to hand all parameters on, s (our choice).
SETTLES_S = 0.1


class Host:
    """One engine with one instance behind a player of samples."""

    def __init__(self, dry, inputs, outputs, block_frames=BLOCK_FRAMES, rate_hz=RATE_HZ):
        self.engine = dawdreamer.RenderEngine(rate_hz, block_frames)
        self.plugin = self.engine.make_plugin_processor("seat", bundle())
        if not self.plugin.can_set_bus(inputs, outputs):
            sys.exit(f"error: the VST3 refuses {inputs} to {outputs} channels")
        self.plugin.set_bus(inputs, outputs)
        self.names = {parameter["name"]: parameter["index"]
                      for parameter in self.plugin.get_plugin_parameters_description()}
        # A frame longer: the host cuts fractions of a frame off.
        self.seconds = (dry.shape[1] + 1) / rate_hz
        player = self.engine.make_playback_processor("dry", dry)
        self.engine.load_graph([(player, []), (self.plugin, ["dry"])])

    def set(self, settings):
        for setting in settings:
            self.plugin.set_parameter(self.names[setting["name"]], setting["share"])
        return self

    def render(self):
        # The first render hands the parameters on; the second starts with them.
        self.engine.render(SETTLES_S)
        self.engine.render(self.seconds)
        return self.plugin.get_audio()


def main():
    seat, same = written("seat.json"), written("seat.json")["same"]
    checks = Checks()
    for name, inputs, outputs in LAYOUTS:
        dry, expected = read_wav(f"{name}.wav", RATE_HZ), read_wav(f"{name} placed.wav", RATE_HZ)
        for block_frames in (BLOCK_FRAMES, *BLOCKS_FRAMES):
            host = Host(dry, inputs, outputs, block_frames).set(seat["seat"])
            checks.same(host.render()[:, :expected.shape[1]], expected, same, f"{name}, blocks of {block_frames}")
        elsewhere = Host(dry, inputs, outputs).set(seat["seat"] + seat["elsewhere"]).render()
        change = difference(elsewhere[:, :expected.shape[1]], expected)
        checks.hold(change > seat["changed"], f"{name}: half a metre of depth changes {change:.3f}")

    dry, expected = read_wav("stereo.wav", RATE_HZ), read_wav("stereo placed.wav", RATE_HZ)
    with tempfile.TemporaryDirectory() as folder:
        path = str(pathlib.Path(folder) / "seat.state")
        saved = Host(dry, 2, 2).set(seat["seat"])
        # What was set in this host reaches the plug-in, and so its state, with the next block.
        saved.render()
        saved.plugin.save_state(path)
        again = Host(dry, 2, 2)
        again.plugin.load_state(path)
        checks.same(again.render()[:, :expected.shape[1]], expected, same, "a state from a file")

    for rate_hz in written("rates.json")["rates_hz"]:
        dry, expected = read_wav(f"stereo {rate_hz}.wav", rate_hz), read_wav(f"stereo {rate_hz} placed.wav", rate_hz)
        host = Host(dry, 2, 2, rate_hz=rate_hz).set(seat["seat"])
        checks.same(host.render()[:, :expected.shape[1]], expected, same, f"{rate_hz} Hz")

    automated = written("automated.json")
    dry, expected = read_wav("stereo.wav", RATE_HZ), read_wav("automated placed.wav", RATE_HZ)
    host = Host(dry, 2, 2, automated["step_frames"]).set(seat["seat"])
    # At this host's automation a value a sample; it hands over the one at each block's start.
    curve = numpy.repeat(numpy.array(automated["shares"], dtype=numpy.float32), automated["step_frames"])
    host.plugin.set_automation(host.names[automated["name"]], curve)
    checks.same(host.render()[:, :expected.shape[1]], expected, same, "depth automated from block to block")

    dry, expected = read_wav("stereo.wav", RATE_HZ), read_wav("stereo placed.wav", RATE_HZ)
    hosts = [Host(dry, 2, 2).set(seat["seat"]) for _ in range(INSTANCES)]
    worst = max(difference(host.render()[:, :expected.shape[1]], expected) for host in hosts)
    checks.hold(worst <= same, f"{INSTANCES} instances at once: differ from the CLAP by {worst:.2e} at most")
    print(f"{checks.held} checks hold, {checks.failed} fail")
    return checks.failed


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
