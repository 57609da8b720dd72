"""Which package of the library makes which findings, by the tens of their codes."""

from __future__ import annotations

from paramstore.core.errors import all_codes


def _of(*tens: str) -> frozenset[str]:
    return frozenset(name for name in all_codes() if name[:4] in tens)


SCHEMA = _of("PS10", "PS11", "PS20", "PS21", "PS22", "PS30", "PS31")
FIXED = _of("PS35", "PS36")
LAYOUT = _of("PS40", "PS42")
IMAGE = _of("PS50", "PS51", "PS60", "PS61", "PS62", "PS63", "PS64")
INSPECT = _of("PS65", "PS66", "PS67")
FIRMWARE = _of("PS70")
RELEASES = _of("PS71", "PS72", "PS73", "PS74", "PS75", "PS76", "PS77")
CALIBRATE = _of("PS80", "PS81", "PS82", "PS83", "PS84")
PRODUCTION = _of("PS93", "PS94", "PS95")
BUS = _of("PS96", "PS97")
