"""The store protocol in Python, without I/O: the twin of the C runtime.

May know a Plan and the codec. Must not know a bus, a clock or a simulated part.
"""
