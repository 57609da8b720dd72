"""EEPROM parts: the catalogue, bus timing and the physics of wear and hold-up.

May know data sheets and units. Must not know schemas, layouts or bytes of records.
"""
