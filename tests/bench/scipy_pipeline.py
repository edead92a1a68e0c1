"""The straightforward way with pandas and SciPy: read the log, a short-time transform of every axis,
band averages and rms per rpm band, angular resampling and order amplitudes. It does less than
stillmount: no joint fit, no intervals, no checks, no attribution. scipy_pipeline.py FILE"""
import sys

import numpy as np
import pandas as pd
from scipy import signal

RATE_HZ, N, PER_TURN, TURNS = 3200, 3200, 64, 16
log = pd.read_csv(sys.argv[1])
rpm = log["rpm"].to_numpy()
axes = [c for c in log.columns if c not in ("time_s", "rpm")]
bands = np.arange(1800, 5601, 200)

turns = np.cumsum(rpm) / 60 / RATE_HZ
grid = np.arange(turns[0], turns[-1], 1 / PER_TURN)
rpm_grid = np.interp(grid, turns, rpm)
starts = np.arange(0, len(grid) - PER_TURN * TURNS, PER_TURN * TURNS // 4)
rpm_turns = rpm_grid[starts + PER_TURN * TURNS // 2]
result = {}
for name in axes:
    x = log[name].to_numpy()
    f, t, s = signal.stft(x, RATE_HZ, "hann", N, N // 2, boundary=None, padded=False,
                          detrend="constant")
    psd = np.abs(s) ** 2
    rpm_frames = np.interp(t, np.arange(len(rpm)) / RATE_HZ, rpm)
    use = (f >= 5) & (f <= 200)
    resampled = np.interp(grid, turns, x)
    frames = np.lib.stride_tricks.sliding_window_view(resampled, PER_TURN * TURNS)[starts]
    orders = np.abs(np.fft.rfft(frames * np.hanning(PER_TURN * TURNS), axis=1)) * 4 / (PER_TURN * TURNS)
    for lo, hi in zip(bands[:-1], bands[1:]):
        inside = (rpm_frames >= lo) & (rpm_frames < hi)
        turning = (rpm_turns >= lo) & (rpm_turns < hi)
        mean = psd[:, inside].mean(axis=1)
        result[name, lo] = (np.sqrt(mean[use].sum() * 2 / 1.5),
                            {o: orders[turning, int(o * TURNS)].max() for o in (0.5, 1, 2, 4)})
print(len(result), sum(v[0] for v in result.values()))
