"""From a model to a Plan: rings, slots, pages, and the figures that follow from them.

May know parts, wear and time. Must not know TOML text, record bytes or C.
"""
