"""The `paramstore` command: lists the commands, loads only the one that is called.

It is also the fence at which errors of the library, and of the system, become messages and exit
codes: 0 done, 1 findings, 2 could not run, 130 stopped with Ctrl-C. Findings are JSON if `--json`
was given, whatever the command. Anything else that escapes is a bug of ours and keeps its
traceback.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import sys
from collections.abc import Sequence
from functools import partial
from typing import Any

import click

from host_tools.commands import STAGES, SUMMARIES

__all__ = ["STOPPED", "LazyGroup", "main"]

STOPPED = 130
"""The exit code after Ctrl-C, as shells have it: 128, and the number of the signal."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called, so that `--help` is instant."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in the order of the work."""
        return list(SUMMARIES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        if cmd_name not in SUMMARIES:
            return None
        module = importlib.import_module(f"host_tools.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that `args` begins with; suggest one if there is none."""
        if args[0] not in SUMMARIES and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], SUMMARIES, n=1)
            hint = f"did you mean `{near[0]}`?" if near else "`paramstore --help` lists them"
            ctx.fail(f"there is no command `{args[0]}`; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands by the stage of the work, without importing them."""
        for stage, commands in STAGES.items():
            with formatter.section(stage):
                formatter.write_dl(list(commands.items()))

    def main(
        self, args: Sequence[str] | None = None, prog_name: str | None = None,
        complete_var: str | None = None, standalone_mode: bool = True, **extra: object
    ) -> Any:
        """Run a command line and exit with what the command returns, its exit code; turn an error
        into a message and an exit code."""
        run = partial(super().main, args, prog_name, complete_var, standalone_mode=False, **extra)
        if not standalone_mode:
            return run()
        try:
            code: object = run()
            _flush()
        except (click.Abort, KeyboardInterrupt):
            code = STOPPED
        except Exception as error:
            code = _show_and_give_code(error)
        sys.exit(code if isinstance(code, int) else 0)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; what goes wrong while its options are known is told as they say."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            return STOPPED
        except (click.ClickException, click.exceptions.Exit):
            raise
        except Exception as error:
            return _show_and_give_code(error)


def _show_and_give_code(error: Exception) -> int:
    """Say what went wrong and return the exit code; raise it again if it is a bug."""
    from host_tools.terminal import show_error

    code = show_error(error)
    if code is None:
        raise error
    return code


def _flush() -> None:
    """Write out what is left of the output while an error can still be told."""
    if sys.stdout is not None:
        sys.stdout.flush()


def _print_version(ctx: click.Context, _: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        number = version("paramstore")
    except PackageNotFoundError:
        number = "(not installed, run from its source)"
    from host_tools.terminal import say
    from paramstore.core.format import FORMAT_VERSION

    say(f"paramstore {number}, format version {FORMAT_VERSION}, Python {sys.version.split()[0]}")
    ctx.exit()


@click.group(
    cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96}
)
@click.option("--version", is_flag=True, is_eager=True, expose_value=False,
              callback=_print_version, help="Show the versions of program and EEPROM format.")
def main() -> None:
    """Example: paramstore check schemas/tank_probe.toml

    A parameter store for an I2C EEPROM: from one schema to its layout, the C for the firmware,
    images to program, and dumps explained.

    Exit codes: 0 done; 1 findings: an input has mistakes, or the answer is no (see the command's
    --help); 2 could not run; 130 stopped. Warnings alone leave it at 0.
    """
    # Nearly all that a command loads and makes lives to its end; to look through it time and again
    # for what does not takes a tenth of a short command, and to look through it once more at the
    # end, when all of it goes, another tenth.
    gc.set_threshold(100_000)
    atexit.register(gc.freeze)


if __name__ == "__main__":
    main()
