"""Repeats the parts regression on the tool's own windows table with other packages.

The season of sample-logs/ is run with ordinary least squares and the wind of the run sheet. Then, for every quantity,
statsmodels fits  mean = zero of the outing + offset of coasting + effective_v2 * (base + parts + slope * wing)  with the
written weights,
and a naive CR2 with full matrices (numpy, scipy) gives standard errors and degrees of freedom. All must agree with the
tables `parts` and `predictions`.

usage: python check_parts.py BINARY        packages: requirements.txt beside this file
"""

import csv
import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import scipy.linalg
import scipy.stats
import statsmodels.api as sm

ROOT = pathlib.Path(__file__).resolve().parents[2]
SPEED = 160 / 3.6
QUANTITIES = ("front_downforce", "rear_downforce", "resistance")
WING = 3.0
PIPELINE = """
season: "check"
car: {root}/sample-logs/car.yaml
run_sheet: {root}/sample-logs/runs.csv
tables: {out}
per_log:
  - load:
      logs: ["{root}/sample-logs/logs/*.csv", "{root}/sample-logs/logs/*.parquet"]
      layout: {root}/schemas/plain-csv.layout.yaml
      layouts:
        - {{ logs: "*.parquet", layout: {root}/schemas/plain-parquet.layout.yaml }}
        - {{ logs: "e01-s2-o2.csv", layout: {root}/schemas/decimal-comma.layout.yaml }}
  - align: {{ rate: 25 Hz }}
  - air: {{ reference_density: 1.225 kg/m3 }}
  - resistance: {{ from: wheel_torque }}
  - loads: {{ from: dampers }}
windows:
  - steady: {{ speed: 80..260 km/h, lateral: 0.08 g, steering: 4 deg, longitudinal: 0.03 g, lasting: 1.5..5 s, settle: 0.3 s }}
  - coastdown: {{ speed: 60..260 km/h, lateral: 0.08 g, steering: 4 deg, lasting: 2..20 s }}
season_wide:
  - fit: {{ quantities: [front_downforce, rear_downforce, drag], at: 160 km/h, wind: run_sheet, method: ordinary }}
  - parts: {{}}
  - predict: {{ list: [{{ name: x, parts: [splitter_extension, gurney_strip], wing_position: 4 }}] }}
"""


def table(out, name):
    files = sorted((out / name).rglob("*.parquet"))
    return pd.concat([pq.ParquetFile(f).read().to_pandas() for f in files], ignore_index=True)


def designs():
    """Parts and wing position of every configuration of the run sheet."""
    found = {}
    with open(ROOT / "sample-logs/runs.csv", newline="") as f:
        for row in csv.DictReader(f):
            parts = [p for p in row["parts"].split("+") if p]
            found[row["configuration"]] = (parts, float(row["wing_position"]))
    return found


def regression(windows, names, design):
    """y, whitened design (terms first), whitened y, sessions."""
    w = windows["weight"].to_numpy()
    x = windows["effective_v2"].to_numpy()
    terms = np.array([design[c] for c in windows["configuration"]])
    outings = pd.get_dummies(windows["outing"]).to_numpy(dtype=float)
    coasting = (windows["kind"] == "coastdown").to_numpy(dtype=float)
    full = np.hstack([terms * x[:, None], coasting[:, None], outings])
    return full, windows["mean"].to_numpy(), w, (windows["event"] + "/" + windows["session"]).to_numpy()


def cr2(full, y, w, session, contrast):
    """Bell and McCaffrey's CR2 standard error and Satterthwaite degrees of freedom with full matrices."""
    root = np.sqrt(w)
    z, v = full * root[:, None], y * root
    q, r = np.linalg.qr(z)
    beta = scipy.linalg.solve_triangular(r, q.T @ v)
    e = v - z @ beta
    hat = q @ q.T
    # row vector that turns y into the contrast of the coefficients
    a = q @ scipy.linalg.solve_triangular(r, contrast, trans="T")
    total, vectors = 0.0, []
    for g in np.unique(session):
        i = np.flatnonzero(session == g)
        values, u = np.linalg.eigh(np.eye(len(i)) - hat[np.ix_(i, i)])
        inverse_root = np.where(values > 1e-8, 1 / np.sqrt(np.maximum(values, 1e-12)), 0.0)
        b = u @ (inverse_root * (u.T @ a[i]))
        total += (b @ e[i]) ** 2
        wide = np.zeros(len(y))
        wide[i] = b
        vectors.append(wide - hat @ wide)
    p = np.array(vectors) @ np.array(vectors).T
    return np.sqrt(total), np.trace(p) ** 2 / np.sum(p * p)


