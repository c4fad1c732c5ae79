"""Writes what was observed as the files that a fleet would have, and the truth into a folder of its own.

The same simulation gives the same bytes.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from fleetcal.simulator.delimited import cell, encode_csv
from fleetcal.simulator.dialects import encode_feedmill, encode_millbridge, encode_quarry
from fleetcal.simulator.installations import SensorRow
from fleetcal.simulator.observe import Observed, Truth
from fleetcal.simulator.repairs import RepairRow
from fleetcal.simulator.scenario import COMPANY, Scenario
from fleetcal.simulator.truth import Jump, TrueHistory
from fleetcal.simulator.vehicles import Vehicle
from fleetcal.simulator.worksheets import WorksheetRow

TRUTH_EVERY_DAYS = 28

_VEHICLE_COLUMNS = (
    "fleet_number", "registration", "vin", "kind", "depot", "max_gross_kg", "registered_on", "in_service_on",
    "axle_max_kg", "groups", "suspension", "spacing_mm", "lift_axles", "steered_axles", "driven_axles",
    "twin_tyred_axles",
)  # fmt: skip


def write_files(observed: Observed, folder: Path) -> None:
    """Write the eight files of a fleet into `folder`, which is made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scenario.json").write_bytes(_encode_json(_describe_scenario(observed.scenario)))
    vehicle_rows = [_describe_vehicle(each) for each in observed.scenario.vehicles]
    (folder / "vehicles.csv").write_bytes(encode_csv(_VEHICLE_COLUMNS, vehicle_rows))
    (folder / "installations.csv").write_bytes(_encode_records(SensorRow, observed.sensors))
    (folder / "worksheets.csv").write_bytes(_encode_records(WorksheetRow, observed.worksheets))
    (folder / "repairs.csv").write_bytes(_encode_records(RepairRow, observed.repairs))
    (folder / "tickets_millbridge.csv").write_bytes(encode_millbridge(observed))
    (folder / "tickets_quarry.csv").write_bytes(encode_quarry(observed.tickets))
    (folder / "tickets_feedmill.xlsx").write_bytes(encode_feedmill(observed))


def write_truth(truth: Truth, folder: Path) -> None:
    """Write truth.json into `folder`: per vehicle the story, and per group its events and its true errors."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "truth.json").write_bytes(_encode_json(_describe_truth(truth)))


def _encode_json(value: Any) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def _encode_records(row_type: type[Any], rows: Iterable[Any]) -> bytes:
    columns = [each.name for each in dataclasses.fields(row_type)]
    return encode_csv(columns, ([cell(getattr(row, name)) for name in columns] for row in rows))


def _describe_scenario(scenario: Scenario) -> dict[str, Any]:
    return {
        "company": COMPANY,
        "depots": [{"code": each.code, "name": each.name} for each in scenario.depots],
        "people": [
            {
                "username": each.username,
                "full_name": each.full_name,
                "role": each.role,
                "depots": list(each.depots) or "all",
                "unit": each.unit,
            }
            for each in scenario.people
        ],
        "instruments": [
            {
                "name": each.name,
                "kind": each.kind,
                "scale_class": each.scale_class,
                "e_kg": each.e_kg,
                "d_kg": each.d_kg,
                "capacity_kg": each.capacity_kg,
                "owner": each.owner,
                "serial": each.serial,
                "depot": each.depot,
                "approach_level": each.approach_level,
                "certificates": [
                    {
                        "number": certificate.number,
                        "issued_on": certificate.issued_on.isoformat(),
                        "valid_until": certificate.valid_until.isoformat(),
                        "issuer": certificate.issuer,
                        "k": certificate.k,
                        "points": [list(point) for point in certificate.points],
                    }
                    for certificate in each.certificates
                ],
            }
            for each in scenario.instruments
        ],
        "policy": {
            "name": "Fleet standard",
            "effective_from": scenario.epoch.isoformat(),
            "gross_percent": 3,
            "group_percent": 5,
            "basis": "maximum",
        },
    }


def _describe_vehicle(vehicle: Vehicle) -> tuple[str, ...]:
    layout = vehicle.layout
    return (
        vehicle.fleet_number,
        vehicle.registration,
        vehicle.vin,
        layout.kind,
        vehicle.depot,
        str(layout.max_gross_kg),
        vehicle.registered_on.isoformat(),
        vehicle.in_service_on.isoformat(),
        _join(layout.axle_max_kg),
        ";".join("+".join(str(axle) for axle in axles) for axles in layout.groups),
        ";".join(layout.suspension),
        _join(layout.spacing_mm),
        _join(layout.lift_axles),
        _join(layout.steered_axles),
        _join(layout.driven_axles),
        _join(layout.twin_tyred_axles),
    )


def _join(values: Sequence[int]) -> str:
    return ";".join(str(value) for value in values)


def _describe_truth(truth: Truth) -> dict[str, Any]:
    return {
        "instruments": {
            serial: {"gain_error": round(error, 8)} for serial, error in truth.gain_errors.items()
        },
        "wrong_tickets": [dataclasses.asdict(each) for each in truth.wrong_tickets],
        "vehicles": {
            registration: {
                "story": truth.stories[registration],
                "epoch": history.epoch.isoformat(),
                "groups": [_describe_group(history, group) for group in range(len(history.groups))],
            }
            for registration, history in truth.histories.items()
        },
    }


def _describe_group(history: TrueHistory, group: int) -> dict[str, Any]:
    truth = history.groups[group]
    days = list(range(0, len(truth.walk_zero), TRUTH_EVERY_DAYS))
    return {
        "axles": list(truth.axles),
        "suspension": truth.suspension,
        "full_load_kg": truth.full_load_kg,
        "drift_kg_per_day": round(truth.drift_per_day * truth.full_load_kg, 5),
        "events": [
            {
                "kind": type(event).__name__.lower(),
                "day": round(event.day, 5),
                "zero": round(event.zero, 6),
                "span": round(event.span, 6),
                **({"recorded": event.recorded} if isinstance(event, Jump) else {}),
            }
            for event in truth.events
        ],
        "days": days,
        "error_empty_kg": [round(float(each), 1) for each in history.errors_kg(group, 0.0, days)],
        "error_full_kg": [
            round(float(each), 1) for each in history.errors_kg(group, truth.full_load_kg, days)
        ],
    }
