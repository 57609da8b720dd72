"""A skipped test passes for a person, and fails where PARAMSTORE_NO_SKIP is set."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SKIPS = {
    "in the test": "import pytest\ndef test_it():\n    pytest.skip('no compiler')\n",
    "by a mark": "import pytest\n@pytest.mark.skip\ndef test_it():\n    pass\n",
    "the module": "import pytest\npytest.importorskip('no_such_module')\n",
}


@pytest.mark.parametrize("text", SKIPS.values(), ids=SKIPS)
def test_a_skip_fails_where_asked(text: str, tmp_path: Path) -> None:
    """However it is skipped."""
    (tmp_path / "test_it.py").write_text(text + "\ndef test_other():\n    pass\n", "utf-8")
    codes = {}
    for setting in ("", "1"):
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "tests.no_skip", "-p", "no:cacheprovider",
             str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=False,
            env={**os.environ, "PARAMSTORE_NO_SKIP": setting, "PYTHONPATH": str(ROOT)})
        codes[setting] = done.returncode
    assert codes[""] in (0, 5) and codes["1"] in (1, 2)
