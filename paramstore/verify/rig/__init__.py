"""Where stores meet parts: the twin and the compiled C on the simulated EEPROM.

May run a C compiler and keep temporary files. Must not hold store logic or fault verdicts.
"""
