"""Makes the files of an invented fleet: `python -m fleetcal.simulator OUT --until 2026-11-24`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import numpy as np

from fleetcal.simulator.files import write_files, write_truth
from fleetcal.simulator.observe import observe_fleet
from fleetcal.simulator.scenario import build_scenario
from fleetcal.simulator.truth import mis_specified, well_specified


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m fleetcal.simulator", description="Simulate a fleet.")
    parser.add_argument("out", type=Path, help="folder for the fleet's files")
    parser.add_argument("--truth", type=Path, help="folder for the truth (default: OUT/truth)")
    parser.add_argument("--vehicles", type=int, default=60)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--until", type=date.fromisoformat, required=True, help="last day, YYYY-MM-DD")
    parser.add_argument(
        "--mis-specified", action="store_true", help="heavy-tailed jumps, unrecorded repairs and a season"
    )
    chosen = parser.parse_args(arguments)
    rng = np.random.default_rng(chosen.seed)
    try:
        scenario = build_scenario(vehicles=chosen.vehicles, years=chosen.years, until=chosen.until, rng=rng)
    except ValueError as refusal:
        parser.error(str(refusal))
    parameters = mis_specified() if chosen.mis_specified else well_specified()
    observed, truth = observe_fleet(scenario, parameters, rng)
    write_files(observed, chosen.out)
    write_truth(truth, chosen.truth or chosen.out / "truth")
    print(
        f"{len(scenario.vehicles)} vehicles, {scenario.epoch} to {scenario.until}:"
        f" {len(observed.tickets)} tickets, {len({row.worksheet for row in observed.worksheets})} worksheets,"
        f" {len(observed.repairs)} repairs"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
