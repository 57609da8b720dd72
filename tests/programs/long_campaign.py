"""Cut the power of tank_probe in some 90 million histories, and keep the figures.

    python -m tests.programs.long_campaign
    python -m tests.programs.long_campaign --jobs 4 -o other.json

It is more of the default campaign of `paramstore prove`, on the example module; takes minutes. The
figures go to `tank_probe.campaign.json` beside this program; a test holds them to the plan of
today.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from paramstore.core.disk import read_text, write_text
from paramstore.releases.project import open_project
from paramstore.report.cuts import campaign_data
from paramstore.verify.cuts.campaign import run_campaign
from paramstore.verify.cuts.sweeps import Level
from tests.programs.progress import Progress

SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"
FIGURES = Path(__file__).parent / "tank_probe.campaign.json"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; 1 if a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="a few million histories only")
    parser.add_argument("-o", "--output", type=Path, default=FIGURES)
    options = parser.parse_args(arguments)
    level = Level.QUICK if options.quick else Level.THOROUGH
    project = open_project(read_text(SCHEMA))
    campaign = run_campaign(project.plan, level, earlier=project.earlier(project.plan),
                            seed=options.seed, workers=options.jobs, progress=Progress())
    words = [*(["--quick"] if options.quick else []), f"--jobs {options.jobs}",
             f"--seed {options.seed}"]
    data = {"command": f"python -m tests.programs.long_campaign {' '.join(words)}",
            **campaign_data(campaign)}
    write_text(options.output, json.dumps(data, indent=1) + "\n")
    print(f"{campaign.totals.histories.total:,} histories, {campaign.fault_counts.tried:,} other "
          f"faults, {campaign.violation_count:,} violations: {options.output}")
    return 0 if campaign.sound else 1


if __name__ == "__main__":
    raise SystemExit(main())
