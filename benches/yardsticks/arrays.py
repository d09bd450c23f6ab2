"""numpy on arrays that are in memory already: the limit of the arithmetic. Prints seconds, the median."""

import statistics
import sys
import time

import duckdb
import numpy

parquet, repeats = sys.argv[1], int(sys.argv[2])
instruments = []
for number in range(1, 7):
    columns = duckdb.sql(
        f"SELECT at_ms, current FROM '{parquet}' WHERE instrument = {number} ORDER BY at_ms"
    ).fetchnumpy()
    instruments.append((columns["at_ms"], columns["current"].astype(numpy.int64)))


def once():
    begun = time.perf_counter()
    for at_ms, current in instruments:
        pause_ms = numpy.diff(at_ms)
        charge = (current[1:] + current[:-1]) * pause_ms
        charge[pause_ms > 600_000] = 0
        charge.sum(), charge[charge > 0].sum()
    return time.perf_counter() - begun


print("arrays", statistics.median(once() for _ in range(repeats)))