HANDFUL = 6  # degrees of freedom from which on the blocks show their scatter themselves
AT_MOST = 3  # that the scatter of the others counts for


def within(full, y, w, contrast, zeros):
    """HC3's variance of the contrast, and the first columns of the whitened regression with the last `zeros` columns
    projected out."""
    root = np.sqrt(w)[:, None]
    rest, own = full[:, : full.shape[1] - zeros] * root, full[:, full.shape[1] - zeros :] * root
    q, _ = np.linalg.qr(own)
    # statsmodels' pinv does not scale columns
    scale = 1 / np.sqrt(np.mean(full**2, axis=0))
    result = sm.WLS(y, full * scale, weights=w).fit(method="qr", cov_type="HC3")
    scaled = contrast * scale
    return scaled @ result.cov_params() @ scaled, rest - q @ (q.T @ rest)


def held(se, dof, within, common, common_dof):
    """CR2's standard error and degrees of freedom held against what all sessions show: for a handful of sessions the mean
    of both variances by their degrees of freedom, and no less than six tenths of HC3's variance; for more, no narrower than
    that."""
    least = 0.6 * within
    if dof < HANDFUL:
        others = min(max(common_dof - dof, 0), AT_MOST)
        mean = (dof * se**2 + others * (within + common)) / (dof + others)
        return np.sqrt(max(mean, least)), dof + others
    wider = np.sqrt(least) * scipy.stats.norm.ppf(0.975) > se * scipy.stats.t.ppf(0.975, dof)
    return (np.sqrt(least), np.inf) if wider else (se, dof)


def shown_by_all(windows):
    """What whole sessions have in common: per quantity the excess of CR2 over HC3 relative to the coefficient, all
    configurations pooled; and the degrees of freedom behind it."""
    factors, dof = {}, 0.0
    configurations = sorted(windows["configuration"].unique())
    each = {c: [float(c == d) for d in configurations] for c in configurations}
    for quantity in QUANTITIES:
        used = windows[(windows["quantity"] == quantity) & (windows["weight"] > 0)].reset_index(drop=True)
        full, y, w, session = regression(used, configurations, each)
        excess = weight = 0.0
        for i, _ in enumerate(configurations):
            contrast = np.eye(full.shape[1])[i]
            se, _ = cr2(full, y, w, session, contrast)
            rows, z = within(full, y, w, contrast, full.shape[1] - len(configurations) - 1)
            beta = np.linalg.lstsq(z, projected_values(full, y, w, len(configurations) + 1), rcond=None)[0]
            shares = np.array([(z[session == g, i] ** 2).sum() for g in np.unique(session)])
            n = (shares > 1e-9 * shares.sum()).sum()
            excess += (n - 1) * n * (se**2 - rows) / beta[i] ** 2
            weight += n - 1
        factors[quantity] = max(excess / weight, 0.0)
        dof += weight / len(QUANTITIES)
    assert dof >= 4, dof
    sessions = (windows["event"] + "/" + windows["session"])[windows["weight"] > 0].nunique()
    return factors, min(dof, sessions - 1)


def projected_values(full, y, w, first):
    """Weighted observations with the columns behind the first ones projected out."""
    root = np.sqrt(w)
    q, _ = np.linalg.qr(full[:, first:] * root[:, None])
    return y * root - q @ (q.T @ (y * root))


def in_common(full, y, w, session, contrast, first, factor):
    """Variance of the contrast if what every session measured were larger by a factor of its own, one plus a number of
    this variance."""
    _, z = within(full, y, w, contrast, full.shape[1] - first)
    beta = np.linalg.lstsq(z, projected_values(full, y, w, first), rcond=None)[0]
    turned = np.linalg.solve(z.T @ z, contrast[:first])
    fitted = z @ beta
    return factor * sum((turned @ (z[session == g].T @ fitted[session == g])) ** 2 for g in np.unique(session))


def close(what, ours, theirs, tolerance=1e-8):
    error = abs(ours - theirs) / max(abs(theirs), 1e-3)
    if not error <= tolerance:
        sys.exit(f"FAILED {what}: squarelaw {ours!r}, outside {theirs!r}, relative {error:.2e}")
    return error


