"""The program as the system runs it: its streams closed, full or broken, and stopped by Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from host_tools.commands import SUMMARIES

ROOT = Path(__file__).parents[2]
START = [sys.executable, "-m", "host_tools.start"]
PROBE, VALUES = "schemas/tank_probe.toml", "schemas/tank_probe.values.toml"


def shell(line: str, **variables: str) -> tuple[int, str]:
    """Run a line of the shell, in which `paramstore` is the program; return its exit code and what
    stands on stderr."""
    words = f'paramstore() {{ {" ".join(START)} "$@"; }}\n{line}'
    done = subprocess.run(["bash", "-c", words], cwd=ROOT, capture_output=True, text=True,
                          env={**os.environ, **variables}, timeout=60)
    return done.returncode, done.stderr


@pytest.mark.parametrize("arguments", [
    f"plan {PROBE}", f"plan {PROBE} --json", f"plan {PROBE} --html -", f"check {PROBE}",
    f"pack {PROBE} --values {VALUES} -o - --format bin", "parts", "parts --json",
    "check --explain PS101",
    f"generate {PROBE} -o OUT", "--version",
])
def test_a_closed_output_is_an_error(arguments: str, tmp_path: Path) -> None:
    """What was asked for did not come: exit code 2, and a message instead of a traceback."""
    code, told = shell(f"paramstore {arguments.replace('OUT', str(tmp_path / 'out'))} >&-")
    assert 2 == code
    assert "the standard output is closed" in told
    assert "Traceback" not in told


@pytest.mark.parametrize("arguments", [
    "--help", *(f"{name} --help" for name in SUMMARIES), "--version", f"plan {PROBE}",
    f"plan {PROBE} --json", f"plan {PROBE} --html -", f"check {PROBE}", "parts",
    f"pack {PROBE} --values {VALUES} -o - --format bin"])
def test_a_full_output_is_an_error(arguments: str) -> None:
    """Exit code 2 and one message, from the help as from a report."""
    code, told = shell(f"paramstore {arguments} >/dev/full")
    assert 2 == code
    assert told.endswith("error: no space left for the output\n")


@pytest.mark.parametrize("closed", ["<&-", "2>&-", "<&- 2>&-", "<&- >/dev/null 2>&-"])
def test_other_streams_may_be_closed(closed: str, tmp_path: Path) -> None:
    """A command that does not need them works, and its files hold what they should."""
    code, told = shell(f"paramstore pack {PROBE} --values {VALUES} -o {tmp_path}/a.bin {closed}")
    assert (0, False) == (code, "Traceback" in told)
    assert 0 == shell(f"paramstore pack {PROBE} --values {VALUES} -o {tmp_path}/b.bin")[0]
    assert (tmp_path / "a.bin").read_bytes() == (tmp_path / "b.bin").read_bytes()


def test_a_closed_input_is_an_error() -> None:
    """If it is asked for."""
    code, told = shell("paramstore check - <&-")
    assert (2, "error: the standard input is closed\n  mend  give a file\n") == (code, told)


@pytest.mark.parametrize("arguments", ["--help", f"plan {PROBE}", f"plan {PROBE} --fields --json"])
def test_a_reader_that_has_gone_is_no_error_to_tell(arguments: str) -> None:
    """As with `head`: nothing is said."""
    code, told = shell(f"set -o pipefail; paramstore {arguments} | true")
    assert "" == told
    assert code in (0, 1)  # 0 if all was written before the reader went


def stopped_after(seconds: float, *arguments: str) -> tuple[int, bytes]:
    """Run, press Ctrl-C after a while; return the exit code as shells show it, and stderr."""
    process = subprocess.Popen(  # whoever runs the tests may have Ctrl-C ignored
        [*START, *arguments], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        start_new_session=True, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    time.sleep(seconds)
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGINT)
    told = process.communicate(timeout=60)[1]
    return (128 - process.returncode if process.returncode < 0 else process.returncode), told


def loaded_s() -> float:
    """Return how long the interpreter takes until the first line of the program."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import host_tools, signal"], cwd=ROOT, check=True)
    return time.perf_counter() - start


def test_ctrl_c_ends_quietly_at_any_time(tmp_path: Path) -> None:
    """While libraries are loaded, while it works, and at its end: 130, and not a word."""
    codes = set()
    first = loaded_s()
    for step in range(24):
        code, told = stopped_after(first * 1.2 + step * 0.025, "tour", PROBE, "--values", VALUES,
                                   "-o",
                                   str(tmp_path / str(step)))
        assert b"Traceback" not in told and b"KeyboardInterrupt" not in told
        assert not told.strip() or code == 0
        codes.add(code)
    assert 130 in codes
    assert codes <= {0, 130}


def test_ctrl_c_ends_a_campaign_with_its_workers(tmp_path: Path) -> None:
    """No process of it says anything either."""
    for seconds in (1.0, 3.0):
        code, told = stopped_after(seconds, "prove", PROBE, "--jobs", "2")
        assert 130 == code
        assert b"Traceback" not in told


def test_work_in_the_background_is_not_stopped(tmp_path: Path) -> None:
    """Whoever starts it with Ctrl-C ignored wants that."""
    program = ("import os, signal, subprocess, sys, time\n"
               "signal.signal(signal.SIGINT, signal.SIG_IGN)\n"
               f"words = {[*START, 'pack', PROBE, '--values', VALUES, '-o']!r}\n"
               "p = subprocess.Popen([*words, sys.argv[1]])\n"
               "for _ in range(20):\n    time.sleep(0.02)\n    p.send_signal(signal.SIGINT)\n"
               "sys.exit(p.wait())\n")
    done = subprocess.run([sys.executable, "-c", program, str(tmp_path / "a.bin")], cwd=ROOT,
                          capture_output=True, timeout=60)
    assert 0 == done.returncode
    assert (tmp_path / "a.bin").exists()
