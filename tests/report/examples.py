"""Invented result documents for the page tests: one of each kind, with holes, hostile names and every
verdict in them. `python3 examples.py FOLDER` writes them as JSON files to look at."""
import copy
import json
import math
import os
import random
import sys

PROGRAM = {"name": "stillmount", "version": "0.0.0"}
BANDS = [(lo, lo + 200) for lo in range(1800, 5600, 200)]
MISSING = 2600  # this band was not recorded, nor were those from LAST on
LAST = 5000
HOSTILE = "pan<script>alert(1)</script>el `touch pwned` $(touch pwned) \"&' %s {x}_y^z"
# label, cycles per crank revolution, drive
ORDERS = [("crank 0.5", [1, 2], 0.05), ("prop 1", [7, 17], 0.03), ("crank 1", [1, 1], 0.04),
          ("prop 3 (blade pass)", [21, 17], 0.10), ("crank 2 (firing)", [2, 1], 0.03),
          ("crank 4", [4, 1], 0.02)]


def recorded(lo):
    return lo != MISSING and lo < LAST


def hz_of(order, rpm):
    return order[1][0] / order[1][1] * rpm / 60


def amplification(hz, natural_hz=62, damping=0.08):
    r = hz / natural_hz
    return 1 / math.hypot(1 - r * r, 2 * damping * r)


def amplitude(order, rpm, axis="z"):
    return 0.35 * order[2] * amplification(hz_of(order, rpm)) * (1 if axis == "z" else 0.5) + 0.004


def floor_at(hz):
    return 2e-6 * (1 + 0.4 * amplification(max(hz, 1)) ** 2)


def density(hz, rpm, width):
    tones = sum(amplitude(o, rpm) ** 2 * math.exp(-((hz - hz_of(o, rpm)) / width) ** 2) for o in ORDERS)
    return floor_at(hz) + tones


def result(rng, limit, channel, most, unit, lo):
    base = {"limit": limit, "channel": channel, "measure": {"kind": "rms", "hz": [5, 200]}, "max": most,
            "unit": unit, "detector": "rms", "reserve_db": 6, "hz": None, "rpm_at": None}
    if not recorded(lo):
        return {**base, "value": None, "value_mean": None, "interval": [None, None], "ceiling": None,
                "margin_db": None, "spent": None, "verdict": "unassessed", "cause": None,
                "reasons": [{"code": "not-recorded", "text": f"hold {lo + 100} rpm for 8 s"}]}
    rpm = lo + 100
    axis = channel[-1]
    value = math.sqrt(sum(amplitude(o, rpm, axis) ** 2 / 2 for o in ORDERS) + 4e-4)
    value *= 3.6 if unit == "g" else 6
    margin = 20 * math.log10(most / value)
    factor = 10 ** (rng.uniform(0.3, 0.9) / 20)
    verdict = "over" if margin < 0 else "thin" if margin < 6 else "within"
    if lo == 3400 and limit == "twist":
        verdict = "unassessed"
    loud = max(ORDERS, key=lambda o: amplitude(o, rpm, axis))
    reasons = [] if verdict == "within" else [{"code": verdict, "text": f"{verdict}: {HOSTILE}"}]
    return {**base, "value": value, "value_mean": 0.9 * value, "interval": [value / factor, value * factor],
            "ceiling": 1.1 * value * factor, "margin_db": margin, "spent": value / most, "verdict": verdict,
            "reasons": reasons, "cause": {"kind": "order", "label": loud[0], "share": 0.72},
            "hz": hz_of(loud, rpm), "rpm_at": rpm}


def run_of(name):
    return {"name": "Left shelf, first run", "note": HOSTILE, "seconds": 412.5, "rate_hz": 1000,
            "files": [{"name": name, "bytes": 4312345, "sha256": "9f86d081" * 8}],
            "channels": [{"role": f"mount.accel.{a}", "column": f"a{a} {HOSTILE}", "unit": "g", "rms": 0.1}
                         for a in "xyz"]}


