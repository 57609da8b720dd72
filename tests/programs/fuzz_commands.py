"""Runs every command, in this process, on arbitrary schemas, values, tables, records, releases,
recipes, parts, dumps and words, and checks what comes of it.

    python -m tests.programs.fuzz_commands --inputs 1000000 --workers 2 --to FILE

An input is a sound file of one kind with lines, values, bytes and letters changed, lost, doubled or
taken from one another; what moves a cursor, hides or turns text comes up often. For each, a few
commands run as on a terminal with colours. Checked is, each time:

- no error but those of the commands: exit code 0, 1 or 2, and a message unless it is 0;
- nothing but what prints, line ends and our colours reaches the terminal (tables and labels are
  files, which none gets), and JSON is JSON;
- an output is whole or not there, and nothing else was made;
- what was asked for with exit code 0 is so, wherever that can be known: a values file and a table
  read by another reader against what the image then says; a schema, whatever it is, packed,
  unpacked into a values file, and packed from that, is the same image; a release whose meaning
  changed is refused.

`prove` and `tour` compile, so they get only schemas with mistakes, and histories that are none.
`figures/fuzz_commands.txt` is what the last run kept: inputs by their end, and commands.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable

from tests.programs.feeds.bench import COMMANDS, bench
from tests.programs.feeds.dumps import feed_dump, feed_layout, feed_words
from tests.programs.feeds.memory import remembered
from tests.programs.feeds.production import feed_recipe, feed_records, feed_table
from tests.programs.feeds.stores import feed_release, feed_schema, feed_values
from tests.programs.fuzzing import Fed, main

SHARES: dict[Callable[[random.Random], str], int] = {
    feed_dump: 22, feed_values: 20, feed_release: 18, feed_schema: 12, feed_records: 12,
    feed_words: 7, feed_table: 5, feed_recipe: 2, feed_layout: 2}
"""How many of a hundred inputs are of a kind: fewer of those that take long."""

_KINDS = [kind for kind, share in SHARES.items() for _ in range(share)]


def one(number: int, chance: random.Random) -> Fed:
    """Feed one input; return what became of it."""
    bench()
    COMMANDS.clear()
    with remembered():
        what = _KINDS[number * 37 % len(_KINDS)](chance)  # 37: the kinds take turns
    return Fed(what, commands=tuple(COMMANDS))


if __name__ == "__main__":
    main("fuzz_commands", __doc__ or "", one, sys.argv[1:])
