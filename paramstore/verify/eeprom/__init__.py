"""A simulated I2C EEPROM at byte level.

May know a Part. Must not know what the bytes mean.
"""