def detail(rng):
    cells = [r + 12.5 for r in range(BANDS[0][0], 5200, 25) if not MISSING <= r < MISSING + 200]
    hz = [float(f) for f in range(0, 241, 2)]
    level = [[10 * math.log10(density(f, r, 1.5) * rng.gammavariate(12, 1 / 12)) for f in hz] for r in cells]
    spectra, peaks, orders = [], [], []
    for lo, hi in BANDS:
        if not recorded(lo):
            continue
        bins = [float(f) for f in range(0, 401)]
        spectra.append({"channel": "mount.accel.z", "rpm": [lo, hi], "hz": bins, "unit": "g^2/Hz",
                        "psd": [density(f, lo + 100, 2) * rng.gammavariate(20, 1 / 20) for f in bins],
                        "floor": [floor_at(f) for f in bins]})
        for o in sorted(ORDERS, key=lambda o: -amplitude(o, lo + 100)):
            peaks.append({"channel": "mount.accel.z", "rpm": [lo, hi], "hz": hz_of(o, lo + 100),
                          "amplitude": amplitude(o, lo + 100), "unit": "g", "detector": "peak",
                          "source": {"kind": "order", "label": o[0], "ratio": o[1],
                                     "order": o[1][0] / o[1][1], "also": []}})
    for o in ORDERS:
        for direction, top in (("up", LAST), ("down", 4000)):
            rpm = [r for r in range(BANDS[0][0], top, 20) if not MISSING <= r < MISSING + 200]
            orders.append({"channel": "mount.accel.z", "label": o[0], "ratio": o[1],
                           "order": o[1][0] / o[1][1], "unit": "g", "detector": "peak",
                           "direction": direction, "rpm": rpm, "noise": [0.003] * len(rpm),
                           "amplitude": [2 * amplitude(o, r) * rng.gauss(1, 0.04) for r in rpm],
                           "phase_deg": None, "phase_rel_deg": [0] * len(rpm)})
    return {"map": [{"channel": "mount.accel.z", "rpm": cells, "hz": hz, "db": level,
                     "unit": "dB re 1 g rms in 1 Hz"}],
            "spectra": spectra, "peaks": peaks, "orders": orders}


def assessment():
    rng = random.Random(7)
    bands = []
    for lo, hi in BANDS:
        ok = recorded(lo)
        bands.append({"rpm": [lo, hi], "required": lo < LAST, "seconds": rng.uniform(9, 22) if ok else 0,
                      "frames": 24 if ok else 0, "passes": {"up": int(ok), "down": int(ok and lo < 4000),
                                                            "held": int(ok)},
                      "results": [result(rng, limit, f"mount.{kind}.{a}", most, unit, lo)
                                  for limit, kind, most, unit in (("shake", "accel", 0.5, "g"),
                                                                  ("twist", "gyro", 3, "deg/s"))
                                  for a in "xyz"]})
    return {"schema": "stillmount/assessment/1", "program": PROGRAM,
            "settings": {"coverage": 0.95, "decide": 0.999}, "run": run_of(HOSTILE),
            "findings": [{"code": "gap", "severity": "warning", "channel": HOSTILE, "count": 2,
                          "at": [{"t": [101.2, 101.9], "line": 101200}], "effect": "7 frames are not used",
                          "text": HOSTILE}],
            "speed": {"source": "tach", "rpm_of": "crank", "rpm_min": 1790, "rpm_max": 5210,
                      "check": "confirmed", "confidence": 1, "ambiguous_with": [], "clock_offset_s": None,
                      "trace": {"time_s": [0, 1], "rpm": [1800, 1810]}},
            "bands": bands,
            "resonances": [{"channel": "mount.accel.z", "hz": 62.1, "damping_ratio": 0.08,
                            "amplification": 6.2, "excited_by": ["crank 1", HOSTILE], "rpm_at": [3726],
                            "advice": {"way": "soften", "rpm_in_use": [1800, 5200], "stiffen_to_hz": 243,
                                       "stiffness_times": 15.3, "soften_to_hz": 9.25,
                                       "stiffness_divided_by": 45.1}}],
            "verdict": "over", "reasons": [{"code": "over", "text": "limit shake is exceeded"}],
            "covers": {"rpm": [[1800, 2600], [2800, 5000]], "passes": "up and down", "hz_max": 200,
                       "limits_from": "invented for the demonstration"},
            "not_covered": ["2600 to 2800 rpm (required): not recorded", HOSTILE,
                            "flight loads: turbulence, rough strips"],
            **detail(rng)}


CURVE = [[10, 0.3], [60, 0.3], [200, 0.02]]  # m^2/s^4 per Hz; the spectra are in g^2/Hz


def curved():
    """The same run judged by a curve over frequency alone."""
    doc = assessment()
    for band in doc["bands"]:
        band["results"] = [r for r in band["results"] if r["limit"] == "shake"]
        for r in band["results"]:
            r.update(limit="profile", unit="ratio", max=1,
                     measure={"kind": "psd", "hz": [10, 200], "curve": CURVE, "curve_unit": "(m/s^2)^2/Hz"})
    return doc


