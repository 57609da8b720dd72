"""From a Plan to C: const tables, typed accessors, and the hand-written runtime beside them.

May know C spelling. Must not run a compiler (see `rig`) or write files.
"""
