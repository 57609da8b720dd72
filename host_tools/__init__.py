"""What a person runs: one thin file for each command.

Parses options, calls one library verb, shows the result. Holds no logic of its own.
"""
