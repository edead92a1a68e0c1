"""Scenes for the end-to-end tests: scenario, powertrain and budget as text, runs of the program, truth."""
import json
import math
import os
import subprocess

SLOWDOWN = float(os.environ.get("SM_TEST_SLOWDOWN", "1"))  # under an emulator


def section(name, /, **keys):
    return f"[{name}]\n" + "".join(f"{k} = {v}\n" for k, v in keys.items())


def powertrain(cylinders=4, ratio=None, blades=3, rpm_of="crank", strokes=4):
    text = section("powertrain", name="Test", rpm_of=rpm_of)
    text += section("engine", cycle="four-stroke" if strokes == 4 else "two-stroke", cylinders=cylinders)
    if ratio:
        text += section("gearbox", ratio=ratio)
    return text + section("propeller", blades=blades)


def budget(limits, lo, hi, step=200, **keys):
    """limits: {name: {key: value}}"""
    head = {"name": "Test", "source": "invented for a test", "rpm": f"{lo}-{hi} step {step}"}
    head.update(keys)
    return section("budget", **head) + "".join(section(f"limit {n}", **k) for n, k in limits.items())


def db(ratio):
    return 20 * math.log10(ratio)


class Scene:
    """One simulated run in a folder of its own."""

    def __init__(self, program, folder, scenario, powertrain_text):
        self.program, self.folder = program, folder
        os.makedirs(folder, exist_ok=True)
        self.write("scenario.ini", scenario)
        self.write("powertrain.ini", powertrain_text)

    def path(self, name):
        return os.path.join(self.folder, name)

    def write(self, name, text):
        with open(self.path(name), "w") as f:
            f.write(text)

    def simulate(self, seed=1, bands=None, hz=None, brief=False, log="run.csv", extra=()):
        """Writes the log; returns the truth."""
        command = [self.program, "simulate", self.path("scenario.ini"), "-o", self.path(log), "-q",
                   "--seed", str(seed), "--truth", self.path("truth.json"),
                   "--write-channels", self.path("channels.ini")]
        command += (["--brief"] if brief else []) + list(extra)
        if bands:
            command += ["--bands", "{}-{}:{}".format(*bands), "--hz", "{}-{}".format(*hz)]
        subprocess.run(command, check=True)
        with open(self.path("truth.json")) as f:
            return json.load(f)

    def assess(self, budget_text=None, detail=False, log="run.csv", channels=True, extra=()):
        """Exit status and document of assess."""
        command = [self.program, "assess", self.path(log), "--powertrain", self.path("powertrain.ini"),
                   "--json", self.path("result.json"), "-q"] + list(extra)
        if budget_text is not None:
            self.write("budget.ini", budget_text)
            command += ["--budget", self.path("budget.ini")]
        command += ["--channels", self.path("channels.ini")] if channels else []
        command += ["--detail"] if detail else []
        done = subprocess.run(command, capture_output=True, text=True, timeout=300 * SLOWDOWN)
        if done.returncode not in (0, 1, 3):
            return done.returncode, {"stderr": done.stderr}
        with open(self.path("result.json")) as f:
            return done.returncode, json.load(f)


def results(document):
    for band in document["bands"]:
        for r in band["results"]:
            yield band, r


def true_rms(truth):
    """{(rpm low, channel): result of the truth's band table}"""
    return {(b["rpm"][0], r["channel"]): r for b in truth["bands"] for r in b["results"]}


def truth_at_rpm(truth, line, direction, rpm):
    """Amplitude where the true rpm passes rpm in that direction; None when it does not."""
    track = truth["speed"]["rpm"]
    top = track.index(max(track))
    span = range(20, top) if direction == "up" else range(top, len(track) - 1)
    for i in span:
        a, b = track[i], track[i + 1]
        if (a <= rpm < b) if direction == "up" else (b <= rpm < a):
            u = (rpm - a) / (b - a)
            return line["amplitude"][i] * (1 - u) + line["amplitude"][i + 1] * u
    return None


MODES = section("mode rock", hz=31, damping=0.06) + section("mode shelf", hz=118, damping=0.03, kind="force")
ORDERS = "".join(section(f"order {n}", force=f"{f} g", phase_deg=p) for n, f, p in (
    ("crank 0.5", 0.1, 0), ("crank 1", 0.2, 30), ("crank 2", 0.5, 200), ("crank 4", 0.2, 80),
    ("prop 1", 0.2, 100), ("prop 3", 0.4, 20), ("prop 6", 0.2, 300)))
# x y z of both sensors at one place, so that no axis is missing
CHANNELS = "".join(
    section(f"channel mount.{kind}.{axis}", direct=d, modes=f"rock:{r} shelf:{s}",
            force_noise="0.00002 g^2/Hz", mean=m)
    for kind, axis, d, r, s, m in (
        ("accel", "x", 0.3, 0.3, 0.2, "0.02 g"), ("accel", "y", 0.2, 0.2, 0.1, "0 g"),
        ("accel", "z", 0.3, 0.1, 0.3, "-1 g"), ("gyro", "x", 1, 3, 1, "0.1 deg/s"),
        ("gyro", "y", 0.5, 5, 2, "0 deg/s"), ("gyro", "z", 0.5, 1, 0.5, "0 deg/s")))
# 79.5 rpm per second; no frame's mean lies on the border of a band
SWEEP = "0:1815 3.13:1815 50.5:5585 53.1:5585 100.5:1815 103:1815"


def scenario(points=SWEEP, nuisances="off", rate=1000, modes=MODES, orders=ORDERS, channels=CHANNELS,
             ratio="51/21", rpm="", tail="", cylinders=4, place="", log="", rpm_of="crank"):
    return (section("scenario", name="Test", nuisances=nuisances)
            + section("engine", ratio=ratio, cylinders=cylinders, rpm_of=rpm_of)
            + section("profile", points=points) + f"[log]\nrate_hz = {rate}\n{log}" + rpm
            + f"[place mount]\nfilter_hz = {0.4 * rate:g}\naccel_step = 0.5 mg\ngyro_step = 0.01 deg/s\n{place}"
            + modes + orders + channels + tail)
