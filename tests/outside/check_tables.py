"""The written tables read by pyarrow and DuckDB, and the ordinary fit repeated by SQL and by statsmodels.

    python check_tables.py SQUARELAW_BINARY

* pyarrow reads every table with the schema that schemas/tables/ declares, units and descriptions included;
* DuckDB's regr_slope and regr_intercept per configuration and quantity equal the tool's ordinary fit
  (equal weights, one zero per configuration, no wind, nothing let in) to 1e-9;
* statsmodels' WLS with one dummy per outing and the written weights repeats the coefficients of the tool's weighted
  ordinary fit (precision weights, zero per outing, wind of the tables) to 1e-8, and numpy its CR2 standard errors.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb
import numpy as np
import pyarrow.parquet as pq
import statsmodels.api as sm
from check_parts import cr2, held, within

ROOT = Path(__file__).resolve().parents[2]
QUANTITIES = ["front_downforce", "rear_downforce", "drag"]
ARROW = {"float64": "double", "int64": "int64", "string": "string", "utf8": "string", "boolean": "bool"}


def run(binary: str, folder: Path, fit: str) -> Path:
    """The shipped season with another fit; returns the folder of the tables."""
    text = (ROOT / "pipelines/season.yaml").read_text()
    text = text.replace("../sample-logs", str(ROOT / "sample-logs")).replace("../schemas", str(ROOT / "schemas"))
    text = text.replace("tables: ../out", "tables: out")
    lines = [line for line in text.splitlines()]
    start = next(i for i, line in enumerate(lines) if line.startswith("season_wide:"))
    text = "\n".join(lines[: start + 1] + [f"  - fit: {fit}", ""])
    folder.mkdir(parents=True)
    pipeline = folder / "pipeline.yaml"
    pipeline.write_text(text)
    done = subprocess.run([binary, "run", str(pipeline), "--quiet"], capture_output=True, text=True, check=False)
    assert done.returncode == 3, done.stderr  # the sample season has one broken log
    return folder / "out"


def table(tables: Path, name: str) -> Path:
    return tables / name / "season=2031" / f"{name}.parquet"


def check_schemas(tables: Path) -> int:
    count = 0
    for declared in sorted((ROOT / "schemas/tables").glob("*.json")):
        path = table(tables, declared.stem)
        if not path.exists():
            continue
        want = json.loads(declared.read_text())["fields"]
        got = pq.read_table(path, partitioning=None).schema
        assert got.names == [f["name"] for f in want], declared.stem
        for field, expected in zip(got, want):
            meta = {k.decode(): v.decode() for k, v in (field.metadata or {}).items()}
            assert meta["unit"] == expected["unit"], (declared.stem, field.name)
            assert meta["description"] == expected["description"], (declared.stem, field.name)
            assert field.nullable == expected["nullable"], (declared.stem, field.name)
            kind = expected["type"].lower()
            assert str(field.type) == ARROW.get(kind, str(field.type)), (declared.stem, field.name, field.type)
        keys = {k.decode() for k in pq.read_metadata(path).metadata}
        assert {"squarelaw.version", "squarelaw.schema_version", "squarelaw.fingerprint"} <= keys
        count += 1
    assert count >= 8, count
    return count


def relative(a: float, b: float) -> float:
    return abs(a - b) / max(abs(a), abs(b), 1e-300)


def check_sql(tables: Path) -> int:
    rows = duckdb.sql(
        f"""select configuration, quantity, regr_slope(mean, effective_v2), regr_intercept(mean, effective_v2), count(*)
            from '{table(tables, "windows")}' where weight > 0 group by all order by all"""
    ).fetchall()
    fits = {
        (c, q): (value, intercept, n)
        for c, q, value, intercept, n in duckdb.sql(
            f"""select configuration, quantity, coefficient, intercept, windows from '{table(tables, "fits")}'
                where quantity <> 'drag'"""
        ).fetchall()
    }
    worst = 0.0
    for c, q, slope, intercept, n in rows:
        value, fitted_intercept, windows = fits[(c, q)]
        assert n == windows, (c, q)
        worst = max(worst, relative(value, slope), relative(fitted_intercept, intercept))
        assert relative(value, slope) < 1e-9, (c, q, value, slope)
        assert relative(fitted_intercept, intercept) < 1e-9, (c, q, fitted_intercept, intercept)
    assert len(rows) >= 18, len(rows)
    print(f"   DuckDB: {len(rows)} fits, largest relative difference {worst:.1e}")
    return len(rows)


def spread(w, design, result) -> dict:
    """CR2 and HC3 of the first coefficient, and the share that every session has in it."""
    weight, contrast = w.weight.to_numpy(), np.eye(design.shape[1])[0]
    y, session = w["mean"].to_numpy(), (w.event + "/" + w.session).to_numpy()
    se, dof = cr2(design, y, weight, session, contrast)
    rows, projected = within(design, y, weight, contrast, design.shape[1] - 1)
    shares = np.array([(projected[session == g, 0] ** 2).sum() for g in np.unique(session)])
    shares /= shares.sum()
    return {"se": se, "dof": dof, "rows": rows, "coefficient": result.params[0], "shares": shares,
            "sessions": int((shares > 1e-9).sum())}


def check_statsmodels(tables: Path) -> int:
    data = duckdb.sql(f"""select * from '{table(tables, "windows")}' where weight > 0""").df()
    fits = duckdb.sql(f"""select * from '{table(tables, "fits")}' where quantity <> 'drag'""").df()
    worst, worst_se, count, drawn = 0.0, 0.0, 0, 0
    solved = {}
    for (c, q), w in data.groupby(["configuration", "quantity"]):
        outings = w.outing.unique()
        design = np.column_stack([w.effective_v2] + [(w.outing == o).to_numpy(float) for o in outings])
        solved[c, q] = (w, design, sm.WLS(w["mean"].to_numpy(), design, weights=w.weight.to_numpy()).fit())
    spreads = {key: spread(*of) for key, of in solved.items()}
    for (c, q), (w, design, result) in solved.items():
        row = fits[(fits.configuration == c) & (fits.quantity == q)].iloc[0]
        worst = max(worst, relative(result.params[0], row.coefficient))
        assert relative(result.params[0], row.coefficient) < 1e-8, (c, q, result.params[0], row.coefficient)
        # What whole sessions have in common: the excess of CR2 over HC3 relative to the coefficient, all configurations
        # pooled; a session's share of the coefficient goes with it.
        excess, weight = 0.0, 0.0
        for (_, other), s in spreads.items():
            if other == q and s["sessions"] > 1:
                excess += (s["sessions"] - 1) * s["sessions"] * (s["se"] ** 2 - s["rows"]) / s["coefficient"] ** 2
                weight += s["sessions"] - 1
        pooled = sum(s["sessions"] - 1 for s in spreads.values()) / len(QUANTITIES)
        assert pooled >= 4, pooled
        pooled = min(pooled, (data.event + "/" + data.session).nunique() - 1)
        mine = spreads[c, q]
        common = max(excess / weight, 0.0) * mine["coefficient"] ** 2 * (mine["shares"] ** 2).sum()
        se, dof = held(mine["se"], mine["dof"], mine["rows"], common, pooled)
        drawn += int(se != mine["se"])
        worst_se = max(worst_se, relative(se, row.coefficient_se))
        assert relative(se, row.coefficient_se) < 1e-6, (c, q, se, row.coefficient_se)
        count += 1
    print(f"   statsmodels: {count} fits, coefficients to {worst:.1e}, standard errors to {worst_se:.1e} "
          f"({count - drawn} by CR2, {drawn} by what all sessions show)")
    return count


def main() -> None:
    binary = sys.argv[1]
    quantities = f"quantities: [{', '.join(QUANTITIES)}], at: 160 km/h"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plain = "method: ordinary, weights: equal, zero: per_configuration, wind: none, let_in: []"
        tables = run(binary, folder / "plain", f"{{ {quantities}, {plain} }}")
        print(f"   pyarrow: {check_schemas(tables)} tables as declared")
        check_sql(tables)
        weighted = "method: ordinary, weights: precision, zero: per_outing, wind: run_sheet, let_in: []"
        check_statsmodels(run(binary, folder / "weighted", f"{{ {quantities}, {weighted} }}"))


if __name__ == "__main__":
    main()
