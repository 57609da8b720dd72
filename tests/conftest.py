"""What every test shares."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session", autouse=True)
def zig_cache(request: pytest.FixtureRequest) -> Iterator[None]:
    """Let zig build its support library once, in the cache folder of pytest, not for each test."""
    assert request.config.cache is not None
    folder = str(request.config.cache.mkdir("zig"))
    names = ("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR")
    with pytest.MonkeyPatch.context() as patch:
        for name in names:
            patch.setenv(name, os.environ.get(name, folder))
        yield
