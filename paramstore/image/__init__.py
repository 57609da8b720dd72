"""Whole EEPROM contents: values files, packing, dumps, unpacking.

May know file forms and record bytes. Must not know the bus or C.
"""
