"""Histories as lines of text, and with as little in them as can be.

Knows what a history is, not how one is run.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace

from paramstore.core.errors import ToolError
from paramstore.core.words import did_you_mean
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.results import (
    FIRST_GROUP,
    Cut,
    CutHistory,
    CutStep,
    Operation,
    Start,
    operation_group,
)
from paramstore.verify.cuts.tears import KINDS, PageTear
from paramstore.verify.eeprom.faults import Torn

__all__ = ["history_text", "operation_text", "parse_history", "shrink", "start_text",
           "steps_text"]

# ---- Text ----------------------------------------------------------------------------------------

_WITH_PLACE = (Torn.PREFIX, Torn.SUFFIX, Torn.ERASED_PREFIX)
_HELP = ("write a start (BLANK, FACTORY or FACTORY+ROUNDS, with a p behind it if slots were passed "
         "over; RELEASE1 for a part of release 1) and steps (BOOT, FORMAT, WIPE or a group), with "
         "commas between; a cut as @WRITE.TEAR, such as `FACTORY+4,settings@0.prefix.5,BOOT`")


def history_text(plan: Plan, history: CutHistory) -> str:
    """Return a history as one word without blanks, such as `FACTORY+4,settings@0.prefix.5,BOOT`."""
    return ",".join((start_text(history.start), *steps_text(plan, history)))


def steps_text(plan: Plan, history: CutHistory) -> tuple[str, ...]:
    """Return the steps of a history as its text names them."""
    return tuple(
        operation_text(plan, step.operation) + (f"@{_cut_text(step.cut)}" if step.cut else "")
        for step in history.steps)


def start_text(start: Start) -> str:
    """Return a start state as the first part of a history's text."""
    if start.older:
        return f"RELEASE{start.older}"
    text = "FACTORY" if start.packed else "BLANK"
    return text + (f"+{start.rounds}" + "p" * start.passed if start.rounds else "")


def operation_text(plan: Plan, operation: int) -> str:
    """Return an operation as a history's text names it: a group for its commit."""
    group = operation_group(operation)
    return Operation(operation).name if group is None else plan.rings[group].group.name


def _cut_text(cut: Cut) -> str:
    tear = cut.tear
    words = [str(cut.write), tear.kind.value.replace(" ", "-")]
    if tear.kind in _WITH_PLACE:
        words.append(str(tear.at))
    if tear.random:
        words.append(f"x{tear.seed:x}")
    if tear.rest:
        words.append("rest")
    return ".".join(words)


def parse_history(plan: Plan, text: str) -> CutHistory:
    """Return the history that a text describes; ToolError with a hint if it is none."""
    first, *rest = text.strip().split(",")
    steps: list[CutStep] = []
    for word in rest:
        if steps and steps[-1].cut and word != Operation.BOOT.name:
            raise ToolError(f"`{word}` follows a cut", "after a cut comes BOOT")
        steps.append(_parse_step(plan, word))
    return CutHistory(_parse_start(first), tuple(steps))


def _parse_start(word: str) -> Start:
    if (older := re.fullmatch(r"RELEASE([1-9]\d{0,3})", word)) is not None:
        return Start(older=int(older[1]))
    name, plus, rounds = word.partition("+")
    passed = rounds.endswith("p")
    digits = rounds.removesuffix("p")
    if name not in ("BLANK", "FACTORY") or bool(plus) != digits.isdecimal() or len(digits) > 6:
        raise ToolError(f"`{word}` is no start of a history", _HELP)
    return Start(name == "FACTORY", int(digits or 0), passed)


def _parse_step(plan: Plan, word: str) -> CutStep:
    name, at, cut = word.partition("@")
    groups = {ring.group.name: FIRST_GROUP + g for g, ring in enumerate(plan.rings)}
    names = {**{op.name: int(op) for op in Operation}, **groups}
    if name not in names:
        raise ToolError(f"`{name}` is no step of a history",
                        did_you_mean(name, list(names), "the steps"))
    return CutStep(names[name], _parse_cut(cut) if at else None)


def _parse_cut(text: str) -> Cut:
    write, _, rest = text.partition(".")
    kind, *details = rest.split(".")
    kinds = {k.value.replace(" ", "-"): k for k in KINDS}
    tear = PageTear(kinds[kind]) if kind in kinds else None
    try:
        for detail in details:
            match detail[:1]:
                case "r" if detail == "rest" and tear:
                    tear = replace(tear, rest=True)
                case "x" if tear:
                    tear = replace(tear, seed=int(detail[1:], 16) & 0xFFFF_FFFF)
                case _ if tear:
                    tear = replace(tear, at=int(detail) & 0xFFFF)
        number = int(write)
    except ValueError:
        tear = None
    if tear is None or not write.isdecimal():
        raise ToolError(f"`@{text}` is no cut", f"the tears are {', '.join(kinds)}; {_HELP}")
    return Cut(number, tear)


# ---- Fewest steps --------------------------------------------------------------------------------


def shrink(history: CutHistory, still_wrong: Callable[[CutHistory], bool]) -> CutHistory:
    """Return a history with as little in it as possible that is still wrong.

    Steps are left out, cuts taken away, the start and the tears made plainer, one after another,
    for as long as that works.
    """
    smaller = True
    while smaller:
        smaller = False
        for candidate in _simpler(history):
            if still_wrong(candidate):
                history, smaller = candidate, True
                break
    return history


def _simpler(history: CutHistory) -> Iterator[CutHistory]:
    steps = history.steps
    for i, step in enumerate(steps):
        yield replace(history, steps=steps[:i] + steps[i + 1 + (step.cut is not None):])
    for start in _plainer_starts(history.start):
        yield replace(history, start=start)
    for i, step in enumerate(steps):
        if step.cut is not None:
            for cut in (None, *_plainer_cuts(step.cut)):
                yield replace(history, steps=(*steps[:i], replace(step, cut=cut), *steps[i + 1:]))


def _plainer_starts(start: Start) -> Iterator[Start]:
    if start.passed:
        yield replace(start, passed=False)
    for rounds in (0, start.rounds // 2, start.rounds - 1):
        if 0 <= rounds < start.rounds:
            yield Start(start.packed, rounds, start.passed and rounds > 0)


def _plainer_cuts(cut: Cut) -> Iterator[Cut]:
    """Yield plainer tears only, in one order, so that shrinking comes to an end."""
    tear = cut.tear
    if tear.rest:
        yield Cut(cut.write, PageTear(tear.kind, tear.at))
    plainest = [PageTear(kind) for kind in (Torn.OLD, Torn.NEW, Torn.ERASED, Torn.ZEROS)]
    yield from (Cut(cut.write, p) for p in plainest[:_rank(tear)])
    if tear.kind in _WITH_PLACE:
        yield from (Cut(cut.write, replace(tear, at=at))
                    for at in sorted({1, tear.at // 2, tear.at - 1}) if 0 < at < tear.at)
    if cut.write > 0:
        yield replace(cut, write=cut.write - 1)


def _rank(tear: PageTear) -> int:
    order = (Torn.OLD, Torn.NEW, Torn.ERASED, Torn.ZEROS)
    return order.index(tear.kind) if tear.kind in order and not tear.rest else len(order)
