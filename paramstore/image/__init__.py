"""Whole EEPROM contents: values files, packing, dumps, unpacking.

May know file formats and the codec. Must not know the bus or C.
"""
