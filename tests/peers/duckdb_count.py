"""Days, readings and the total's gain of a folder of Parquet files: duckdb_count.py FOLDER."""

import sys

import duckdb

days = duckdb.sql(
    f"""SELECT date, count(*), sum(total_gain_l)
        FROM read_parquet('{sys.argv[1]}/**/*.parquet', hive_partitioning = true) GROUP BY date ORDER BY date"""
)
for day, count, gain in days.fetchall():
    print(day, count, gain, sep="\t")
