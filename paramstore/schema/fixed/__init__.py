"""Layouts that are there already: C structs of units in the field, blocks of published standards.

From the text of such a schema to a checked model, and from bytes to values by it. May know TOML,
types and limits of parameters, bits and checksums. Must not know pages, records or rings, files of
images, or how a report looks.
"""
