"""Makes a skipped test fail where PARAMSTORE_NO_SKIP is set: what cannot run was not tested."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any, TypeVar

import pytest

_Report = TypeVar("_Report", pytest.TestReport, pytest.CollectReport)


def _judged(report: _Report) -> _Report:
    if report.skipped and os.environ.get("PARAMSTORE_NO_SKIP"):
        report.outcome = "failed"
        report.longrepr = f"skipped: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, Any, pytest.TestReport]:
    """A test that skips itself, or is marked so."""
    return _judged((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, Any, pytest.CollectReport]:
    """A module that skips itself."""
    return _judged((yield))
