"""Repeats what the tables expected, energy, limits, tyres and history say, from the written tables with other packages.

pipelines/season-check.yaml is run. Then: expected figures are converted and compared by hand with the fits (scipy's t,
statsmodels' Holm), top speeds are found by scipy's brentq, tyre loads and ratings are made from the car file's numbers
and the published load index, and the changes of the history from its own values and standard errors.

usage: python check_season.py BINARY        packages: requirements.txt beside this file
"""

import csv
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
from scipy.optimize import brentq
from scipy.stats import t
from statsmodels.stats.multitest import multipletests

ROOT = pathlib.Path(__file__).resolve().parents[2]
G, CRR = 9.80665, 0.013
V = 160 / 3.6
# kg, five public tables agree
INDEX = {91: 615.0, 94: 670.0}
compared = 0


def close(what, ours, theirs, tolerance=1e-7, floor=1e-6):
    global compared
    compared += 1
    if not abs(ours - theirs) <= tolerance * max(abs(theirs), floor):
        sys.exit(f"FAILED {what}: squarelaw {ours!r}, outside {theirs!r}")


def table(out, name):
    files = sorted((out / name).rglob("*.parquet"))
    return pd.concat([pq.ParquetFile(f).read().to_pandas() for f in files], ignore_index=True)


def si(text):
    number, unit = text.split(" ")
    return float(number) * {"N": 1.0, "km/h": 1 / 3.6, "kg/m3": 1.0}[unit]


def expected(out, fits):
    rows = table(out, "expected")
    with open(ROOT / "sample-logs/expected.csv", newline="") as f:
        written = list(csv.DictReader(line for line in f if not line.startswith("#")))
    assert len(written) == len(rows)
    for w, (_, r) in zip(written, rows.iterrows()):
        value = si(w["value"]) * (V / si(w["at"])) ** 2 * 1.225 / si(w["density"])
        close("expected", r.expected, value)
        if w["configuration"]:
            fit = fits.loc[(w["configuration"], w["quantity"])]
            close("track", r.track, fit.value)
            close("se", r.difference_se, fit.value_se)
        close("difference", r.difference, r.track - value)
        dof = r.degrees_of_freedom if not np.isnan(r.degrees_of_freedom) else np.inf
        close("p", r.p_value, 2 * t.sf(abs(r.difference / r.difference_se), dof), 1e-5, 1e-9)
        close("lo95", r.difference_lo95, r.difference - t.ppf(0.975, dof) * r.difference_se, 1e-6, 1.0)
    holm = multipletests(rows.p_value, method="holm")[1]
    for ours, theirs in zip(rows.p_holm, holm):
        close("Holm", ours, theirs, 1e-9, 1e-12)


def energy(out, fits):
    for _, r in table(out, "energy").iterrows():
        rho = r.air_density / 1.225
        drag = fits.loc[(r.configuration, "drag")].coefficient * rho
        down = sum(fits.loc[(r.configuration, q)].coefficient for q in ("front_downforce", "rear_downforce")) * rho
        power = lambda v: (CRR * r.mass * G + drag * v**2 + CRR * down * v**2) * v
        close("drag power", r.drag_power, drag * r.speed**3)
        close("total power", r.total_power, power(r.speed))
        close("top speed", r.top_speed, brentq(lambda v: power(v) - r.power, 1, 200, xtol=1e-12))


def limits(out, fits, configurations):
    for _, r in table(out, "limits").iterrows():
        if r.quantity == "balance":
            close("balance", r.value, configurations.loc[r.configuration].balance)
        else:
            value = fits.loc[(r.configuration, r.quantity)].coefficient * r.air_density / 1.225 * r.speed**2
            close("limit", r.value, value)
            close("reached", r.reached_at, r.speed * np.sqrt(r.limit / value))
        assert r.verdict == ("kept" if r.value_lo95 >= r.limit else "broken" if r.value_hi95 < r.limit else "unsure")


def tyres(out, fits):
    rows = table(out, "tyres")
    weights = {"fl": 257, "fr": 253, "rl": 254, "rr": 251}
    for _, r in rows[rows.case == "stated_speed"].iterrows():
        front = r.corner[0] == "f"
        share = 0.45 if front else 0.55
        c = fits.loc[(r.configuration, "front_downforce" if front else "rear_downforce")]
        x = 1.25 / 1.225 * (250 / 3.6) ** 2
        load = (weights[r.corner] + 0.5 * share * (38 - 30)) * G + 0.5 * c.coefficient * x
        rating = lambda v: INDEX[r.load_index] * G * (1 - 0.15 * max(0.0, v * 3.6 - 240) / 30)
        close("load", r.load, load)
        close("upper end", r.load_hi95, load + 0.5 * x * (c.coefficient_hi95 - c.coefficient))
        close("rating", r.capacity, rating(250 / 3.6))
        close("share", r.share_used, load / rating(250 / 3.6))
        rest = load - 0.5 * c.coefficient * x
        over = lambda v: rest + 0.5 * c.coefficient * 1.25 / 1.225 * v**2 - 0.9 * rating(v)
        if over(270 / 3.6) > 0:
            close("margin speed", r.margin_speed, brentq(over, 1, 270 / 3.6, xtol=1e-12))
        else:
            assert np.isnan(r.margin_speed)
    assert all("qualified person" in c for c in rows.caution)
    schema = pq.read_schema(next((out / "tyres").rglob("*.parquet")))
    assert b"qualified person" in pq.ParquetFile(next((out / "tyres").rglob("*.parquet"))).metadata.metadata[b"squarelaw.caution"]
    assert "safe" not in str({f.name: f.metadata for f in schema})


def history(out):
    rows = table(out, "history")
    for _, series in rows.groupby(["configuration", "quantity"]):
        if series.verdict.isin(["changed", "in doubt"]).any():
            continue
        for i, r in series.iterrows():
            others = series.drop(index=i)
            if others.empty:
                assert r.verdict == "not comparable"
                continue
            w = 1 / others.value_se**2
            close("change", r.change, r.value - (w * others.value).sum() / w.sum(), 1e-6, abs(r.value))
            close("change se", r.change_se, np.hypot(r.value_se, w.sum() ** -0.5))
    for _, of_quantity in rows.groupby("quantity"):
        seen = of_quantity.dropna(subset=["p_value"])
        if not seen.verdict.isin(["changed", "in doubt"]).any():
            for ours, theirs in zip(seen.p_holm, multipletests(seen.p_value, method="holm")[1]):
                close("Holm", ours, theirs, 1e-9, 1e-12)


def main(binary, folder):
    out = pathlib.Path(folder) / "out"
    text = (ROOT / "pipelines/season-check.yaml").read_text()
    text = text.replace("tables: ../out/season-check", f"tables: {out}").replace("../", f"{ROOT}/")
    pipeline = pathlib.Path(folder) / "season-check.yaml"
    pipeline.write_text(text)
    done = subprocess.run([binary, "-q", "run", str(pipeline)], check=False, stdout=subprocess.DEVNULL)
    # one log of the sample season is broken on purpose
    assert done.returncode in (0, 3), done.returncode
    fits = table(out, "fits").set_index(["configuration", "quantity"])
    expected(out, fits)
    energy(out, fits)
    limits(out, fits, table(out, "configurations").set_index("configuration"))
    tyres(out, fits)
    history(out)
    print(f"{compared} numbers of the season's verdicts agree with scipy and statsmodels")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        main(str(pathlib.Path(sys.argv[1]).resolve()), folder)
