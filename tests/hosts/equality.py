"""The same settings and the same sound through two hosts: the same samples.

pedalboard (a widely used C++ framework's VST3 host, with a Python face) plays
the VST3; the offline host of this workspace (clack-host) has played the CLAP.
Both get the same settings and the same seeded noise in other block sizes. The
samples must agree within 1e-6, one changed parameter must break that, and a
state that is saved and loaded into a fresh instance must give the same samples
to the bit.

Run by `cargo xtask test`, from the root of the checkout, after the bundle.
"""

import pathlib
import subprocess
import sys

import numpy as np
from pedalboard import load_plugin
from pedalboard.io import AudioFile

ROOT = pathlib.Path(__file__).resolve().parents[2]
BUNDLES = ROOT / "target" / "bundled"
WORK = ROOT / "target" / "host-equality"
RATE_HZ = 48_000
# On the grid that plans snap to, so that no host's rounding is heard.
SETTINGS = {
    "depth": "8.5",
    "bearing": "20",
    "riser": "0.4",
    "family": "rear bell",
    "rear": "brick",
    "pickup": "spaced omnis",
    "decay": "0.6",
    "balance": "60",
}
# What a host calls them: pedalboard appends the unit to a name that shows one.
ATTRIBUTES = {
    "depth": "depth",
    "bearing": "bearing",
    "riser": "riser",
    "family": "radiation",
    "rear": "rear_wall",
    "pickup": "pickup",
    "decay": "decay",
    "balance": "platform_balance",
}
BOUND = 1e-6
# Unlike both sides, a second of noise and a second for the tail.
SIDES = {"stereo": 2, "mono": 1}


def fail(message):
    print(f"error: {message}", file=sys.stderr)
    sys.exit(1)


def burst(channels):
    """Returns seeded noise with silence after it, by channel."""
    noise = np.random.default_rng(20).standard_normal((channels, RATE_HZ)) * 0.1
    return np.concatenate([noise, np.zeros((channels, RATE_HZ))], axis=1).astype(np.float32)


def through_clap(name, sound):
    """Renders through the CLAP with `cargo xtask place`."""
    source = WORK / f"{name}.wav"
    with AudioFile(str(source), "w", RATE_HZ, sound.shape[0], bit_depth=32) as file:
        file.write(sound)
    with AudioFile(str(source)) as file:
        sound = file.read(file.frames)
    wishes = [word for key, value in SETTINGS.items() for word in ("--set", f"{key}={value}")]
    layout = ["--mono"] if sound.shape[0] == 1 else []
    command = ["cargo", "xtask", "place", str(source), *wishes, *layout, "--out", str(WORK)]
    subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    with AudioFile(str(WORK / f"{name} placed.wav")) as file:
        return sound, file.read(file.frames)


def parameter(plugin, key):
    """Returns the host's name of a parameter, with the unit that it may have appended."""
    wanted = ATTRIBUTES[key]
    for name in plugin.parameters:
        if name == wanted or name.startswith(f"{wanted}_") and name.count("_") <= wanted.count("_") + 1:
            return name
    fail(f"pedalboard lists no parameter {wanted}; it lists {sorted(plugin.parameters)}")


def set_by_text(plugin, key, value):
    """Sets a parameter to the value that the plug-in itself shows as this text or number."""
    found = plugin.parameters[parameter(plugin, key)]
    number = lambda text: float(text.split()[0])
    if not value.replace(".", "").replace("-", "").isdigit():
        raw = next((raw for raw in np.linspace(0, 1, 1009) if found.get_text_for_raw_value(raw) == value), None)
        if raw is None:
            fail(f"pedalboard shows no value {value} of {key}")
        found.raw_value = raw
        return
    # The map is monotone: halve until the raw value is found, then let the plug-in snap.
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if number(found.get_text_for_raw_value(middle)) < float(value):
            low = middle
        else:
            high = middle
    edge_low = high
    low, high = edge_low, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if number(found.get_text_for_raw_value(middle)) <= float(value):
            low = middle
        else:
            high = middle
    found.raw_value = (edge_low + low) / 2


def fresh(settings):
    plugin = load_plugin(str(BUNDLES / "rostra.vst3"))
    for key, value in settings.items():
        set_by_text(plugin, key, value)
    return plugin


def render(plugin, sound, block):
    plugin.reset()
    return plugin.process(sound, RATE_HZ, buffer_size=block, reset=True)


def largest_difference(a, b):
    frames = min(a.shape[1], b.shape[1])
    return float(np.abs(a[:, :frames] - b[:, :frames]).max())


def main():
    for bundle in ("rostra.clap", "rostra.vst3"):
        if not (BUNDLES / bundle).exists():
            fail(f"{BUNDLES / bundle} is missing; run `cargo xtask bundle`")
    WORK.mkdir(parents=True, exist_ok=True)
    checks = 0
    for name, channels in SIDES.items():
        sound, clap = through_clap(name, burst(channels))
        vst3 = render(fresh(SETTINGS), sound, 480)
        if vst3.shape[0] != clap.shape[0]:
            fail(f"{name}: {vst3.shape[0]} channels through the VST3, {clap.shape[0]} through the CLAP")
        level_db = 20 * np.log10(np.sqrt(np.mean(clap**2)) + 1e-12)
        difference = largest_difference(vst3, clap)
        changed = largest_difference(render(fresh({**SETTINGS, "depth": "8"}), sound, 480), clap)
        print(f"{name}: level {level_db:.1f} dBFS, VST3 against CLAP {difference:.1e}, depth changed {changed:.1e}")
        if level_db < -40:
            fail(f"{name}: the output is close to silence ({level_db:.1f} dBFS)")
        if not difference <= BOUND:
            fail(f"{name}: VST3 and CLAP differ by {difference:.1e}, more than {BOUND:.0e}")
        if not changed > 1e-3:
            fail(f"{name}: another depth changes the sound by {changed:.1e} only")
        checks += 3
        saved = fresh(SETTINGS)
        first = render(saved, sound, 512)
        reopened = load_plugin(str(BUNDLES / "rostra.vst3"))
        reopened.raw_state = saved.raw_state
        again = render(reopened, sound, 512)
        same = bool(np.array_equal(first, again))
        print(f"{name}: saved, reopened, rendered: {'identical samples' if same else 'DIFFERENT'}")
        if not same:
            fail(f"{name}: a reopened state differs by {largest_difference(first, again):.1e}")
        checks += 1
    print(f"{checks} passed, 0 failed")


if __name__ == "__main__":
    main()
