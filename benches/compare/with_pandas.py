"""The season with pandas and SciPy: python with_pandas.py JOB.json"""

import pandas as pd

import season


def read(path, columns):
    frame = pd.read_csv(path, skiprows=[1], usecols=columns)
    return {name: frame[name].to_numpy(dtype=float) for name in columns}


season.run(read)
