"""File forms, one module each: bytes at addresses to the content of a file, and back.

A form knows its own syntax and nothing else; `files.forms` knows all forms, how long a part is, and
the mark that a label begins with, by which a dump is recognised. Must not know rings or schemas.
"""
