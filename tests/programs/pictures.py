"""Make the pictures of the README, and the damaged dump that one of them explains.

    python -m tests.programs.pictures

The dump is of an invented unit: packed with the example values, its settings committed by the twin
until the power fails in the middle of one, then a bit of an older record of its counters changed.
A test holds all files to what this makes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.disk import read_text, write_text
from paramstore.core.status import Status
from paramstore.files.forms import encode_image, form_of, read_dump
from paramstore.image.pack import pack
from paramstore.image.values import read_values
from paramstore.inspect.store import examine_store
from paramstore.inspect.which import Candidate
from paramstore.releases.project import open_project
from paramstore.report.pictures import dump_svg, plan_svg
from paramstore.report.residual_plot import residual_svg
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "schemas"
FOLDER = ROOT / "paramstore" / "pictures"
DAMAGED = SCHEMAS / "tank_probe.damaged.hex"


def damaged_unit() -> bytes:
    """Return the content of the part: a commit cut in its second page write, one bit changed."""
    plan = open_project(read_text(SCHEMAS / "tank_probe.toml")).plan
    given = read_values(plan.schema, read_text(SCHEMAS / "tank_probe.values.toml"))
    device = Device(plan.part, plan.schema.address, pack(plan, given.values))
    rig = TwinRig(plan, Bench(device, plan.schema.bus_khz))
    rig.mount()
    for minutes in range(1, 12):
        assert rig.set("counters", "running", 0, [minutes]) is Status.OK
        assert rig.commit("counters") is Status.OK
    for interval in (20, 25):
        assert rig.set("settings", "interval", 0, [interval]) is Status.OK
        assert rig.commit("settings") is Status.OK
    assert rig.set("settings", "interval", 0, [40]) is Status.OK
    device.faults = [CutAtWrite(device.cycles + 2, Tear(Torn.ERASED_PREFIX, 3))]
    try:
        rig.commit("settings")
        raise AssertionError("the power did not fail")
    except PowerCut:
        pass
    image = bytearray(device.memory)
    image[plan.ring("counters").address(5) + 9] ^= 0x10
    return bytes(image)


def made() -> Iterator[tuple[Path, str]]:
    """Yield each file and what it holds."""
    schema = SCHEMAS / "tank_probe.toml"
    project = open_project(read_text(schema))
    dump = encode_image(damaged_unit(), form_of(str(DAMAGED)))
    yield DAMAGED, dump.decode("ascii")
    yield FOLDER / "plan.svg", plan_svg(project.plan)
    found = examine_store(read_dump(dump, DAMAGED.name), [Candidate(schema.name, project.plan)])
    yield FOLDER / "dump.svg", dump_svg(found)
    recipe = read_recipe(project.plan.schema, read_text(SCHEMAS / "tank_probe.calibration.toml"))
    calibration = recipe.calibration("electrode")
    assert calibration is not None
    table = read_table(read_text(SCHEMAS / "tank_probe.electrode.csv"), calibration)
    yield FOLDER / "calibration.svg", residual_svg(calibrate(recipe, {"electrode": table}))


def main() -> int:
    """Write all files."""
    FOLDER.mkdir(exist_ok=True)
    for path, text in made():
        write_text(path, text)
        print(path.relative_to(ROOT))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
