"""Flags, profiles and fixtures of the whole suite."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

pytest_plugins = ["tests.no_skip"]

# Quick, and the same in every run; `--long` looks further, with new examples each time.
settings.register_profile(
    "quick", max_examples=50, deadline=None, derandomize=True, database=None, print_blob=True
)
settings.register_profile(
    "long", max_examples=2000, deadline=None, print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Campaigns that take minutes, and a look at kept outputs, only when asked for."""
    parser.addoption("--long", action="store_true", help="run the long campaigns as well")
    parser.addoption(
        "--refresh-goldens", action="store_true",
        help="write kept outputs anew instead of comparing with them; read the difference",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Choose the profile; tell `tests.goldens` whether to write."""
    settings.load_profile("long" if config.getoption("--long") else "quick")
    if config.getoption("--refresh-goldens"):
        os.environ["REFRESH_GOLDENS"] = "1"
    # What the commands print must not depend on the terminal of whoever runs the tests.
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS"):
        os.environ.pop(name, None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the long campaigns out: deselected, so that a skip stays something to look into."""
    if config.getoption("--long"):
        return
    late = [item for item in items if item.get_closest_marker("long")]
    if late:
        config.hook.pytest_deselected(items=late)
        items[:] = [item for item in items if item not in late]


@pytest.fixture(scope="session", autouse=True)
def zig_cache(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """Let zig build its support library once, in the cache folder of pytest, not for each test."""
    cache = getattr(request.config, "cache", None)  # not there with -p no:cacheprovider
    folder = str(cache.mkdir("zig") if cache else tmp_path_factory.mktemp("zig"))
    with pytest.MonkeyPatch.context() as patch:
        for name in ("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR"):
            patch.setenv(name, os.environ.get(name, folder))
        yield
