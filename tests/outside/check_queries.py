"""The queries of pipelines/NIGHTLY.md as they stand there, run by DuckDB on the tables of the sample season.

    python check_queries.py SQUARELAW_BINARY

Each must run and find something, and some of what they find is held against pyarrow's reading of the same files.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import duckdb
import pyarrow.parquet as pq

ROOT = Path(__file__).resolve().parents[2]


def table(tables: Path, name: str) -> list[dict]:
    return pq.read_table(tables / name / "season=2031" / f"{name}.parquet", partitioning=None).to_pylist()


def main() -> int:
    binary = str(Path(sys.argv[1]).resolve())
    queries = re.findall(r"```sql\n(.*?)```", (ROOT / "pipelines/NIGHTLY.md").read_text(), re.S)
    assert len(queries) == 6, len(queries)
    with tempfile.TemporaryDirectory() as folder:
        text = (ROOT / "pipelines/season.yaml").read_text()
        text = text.replace("../sample-logs", str(ROOT / "sample-logs")).replace("../schemas", str(ROOT / "schemas"))
        pipeline = Path(folder) / "pipeline.yaml"
        pipeline.write_text(text.replace("tables: ../out", "tables: out"))
        done = subprocess.run([binary, "run", str(pipeline), "--quiet"], capture_output=True, text=True, check=False)
        assert done.returncode in (0, 3), done.stderr
        tables = Path(folder) / "out"
        os.chdir(tables)
        found = [duckdb.sql(q).fetchall() for q in queries]
        os.chdir(ROOT)
        for query, rows in zip(queries, found):
            assert rows, query
        batch, configurations, resolved, aside, funnel, evidence = found
        logs = table(tables, "logs")
        (_, _, hours, pipeline_file, found_logs, *_, exit_code), = batch
        assert (pipeline_file, found_logs, exit_code) == ("../pipeline.yaml", len(logs), done.returncode)
        assert 0 <= hours < 1, hours
        assert {(r[0], r[1]) for r in configurations} <= {(season, r["configuration"]) for season in (2031, "2031") for r in table(tables, "configurations")}
        assert len(configurations) == len(table(tables, "configurations"))
        assert len(resolved) == sum(r["verdict"] == "resolved" for r in table(tables, "comparisons"))
        assert [r[1] for r in aside] == sorted(r["log"] for r in logs if r["status"] == "set_aside")
        assert abs(sum(r[4] for r in funnel if r[1] == funnel[0][1]) - 100) < 1
        assert len(evidence) == sum(r["quantity"] == "rear_downforce" and r["weight"] > 0 for r in table(tables, "windows"))
    print(f"{len(queries)} queries, {sum(map(len, found))} rows")
    return 0


if __name__ == "__main__":
    sys.exit(main())
