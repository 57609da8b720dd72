"""Templates of files that the tools write: what is missing in one is an error, never blank.

To compile a template takes longer than to fill it in. So what is compiled is kept where Python
keeps the byte code of modules, and by the same rules: in `__pycache__` beside the template or under
the prefix that a person set, never if byte code is not to be written, and quietly not at all where
the folder cannot be written. It is used if template, options, Jinja and Python are the same.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable
from contextlib import suppress
from importlib.resources import files
from importlib.util import cache_from_source
from pathlib import Path

import jinja2
from jinja2 import Environment, Template
from jinja2.bccache import Bucket, BytecodeCache

from paramstore.core.disk import write_bytes
from paramstore.core.errors import ToolError

__all__ = ["Environment", "Template", "template_environment"]


def template_environment(package: str, *, html: Callable[[object], object] | None = None,
                         trim: bool = True) -> Environment:
    """Return what loads the templates in the folder `templates` of a package.

    `html`: they are of HTML, so that what is filled in is escaped after this was done to it.
    `trim`: a line that has only a statement leaves nothing behind.
    """
    folder = Path(str(files(package))) / "templates"
    return Environment(
        loader=jinja2.FileSystemLoader(folder), undefined=jinja2.StrictUndefined,
        autoescape=html is not None, finalize=html, trim_blocks=trim, lstrip_blocks=trim,
        keep_trailing_newline=True,
        bytecode_cache=_ByteCode(f"{jinja2.__version__} {html is not None} {trim}"))


class _ByteCode(BytecodeCache):
    """Byte code of templates, one file for each."""

    def __init__(self, options: str) -> None:
        self._options = options

    def get_cache_key(self, name: str, filename: str | None = None) -> str:
        """Return the path of the byte code."""
        return cache_from_source(filename or name, optimization="")

    def get_source_checksum(self, source: str) -> str:
        """Return what must be the same, so that the byte code is that of a template."""
        return hashlib.sha256(f"{self._options}\n{source}".encode()).hexdigest()

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take the byte code if there is any that can be used."""
        try:
            with Path(bucket.key).open("rb") as stream:
                bucket.load_bytecode(stream)
        except Exception:  # whatever a damaged file makes of itself, the template is compiled
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep the byte code if that is wanted and can be done."""
        if sys.dont_write_bytecode:
            return
        path = Path(bucket.key)
        with suppress(OSError, ToolError):
            path.parent.mkdir(parents=True, exist_ok=True)
            write_bytes(path, bucket.bytecode_to_string())
