"""From a Plan to C: const tables, typed accessors, and the hand-written runtime beside them.

May know C spelling. Must not run a compiler (see `verify`) or write files.
"""
