"""File forms, one module each: bytes at addresses to the content of a file, and back.

A form knows its own syntax and nothing else. Must not know parts, labels, rings or schemas;
`image.files` is the front door.
"""
