"""TOML with the place of every key and value.

Knows text and findings. Must not know what a table means.
"""
