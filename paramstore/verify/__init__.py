"""Proof: the twin of the C runtime, a simulated EEPROM, rigs that join them, power cut campaigns.

May compile and run C. Must not hold a promise that the store itself does not state.
"""
