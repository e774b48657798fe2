"""Asks DuckDB a question in a folder: duckdb_question.py FOLDER FILE.sql; answers a row a line, its cells between tabs."""

import os
import sys

import duckdb

question = open(sys.argv[2]).read()
os.chdir(sys.argv[1])
for row in duckdb.sql(question).fetchall():
    print("\t".join(str(cell) for cell in row))