def comparison():
    rng = random.Random(3)
    bands = []
    for lo, hi in BANDS:
        changes = []
        for channel, unit in ((HOSTILE, "g"), ("mount.accel.z", "g"), ("mount.gyro.z", "deg/s")):
            ok = recorded(lo)
            before = 0.2 + 0.15 * math.sin(lo / 600)
            db = -3 + 5 * math.sin(lo / 900 + len(channel))
            w = rng.uniform(0.7, 2)
            verdict = "better" if db + w < 0 else "worse" if db - w > 0 else "no clear change"
            changes.append({"channel": channel, "measure": {"kind": "rms", "hz": [5, 200]}, "unit": unit,
                            "detector": "rms", "before": before if ok else None,
                            "after": before * 10 ** (db / 20) if ok else None,
                            "change_db": db if ok else None,
                            "interval_db": [db - w, db + w] if ok else [None, None],
                            "before_interval": [before * 0.9, before * 1.1] if ok else [None, None],
                            "after_interval": [before * 0.9 * 10 ** (db / 20), before * 1.1 * 10 ** (db / 20)]
                            if ok else [None, None], "limit": "shake", "margin_before_db": 3.5 if ok else None,
                            "margin_after_db": 3.5 - db if ok else None,
                            "verdict": verdict if ok else "unassessed", "reasons": []})
        bands.append({"rpm": [lo, hi], "changes": changes})
    return {"schema": "stillmount/comparison/1", "program": PROGRAM, "before": run_of("before.csv"),
            "after": run_of("after.csv"), "bands": bands, "verdict": "mixed",
            "margins": [{"limit": HOSTILE, "channel": "mount.accel.z", "before_db": 3.5, "before_rpm": [1800, 2000],
                         "after_db": 6.5, "after_rpm": [2000, 2200]}],
            "repeatability": {"source": "assumed", "db": 1.5}}


def across():
    hz = [1 + 0.5 * i for i in range(400)]
    pairs, isolators = [], []
    for axis, natural, damping in (("x", 11, 0.12), ("z", 14, 0.1)):
        ratio = [math.hypot(1, 2 * damping * f / natural) * amplification(f, natural, damping) for f in hz]
        pairs.append({"from": "base.accel." + axis, "to": "mount.accel." + axis, "hz": hz, "ratio": ratio,
                      "phase_deg": [0] * len(hz), "coherence": [0.4 if 48 < f < 52 else 0.97 for f in hz],
                      "interval_db": [[20 * math.log10(r) - 1, 20 * math.log10(r) + 1] for r in ratio]})
        isolators.append({"axis": axis, "natural_hz": natural, "damping_ratio": damping,
                          "isolates_above_hz": natural * 2 ** 0.5, "intervals": None})
    return {"schema": "stillmount/transmissibility/1", "program": PROGRAM, "run": run_of("two.csv"),
            "pairs": pairs, "isolator": isolators}


def ranking():
    def place(name, margin, verdict):
        return {"name": name, "worst_margin_db": margin, "channel": "mount.accel.z", "rpm": [2800, 3000],
                "cause": {"kind": "order", "label": "crank 2 (firing)"}, "verdict": verdict}
    return {"schema": "stillmount/ranking/1", "program": PROGRAM, "repeatability": {"source": "runs", "db": 1},
            "places": [place("left shelf", 7.2, "within"), place("tail", 3.1, "thin"),
                       place(HOSTILE, -2.4, "over"), place("wing", None, "unassessed")]}


def isolator():
    doc = copy.deepcopy(assessment())
    for key in ("map", "spectra", "peaks", "orders"):
        del doc[key]
    for band in doc["bands"]:
        for r in band["results"]:
            margin = r["margin_db"]
            r["predicted"] = r["value"] and r["value"] / 2
            r["predicted_margin_db"] = None if margin is None else margin + 6
            r["predicted_verdict"] = r["verdict"]
    return {**doc, "schema": "stillmount/isolator/1",
            "isolator": {"natural_hz": 12, "damping_ratio": 0.12, "static_deflection_mm": 1.7,
                         "on_orders": [{"label": HOSTILE, "rpm": [1200, 1500], "hz": [10.7, 13.1]}]},
            "margins": [{"limit": HOSTILE, "channel": "mount.accel.z", "measured_db": 3.5, "measured_rpm": [1800, 2000],
                         "predicted_db": 9.5, "predicted_rpm": [1800, 2000], "tolerance_db": None, "tolerance_rpm": [None, None]}],
            "search": [{"natural_hz": 10, "damping_ratio": 0.1, "worst_margin_db": 8.2}]}


