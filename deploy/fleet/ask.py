#!/usr/bin/env python3
"""Asks one of the questions beside this file of a folder that the exports of many sites were synced into.

    ask.py duckdb DIR drift_by_revision.sql
    ask.py spark  DIR drift_by_revision.sql

prints the answer as CSV. On one machine: pip install duckdb. On a cluster: spark-submit ask.py spark DIR FILE, with DIR
as the cluster names it. The questions are the same files either way.
"""

import csv
import sys
from pathlib import Path

TABLES = ["hours", "anchors", "phases", "stated_phases", "notes", "marks", "answers"]


def duckdb_engine(folder):
    """Opens the folder's tables in DuckDB; gives what asks a question."""
    import duckdb

    connection = duckdb.connect()
    connection.execute("SET TimeZone = 'UTC'")
    for table in TABLES:
        if any(Path(folder, table).glob("site=*/month=*/*.parquet")):
            files = f"{folder}/{table}/site=*/month=*/*.parquet".replace("'", "''")
            connection.execute(
                f"CREATE VIEW {table} AS SELECT * FROM read_parquet('{files}', "
                "hive_partitioning = true, hive_types_autocast = false)"
            )

    def ask(sql):
        answer = connection.execute(sql)
        return [column[0] for column in answer.description], answer.fetchall()

    return ask


def spark_engine(folder):
    """Opens the folder's tables in Spark; gives what asks a question."""
    from pyspark.sql import SparkSession

    session = (
        SparkSession.builder.appName("packdrift fleet")
        .config("spark.ui.showConsoleProgress", "false")
        .config("spark.sql.session.timeZone", "UTC")
        # A site or month is a name, not a number or date.
        .config("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
        .getOrCreate()
    )
    session.sparkContext.setLogLevel("ERROR")
    for table in TABLES:
        try:
            session.read.parquet(f"{folder}/{table}").createOrReplaceTempView(table)
        except Exception as error:  # no site has such a table yet
            if "PATH_NOT_FOUND" not in str(error):
                raise

    def ask(sql):
        answer = session.sql(sql)
        return answer.columns, [tuple(row) for row in answer.collect()]

    return ask


ENGINES = {"duckdb": duckdb_engine, "spark": spark_engine}


def main():
    if len(sys.argv) != 4 or sys.argv[1] not in ENGINES:
        sys.exit(__doc__)
    engine, folder, question = sys.argv[1:]
    columns, rows = ENGINES[engine](folder)(Path(question).read_text(encoding="utf-8"))
    out = csv.writer(sys.stdout)
    out.writerow(columns)
    out.writerows(rows)


if __name__ == "__main__":
    main()
