"""TOML with the place of every key and value, and the one engine for tables of keys.

`source` reads a text, `keys` says what a table may hold and what is wrong with one, `validator`
collects the findings of a document at their places, `json_schema` makes the JSON Schema from the
same keys. Must not know what a table means: the packages above have the keys and the rules
between them.
"""