def main(binary, folder):
    out = pathlib.Path(folder) / "out"
    pipeline = pathlib.Path(folder) / "check.yaml"
    pipeline.write_text(PIPELINE.format(root=ROOT, out=out))
    done = subprocess.run([binary, "-q", "run", str(pipeline)], check=False)
    # one log of the sample season is broken on purpose
    assert done.returncode in (0, 3), done.returncode
    found = designs()
    names = ["base", "wing_position"] + list(dict.fromkeys(p for parts, _ in found.values() for p in parts))
    design = {
        c: [1.0, wing - WING] + [float(n in parts) for n in names[2:]] for c, (parts, wing) in found.items()
    }
    windows, parts, predictions = (table(out, t) for t in ("windows", "parts", "predictions"))
    rolling = 0.0
    for line in (ROOT / "sample-logs/car.yaml").read_text().splitlines():
        if line.startswith("rolling_resistance:"):
            rolling = float(line.split(":")[1])
    worst, drawn, count, coefficients = 0.0, 0, 0, {}
    solved = {}
    factors, pooled = shown_by_all(windows)
    for quantity in QUANTITIES:
        used = windows[(windows["quantity"] == quantity) & (windows["weight"] > 0)].reset_index(drop=True)
        full, y, w, session = regression(used, names, design)
        # statsmodels' pinv does not scale columns; effective v2 is of the order of a thousand, an intercept of one
        scale = np.ones(full.shape[1])
        scale[: len(names)] = 1 / np.sqrt(np.mean(full[:, : len(names)] ** 2, axis=0))
        fit = sm.WLS(y, full * scale, weights=w).fit(method="qr")
        beta = np.asarray(fit.params) * scale
        coefficients[quantity] = beta[: len(names)]
        solved[quantity] = (full, y, w, session, beta)
    for quantity in ("front_downforce", "rear_downforce"):
        full, y, w, session, beta = solved[quantity]
        for i, name in enumerate(names[1:], 1):
            row = parts[(parts["part"] == name) & (parts["quantity"] == quantity)].iloc[0]
            contrast = np.zeros(full.shape[1])
            contrast[i] = 1.0
            rows, _ = within(full, y, w, contrast, full.shape[1] - len(names) - 1)
            common = in_common(full, y, w, session, contrast, len(names) + 1, factors[quantity])
            by_cr2 = cr2(full, y, w, session, contrast)
            se, dof = held(*by_cr2, rows, common, pooled)
            drawn += se != by_cr2[0]
            told = row["degrees_of_freedom"]
            assert np.isnan(told) == np.isinf(dof), (name, quantity, told, dof)
            worst = max(
                worst,
                close(f"effect of {name} on {quantity}", row["effect"], beta[i] * SPEED**2),
                close(f"its standard error", row["effect_se"], se * SPEED**2, 1e-7),
                0.0 if np.isinf(dof) else close(f"its degrees of freedom", told, dof, 1e-6),
            )
            count += 1
    drag = coefficients["resistance"] - rolling * (coefficients["front_downforce"] + coefficients["rear_downforce"])
    for i, name in enumerate(names[1:], 1):
        row = parts[(parts["part"] == name) & (parts["quantity"] == "drag")].iloc[0]
        worst = max(worst, close(f"effect of {name} on drag", row["effect"], drag[i] * SPEED**2))
    wish = np.array([1.0, 1.0] + [float(n in ("splitter_extension", "gurney_strip")) for n in names[2:]])
    front, rear = (coefficients[q] @ wish * SPEED**2 for q in ("front_downforce", "rear_downforce"))
    for quantity, value in [
        ("front_downforce", front),
        ("rear_downforce", rear),
        ("drag", drag @ wish * SPEED**2),
        ("balance", front / (front + rear)),
        ("efficiency", (front + rear) / (drag @ wish * SPEED**2)),
    ]:
        row = predictions[predictions["quantity"] == quantity].iloc[0]
        worst = max(worst, close(f"predicted {quantity}", row["value"], value))
    print(json.dumps({"check": "parts", "ok": True, "terms": names, "largest_relative_error": worst,
                      "effects": count, "by_what_all_sessions_show": int(drawn)}))


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    with tempfile.TemporaryDirectory() as work:
        main(str(pathlib.Path(sys.argv[1]).resolve()), work)
