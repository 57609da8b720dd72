"""Words, tables and pictures: findings, plans and images as text or JSON.

Returns strings and plain data. Must not print, decide or read files.
"""
