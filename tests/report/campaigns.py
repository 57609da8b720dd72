"""Campaigns to report on: of a sound runtime, and of one that is broken on purpose."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from unittest.mock import patch

from paramstore.verify.cuts import build
from paramstore.verify.cuts.campaign import Campaign, run_campaign
from paramstore.verify.cuts.sweeps import Level
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import NO_CRC, broken_runtime

__all__ = ["broken", "no_crc_checked", "sound"]


@cache
def sound() -> Campaign:
    """The quick campaign of the smallest example."""
    return run_campaign(example_plan("minimal"), Level.QUICK)


@contextmanager
def no_crc_checked() -> Iterator[None]:
    """Meanwhile the runtime does not look at the CRC."""
    with patch.object(build, "runtime_files", lambda: broken_runtime(*NO_CRC)):
        yield


@cache
def broken() -> Campaign:
    """The quick campaign of a runtime that does not look at the CRC."""
    with no_crc_checked():
        return run_campaign(example_plan("minimal"), Level.QUICK)
