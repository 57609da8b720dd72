"""Reports as pages: one HTML file each that needs nothing from outside.

A page is a template in `templates/` inside the frame that all share; pictures are built here, once
each, as SVG or as rows of beads. Functions take facts and return text. Must not decide anything,
write files, or show text of an input that has not gone through the frame's escaping.
"""
