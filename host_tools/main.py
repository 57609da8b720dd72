"""The `paramstore` command: lists the commands and loads only the one that is called."""

from __future__ import annotations

import importlib
import sys

import click

from host_tools.commands import SUMMARIES


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

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUMMARIES.items()))
