"""Findings about a dump: what every byte says, what is broken, what it was before.

Builds on what `image.contents` reads. May know a Plan, record bytes and how a part tears. Gives
facts and findings, no pictures. Must not know the bus, C, or how a report looks.
"""
