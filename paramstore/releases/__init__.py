"""Parameters across releases: what was released, what a change means, old values in new places.

May know plans, record bytes and release files. Must not know C, image files or the bus.
"""
