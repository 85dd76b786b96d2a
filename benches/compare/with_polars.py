"""The season with polars, on all its threads: python with_polars.py JOB.json"""

import polars as pl

import season


def read(path, columns):
    frame = pl.read_csv(path, skip_rows_after_header=1, columns=columns, schema_overrides=dict.fromkeys(columns, pl.Float64))
    return {name: frame[name].to_numpy() for name in columns}


season.run(read)
