"""Nothing but reading the needed columns with DuckDB, log by log into arrays: python read_duckdb.py JOB.json"""

import duckdb

import season

todo = season.job()
names = ", ".join(f'"{c}"' for c in todo["columns"])
rows = 0
for log in todo["logs"]:
    header = open(log["path"], encoding="utf-8").readline().strip().split(",")
    types = "{" + ", ".join(f"'{c}': 'DOUBLE'" for c in header) + "}"
    source = f"read_csv('{log['path']}', skip=2, header=false, delim=',', columns={types}, auto_detect=false)"
    rows += len(duckdb.sql(f"SELECT {names} FROM {source}").fetchnumpy()[todo["columns"][0]])
print(rows, "rows")
