"""What every test shares."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Campaigns that take minutes run only when asked for."""
    parser.addoption("--long", action="store_true", help="run the long campaigns as well")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the long campaigns out: deselected, so that a skip stays something to look into."""
    if config.getoption("--long"):
        return
    late = [item for item in items if item.get_closest_marker("long")]
    if late:
        config.hook.pytest_deselected(items=late)
        items[:] = [item for item in items if item not in late]


@pytest.fixture(scope="session", autouse=True)
def zig_cache(request: pytest.FixtureRequest) -> Iterator[None]:
    """Let zig build its support library once, in the cache folder of pytest, not for each test."""
    assert request.config.cache is not None
    folder = str(request.config.cache.mkdir("zig"))
    with pytest.MonkeyPatch.context() as patch:
        for name in ("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR"):
            patch.setenv(name, os.environ.get(name, folder))
        yield
