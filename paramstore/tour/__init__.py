"""The whole job once, on any schema, with a simulated EEPROM in place of a board.

May use every other room. Must not print; holds no logic that another room needs.
"""
