"""Where the program begins: Ctrl-C ends it quietly at any time, and no file takes the number of a
standard stream.

While libraries are loaded, and again at the end, there is nothing to clean up: the system ends the
program by itself then, which shells show as 130. In between `main` does, after what was half done
is taken away. Nothing may be loaded above this.
"""

from __future__ import annotations

import signal

__all__ = ["run"]

_HEARD = signal.getsignal(signal.SIGINT) is signal.default_int_handler
"""Not so if whoever started the program had it ignored: for work in the background."""

if _HEARD:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def run() -> None:
    """Run the command line of this process, and exit."""
    _keep_streams()
    from host_tools.main import STOPPED, main

    try:
        if _HEARD:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        main()
    except KeyboardInterrupt:
        raise SystemExit(STOPPED) from None
    finally:
        if _HEARD:
            signal.signal(signal.SIGINT, signal.SIG_DFL)


def _keep_streams() -> None:
    """Open what was closed of the streams 0 to 2: else the next file that is opened would be one of
    them, and a compiler that is called would write its words into it."""
    import os

    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free


if __name__ == "__main__":
    run()
