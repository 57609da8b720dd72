"""Many units: a table of them, serial numbers that are given once only, a record of each, images.

A table has one row for each unit; all rows are checked before anything is written. Serial numbers
and records live in an SQLite file, so that neither a killed run nor two runs at once give one
number to two units. May know images, values files and tables. Must not know a bus, or how a
report looks. numpy is used in `bulk`, `numbers` and `columnar` alone, and only if it is there.
"""
