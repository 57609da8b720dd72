"""From TOML text to a checked model.

May know TOML, positions in text and the rules of a schema. Must not know pages, bytes on the
EEPROM or C.
"""
