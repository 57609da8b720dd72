"""Bytes of labels and records, both ways; the only use of construct.

May know a Plan and FORMAT.md. Must not know files, dumps or the bus.
"""
