"""The names in generated C: who gets which, and that no two things get the same one.

Knows how names are made from those of the schema; knows no table and no template.
"""

from __future__ import annotations

from paramstore.core.errors import Finding, FindingsError, Span
from paramstore.firmware.spelling import macro_name, reserved
from paramstore.schema.model import Group, Parameter, Schema

__all__ = ["Names"]


def _another(identifier: str) -> str:
    if "__" in identifier:
        return "let no name begin or end with `_`, or have two in a row"
    return "choose another name; that of the store begins all the others"


class Names:
    """Names of one store. Every file-scope identifier passes through `claim`."""

    def __init__(self, schema: Schema) -> None:
        self._schema = schema
        self._owners: dict[str, tuple[str, Span | None]] = {}
        self._findings: list[Finding] = []
        self._reported: set[object] = set()

    @property
    def store(self) -> str:
        """What every function and type begins with, without the `_`."""
        return self._schema.name

    def claim(self, identifier: str, owner: str, span: Span | None = None) -> str:
        """Return `identifier`, now that of `owner` (a text for people)."""
        if identifier in self._owners:
            other, other_span = self._owners[identifier]
            pair = (span or owner, other_span or other)
            if pair not in self._reported:  # two parameters meet in many names: one mistake
                self._reported.add(pair)
                self._refuse(
                    f"{owner} and {other} both become `{identifier}` in C",
                    "rename one of the two", span,
                    ((other_span, "the other one"),) if other_span else (),
                )
        elif reserved(identifier):
            self._refuse(f"{owner} becomes `{identifier}` in C, which the language, its standard "
                         "headers or the runtime may already have", _another(identifier), span)
        self._owners[identifier] = (owner, span)
        return identifier

    def check(self) -> None:
        """Raise FindingsError if a name was claimed twice."""
        if self._findings:
            raise FindingsError(self._findings)

    def _refuse(self, message: str, help: str, span: Span | None,
                also: tuple[tuple[Span, str], ...] = ()) -> None:
        source = self._schema.source
        self._findings.append(Finding("PS701", message, source, span if source else None,
                                      help=help, also=also if source else ()))

    # ---- Names of parts of the store ----

    def common(self, suffix: str, what: str) -> str:
        """Return the name of something of the whole store, `STORE_suffix`."""
        return self.claim(f"{self.store}_{suffix}", f"the {what}")

    def common_macro(self, suffix: str, what: str) -> str:
        """Return a constant of the whole store."""
        return self.claim(macro_name(self.store, suffix), f"the {what}")

    def group_type(self, group: Group) -> str:
        """Return the struct type of a group."""
        return self.claim(f"{self.store}_{group.name}_t", f"group `{group.name}`", group.span)

    def group_index(self, group: Group) -> str:
        """Return the constant that names a group."""
        return self.claim(macro_name(self.store, group.name), f"group `{group.name}`", group.span)

    def constant(self, group: Group, parameter: Parameter, *suffix: str) -> str:
        """Return a constant of a parameter: its own, a limit, or a member."""
        what = f"`{'.'.join((group.name, parameter.name))}`"
        if suffix:
            what = f"{' '.join(suffix)} of {what}"
        return self.claim(macro_name(self.store, group.name, parameter.name, *suffix), what,
                          parameter.span)

    def function(self, verb: str, group: Group, parameter: Parameter, suffix: str = "") -> str:
        """Return a function for a parameter, such as `STORE_set_GROUP_PARAMETER`."""
        name = "_".join(filter(None, (self.store, verb, group.name, parameter.name, suffix)))
        return self.claim(name, f"`{group.name}.{parameter.name}`", parameter.span)

    def curve_type(self, group: Group, parameter: Parameter) -> str:
        """Return the struct type of a curve."""
        return self.claim(f"{self.store}_{group.name}_{parameter.name}_t",
                          f"curve `{group.name}.{parameter.name}`", parameter.span)
