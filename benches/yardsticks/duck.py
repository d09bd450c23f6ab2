"""DuckDB on all cores: the question of window.sql on Parquet and on a table of its own. Prints seconds, the median.

The readings come as CSV and stay beside it as Parquet.
"""

import statistics
import sys
import time
from pathlib import Path

import duckdb

csv, since, until, repeats = Path(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4])
parquet = csv.with_suffix(".parquet")
question = (Path(__file__).parent / "window.sql").read_text()
question = question.replace(":since", since).replace(":until", until)
duck = duckdb.connect()
if not parquet.exists():
    duck.execute(f"COPY (SELECT * FROM '{csv}') TO '{parquet}'")


def median_s(sql):
    def once():
        begun = time.perf_counter()
        duck.execute(sql).fetchall()
        return time.perf_counter() - begun

    once()
    return statistics.median(once() for _ in range(repeats))


print("parquet", median_s(question.replace("FROM reading", f"FROM '{parquet}'")))
duck.execute(f"CREATE TABLE reading AS SELECT * FROM '{parquet}' ORDER BY instrument, at_ms")
print("table", median_s(question))
