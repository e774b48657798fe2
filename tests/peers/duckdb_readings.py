"""Reads a folder of Parquet files back and holds every cell against a CSV file of the same readings.

duckdb_readings.py FOLDER FILE.csv; says which columns there are, with their types, and what the metadata says.
"""

import csv
import datetime
import sys

import duckdb

files = f"{sys.argv[1]}/**/*.parquet"
table = f"read_parquet('{files}', hive_partitioning = true)"
types = duckdb.sql(f"SELECT * FROM {table}")
instants = [name for name, kind in zip(types.columns, types.types) if "TIMESTAMP" in str(kind)]
millis = ", ".join(f"epoch_ms({name}) AS {name}" for name in instants)
readings = duckdb.sql(f"SELECT * REPLACE ({millis}) FROM {table} ORDER BY time")


def as_in_csv(name, value):
    if value is None:
        return ""
    if name in instants:
        second = datetime.datetime.fromtimestamp(value // 1000, datetime.timezone.utc)
        return second.strftime("%Y-%m-%dT%H:%M:%S.") + f"{value % 1000:03}Z"
    if isinstance(value, bytes):
        return " ".join(value[place : place + 2].hex().upper() for place in range(0, len(value), 2))
    return value


def same(one, other):
    if isinstance(other, float):
        return float(one) == other or one == "nan" and other != other
    return one == other


columns = readings.columns
with open(sys.argv[2], newline="") as file:
    expected = list(csv.DictReader(file))
rows = [dict(zip(columns, row)) for row in readings.fetchall()]
assert len(rows) == len(expected), f"{len(rows)} rows instead of {len(expected)}"
for number, (row, line) in enumerate(zip(rows, expected)):
    for name, text in line.items():
        found = as_in_csv(name, row[name])
        assert same(text, found), f"row {number}, {name}: {found!r} instead of {text!r}"
print(f"{len(rows)} rows of {len(expected[0])} columns are the same")
for name, kind in zip(columns, types.types):
    print(name, kind)
print("site:", rows[0]["site"], "meter:", rows[0]["meter"])
gained = [sum(row[name] or 0 for row in rows) for name in ("total_gain_l", "pulse_gain_l")]
print("gained:", *gained)
seen = set()
for key, value in duckdb.sql(f"SELECT key, value FROM parquet_kv_metadata('{files}') ORDER BY key, value").fetchall():
    if key not in seen:
        print(key.decode(), "=", value.decode())
    seen.add(key)
print("compressed with", *duckdb.sql(f"SELECT DISTINCT compression FROM parquet_metadata('{files}')").fetchall()[0])
