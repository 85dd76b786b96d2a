"""What the scripts have in common: the job in NumPy and SciPy, from one log's columns to the season's fit.

The same job as the pipeline, in the way an engineer would script it: units to SI, axle loads from the dampers,
resistance from the wheel torques, straight and steady stretches, means with a standard error that counts the
autocorrelation, then front, rear and drag against v² per configuration with an intercept per outing.
"""

import json
import sys
from pathlib import Path

import numpy as np
from scipy import optimize, stats

G, REFERENCE, H, L, MASS = 9.80665, 1.225, 0.46, 2.45, 985.0
SPRING = {"FL": 120e3 * 0.72, "FR": 120e3 * 0.72, "RL": 105e3 * 0.78, "RR": 105e3 * 0.78}


def job():
    """The job that the bench wrote down: columns, logs, the configuration of each."""
    return json.loads(Path(sys.argv[1]).read_text())


def windows(c, period):
    """Windows of one log: a list of (v², front, rear, drag) with a standard error each."""
    v = c["Speed"] / 3.6
    along, lateral = c["Accel Long"] * G, np.abs(c["Accel Lat"])
    rho = c["Air Pressure"] * 100 / (287.05 * (c["Air Temperature"] + 273.15))
    half = max(1, round(0.2 / period))
    dv = np.gradient(np.convolve(v, np.ones(2 * half + 1) / (2 * half + 1), "same"), period)
    transfer = MASS * along * H / L
    front = sum(SPRING[k] * c["Damper " + k] * 1e-3 for k in ("FL", "FR")) + transfer
    rear = sum(SPRING[k] * c["Damper " + k] * 1e-3 for k in ("RL", "RR")) - transfer
    drag = (c["Wheel Torque RL"] + c["Wheel Torque RR"]) / 0.31 - 1.04 * MASS * dv
    good = (v > 80 / 3.6) & (v < 260 / 3.6) & (lateral < 0.08) & (np.abs(c["Steering Angle"]) < 4)
    good &= np.abs(dv) < 0.03 * G
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    settle, shortest, longest = round(0.3 / period), round(1.5 / period), round(5 / period)
    out = []
    for start, end in zip(edges[::2], edges[1::2]):
        start += settle
        if end - start < shortest:
            continue
        pieces = -(-(end - start) // longest)
        for k in range(pieces):
            part = slice(start + (end - start) * k // pieces, start + (end - start) * (k + 1) // pieces)
            row = [np.nanmean(rho[part] / REFERENCE * v[part] ** 2)]
            for series in (front[part], rear[part], drag[part], c["Radiator Drop"][part]):
                row += mean_and_error(series)
            out.append(row)
    return out


def mean_and_error(x):
    """Mean, and its standard error with the effective sample size of a first-order series; blanks are left out."""
    x = x[np.isfinite(x)]
    if len(x) < 8:
        return [np.nan, np.nan]
    r = x - x.mean()
    spread = r @ r
    rho = (r[1:] @ r[:-1]) / spread if spread > 0 else 0.0
    effective = len(x) * (1 - rho) / (1 + rho) if rho > 0 else len(x)
    return [x.mean(), np.sqrt(spread / (len(x) - 1) / max(effective, 1.0))]


def fit(season):
    """Huber regression of each quantity on v² per configuration, an intercept per log."""
    names = sorted({configuration for _, configuration, _ in season})
    rows = [(i, names.index(k), *w) for i, (_, k, ws) in enumerate(season) for w in ws]
    a = np.array(rows)
    a = a[np.isfinite(a).all(axis=1)]
    out = {}
    for q, name in enumerate(("front", "rear", "drag", "radiator")):
        y, se = a[:, 3 + 2 * q], a[:, 4 + 2 * q]
        x = np.zeros((len(a), len(names)))
        x[np.arange(len(a)), a[:, 1].astype(int)] = a[:, 2]
        w = 1 / np.maximum(se, 0.1 * np.median(se))
        for log in np.unique(a[:, 0]):
            own = a[:, 0] == log
            x[own] -= np.average(x[own], axis=0, weights=w[own] ** 2)
            y[own] -= np.average(y[own], weights=w[own] ** 2)
        scale = max(stats.median_abs_deviation(y * w), 1e-9)
        found = optimize.least_squares(lambda b: (y - x @ b) * w / scale, np.zeros(len(names)), loss="huber", f_scale=1.345)
        out[name] = dict(zip(names, found.x))
    return out


def run(read):
    """Reads every log with `read(path, columns)` and fits the season."""
    todo = job()
    season = []
    for log in todo["logs"]:
        columns = read(log["path"], todo["columns"])
        period = float(np.median(np.diff(columns["Time"])))
        season.append((log["path"], log["configuration"], windows(columns, period)))
    result = fit(season)
    print(sum(len(s[2]) for s in season), "windows;", {k: round(v, 3) for k, v in result["front"].items()})