def balance():
    def vector(label, amplitude_, phase):
        return {"label": label, "amplitude": amplitude_, "phase_deg": phase}
    return {"schema": "stillmount/balance/1", "program": PROGRAM,
            "conventions": {"phase": "lead", "weights_count": "against", "text": HOSTILE, "mark": "tape"},
            "original": {"amplitude": 0.266, "phase_deg": 289, "unit": "in/s", "detector": "peak",
                         "scatter": None},
            "responses": [{"weights": "15 g @ 90", "amplitude": 0.108, "phase_deg": 254.5, "unit": "in/s",
                           "detector": "peak", "scatter": None}],
            "influence": {"amplitude": 0.0125, "phase_deg": 38, "unit": "in/s peak per g"},
            "correction": {"grams": 21.3, "angle_deg": 71, "trial": "removed", "grams_interval": [18, 25],
                           "angle_interval_deg": [62, 80]},
            "split": [{"angle_deg": 60, "grams": 14, "hole": 3}, {"angle_deg": 90, "grams": 8, "hole": 4}],
            "predicted": {"amplitude": 0.01, "phase_deg": 20},
            "advice": [{"code": "x", "text": HOSTILE}],
            "polar": {"unit": "in/s", "detector": "peak",
                      "vectors": [vector("as found", 0.266, 289), vector(HOSTILE, 0.108, 254.5)],
                      "holes": [{"hole": k + 1, "angle_deg": 30 * k} for k in range(12)]}}


def drift():
    rng = random.Random(5)
    bands = []
    for lo, hi in BANDS:
        coning = [rng.gauss(0, 1) * (1 + 4 * (lo == 3000)) for _ in range(3)]
        bands.append({"rpm": [lo, hi], "seconds": 6, "coning_deg_per_h": coning,
                      "coning_interval_deg_per_h": [[c - 1.5, c + 1.5] for c in coning],
                      "sculling_m_s2": [1e-5, 2e-5, -1e-5], "level_error_deg": 0.001,
                      "coning_ceiling_deg_per_h": [abs(c) + 2 for c in coning], "assessed": True,
                      "resolved_axes": ["yes" if lo == 3000 else "no"] * 3, "level_error_resolved": True,
                      "level_error_ceiling_deg": 0.003, "resolved": lo == 3000, "reasons": []})
    worst = [{"axis": "x", "angle": "bank", "rpm": [3000, 3200], "resolved": True, "deg_per_h": 4,
              "interval_deg_per_h": [2.5, 5.5], "ceiling_deg_per_h": 6, "levelling_error_deg": 0.02,
              "line": {"label": HOSTILE, "hz": 62, "deg_per_h": 3}, "elsewhere_deg_per_h": 7,
              "elsewhere_rpm": [2000, 2200]},
             {"axis": "y", "angle": "pitch", "rpm": [3000, 3200], "resolved": False, "deg_per_h": 0.1,
              "interval_deg_per_h": [-1, 1], "ceiling_deg_per_h": 2, "levelling_error_deg": None,
              "line": None, "elsewhere_deg_per_h": None, "elsewhere_rpm": None}]
    return {"schema": "stillmount/drift/1", "program": PROGRAM, "run": run_of("d.csv"), "findings": [],
            "bands": bands, "worst": worst, "lines": [{"hz": 62, "axis": "z", "deg_per_h": 3, "label": HOSTILE}]}


def hold():
    tau = [0.01 * 2 ** i for i in range(11)]
    def segment(kind, start, scale, still):
        return {"kind": kind, "from_s": start, "to_s": start + 60, "rpm": None,
                "gyro_rms_deg_s": [3 * scale] * 3, "bias_deg_s": [0.1, -0.2, 0.05],
                "bias_interval_deg_s": [[0, 1]] * 3, "still": still, "reasons": [],
                "adev": {"tau_s": tau, "deg_s": [[q * scale / math.sqrt(t) for t in tau] for q in (1, 2, 3)]}}
    return {"schema": "stillmount/hold/1", "program": PROGRAM, "run": run_of("h.csv"), "findings": [],
            "segments": [segment("off", 0, 0.01, True), segment("idle", 70, 0.05, False)],
            "verdict": "restless"}


def all_of_them():
    return {f.__name__: f() for f in (assessment, curved, comparison, across, ranking, isolator, balance, drift, hold)}


if __name__ == "__main__":
    os.makedirs(sys.argv[1], exist_ok=True)
    for name, document in all_of_them().items():
        with open(os.path.join(sys.argv[1], name + ".json"), "w") as f:
            json.dump(document, f)
