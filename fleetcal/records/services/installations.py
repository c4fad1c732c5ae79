"""Recording how a weighing system was fitted."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from uuid import UUID
from zoneinfo import ZoneInfo

from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.days import day_text, moment_text
from fleetcal.fleet.models import PolicyVersion, Sensor, Vehicle, WeighingSystem
from fleetcal.fleet.selectors import PolicyBook, VehicleShape, shapes_of
from fleetcal.fleet.services.rows import checked_alone, write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import Draft
from fleetcal.records.acceptance_rules import write_mass
from fleetcal.records.installation_items import Fitting, list_items
from fleetcal.records.models import Installation, SensorBond

LOWEST_C, HIGHEST_C = -60, 120
LONGEST_PRESS_MIN = 1440


@dataclass(frozen=True, slots=True)
class BondDraft:
    """How one sensor was put in place; the fields are those of `SensorBond`."""

    sensor_id: UUID
    bonded_at: datetime | None = None
    surface_ready: bool = False
    surface_temperature: Decimal | None = None
    temperature_unit: str = "C"
    was_warmed: bool = False
    pressed_min: Decimal | None = None
    was_supported: bool = False
    travel_is_free: bool = False
    lead_has_slack: bool = False
    lead_is_clear: bool = False
    lead_is_labelled: bool = False


@dataclass(frozen=True, slots=True)
class InstallationDraft:
    """How one system was fitted. *alarm_axles_kg* is by axle number."""

    vehicle_id: UUID
    system_id: UUID
    happened_at: datetime
    bonds: tuple[BondDraft, ...]
    clock_is_set: bool = False
    supply_fused: bool = False
    units_sheltered: bool = False
    channels_recognised: bool = False
    alarm_gross_kg: Decimal | None = None
    alarm_axles_kg: Mapping[int, Decimal] = field(default_factory=dict)
    unit: str = "kg"
    entered: Mapping[str, str] = field(default_factory=dict)
    odometer_km: int | None = None
    note: str = ""
    supersedes_id: UUID | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Register:
    vehicles: Mapping[UUID, Vehicle]
    shapes: Mapping[UUID, VehicleShape]
    systems: Mapping[UUID, WeighingSystem]
    sensors: Mapping[UUID, list[Sensor]]
    policies: PolicyBook


def record_installation(draft: InstallationDraft, *, actor: User) -> Installation:
    return record_installations([draft], actor=actor)[0]


def record_installations(drafts: Sequence[InstallationDraft], *, actor: User) -> list[Installation]:
    """Record *drafts* in order, all or none; an item that stays open is recorded as open, not refused."""
    register = _read_register(drafts)
    made = [_build(draft, register, actor) for draft in drafts]
    write(
        [
            Draft(
                stream=installation.vehicle.stream,
                kind="record.corrected" if installation.supersedes_id else "installation.recorded",
                actor=actor.username,
                rows=[installation, *bonds],
                reason=installation.reason,
            )
            for installation, bonds in made
        ]
    )
    return [installation for installation, _ in made]


def _read_register(drafts: Iterable[InstallationDraft]) -> _Register:
    ids = {draft.vehicle_id for draft in drafts}
    vehicles = Vehicle.objects.filter(pk__in=ids)
    sensors: dict[UUID, list[Sensor]] = {}
    for sensor in Sensor.objects.filter(system__vehicle__in=ids, removed_on__isnull=True).select_related(
        "axle"
    ):
        sensors.setdefault(sensor.system_id, []).append(sensor)
    systems = WeighingSystem.objects.filter(vehicle__in=ids)
    return _Register(
        vehicles.select_related("depot").in_bulk(),
        shapes_of(vehicles),
        systems.in_bulk(),
        sensors,
        PolicyBook(),
    )


def _build(
    draft: InstallationDraft, register: _Register, actor: User
) -> tuple[Installation, list[SensorBond]]:
    vehicle, system = register.vehicles.get(draft.vehicle_id), register.systems.get(draft.system_id)
    if vehicle is None or system is None or system.vehicle_id != vehicle.pk:
        raise Refused("This weighing system is not one of that vehicle's.", field="system")
    shape, sensors = register.shapes[vehicle.pk], register.sensors.get(system.pk, [])
    day = draft.happened_at.astimezone(ZoneInfo(vehicle.depot.time_zone)).date()
    policy = register.policies.version_for(shape, day)
    if policy is None:
        raise Refused(f"No policy is in force for {vehicle} on {day_text(draft.happened_at)}: add one first.")
    _check_moment(draft.happened_at, day, system, "happened_at")
    _check_alarms(draft, shape)
    _check_bonds(draft, sensors)
    installation = Installation(
        vehicle=vehicle,
        system=system,
        happened_at=draft.happened_at,
        recorded_at=timezone.now(),
        recorded_by=actor,
        supersedes=_superseded(draft),
        reason=draft.reason.strip(),
        note=draft.note,
        odometer_km=draft.odometer_km,
        unit=draft.unit,
        entered=dict(draft.entered),
        clock_is_set=draft.clock_is_set,
        supply_fused=draft.supply_fused,
        units_sheltered=draft.units_sheltered,
        channels_recognised=draft.channels_recognised,
        alarm_gross_kg=draft.alarm_gross_kg,
        alarm_axles_kg={str(axle): f"{kg:.3f}" for axle, kg in sorted(draft.alarm_axles_kg.items())},
    )
    bonds = [_build_bond(installation, bond) for bond in draft.bonds]
    installation.open_items = _name_open(installation, bonds, shape, sensors, policy)
    checked_alone(installation, without=["vehicle", "system", "recorded_by", "supersedes"])
    for bond in bonds:
        checked_alone(bond, without=["installation", "sensor"])
    return installation, bonds


def _name_open(
    installation: Installation,
    bonds: list[SensorBond],
    shape: VehicleShape,
    sensors: list[Sensor],
    policy: PolicyVersion,
) -> list[str]:
    by_sensor = {bond.sensor_id: bond for bond in bonds}
    fitting = Fitting(shape, installation.system, tuple(sensors), installation, by_sensor, policy)
    return [state.item.value for state in list_items(fitting, installation.happened_at) if state.is_open]


def _superseded(draft: InstallationDraft) -> Installation | None:
    if draft.supersedes_id is None:
        return None
    earlier: Installation | None = (
        Installation.objects.standing().filter(pk=draft.supersedes_id, vehicle=draft.vehicle_id).first()
    )
    if earlier is None:
        raise Refused("That installation was corrected or withdrawn already: correct the newest one.")
    if not draft.reason.strip():
        raise Refused("Say why the record is corrected.", field="reason")
    return earlier


def _check_moment(moment: datetime, day: date, system: WeighingSystem, name: str) -> None:
    if moment > timezone.now():
        raise Refused(f"{moment_text(moment)} lies in the future.", field=name)
    if day < system.fitted_on:
        raise Refused(f"The display was fitted on {day_text(system.fitted_on)}, after this date.", field=name)


def _check_alarms(draft: InstallationDraft, shape: VehicleShape) -> None:
    plates = {axle.number: axle.max_kg for axle in shape.axles}
    points: list[tuple[str, str, Decimal, float]] = []
    if draft.alarm_gross_kg is not None:
        points.append(("alarm_gross_kg", "gross", draft.alarm_gross_kg, shape.max_gross_kg))
    for axle, kg in draft.alarm_axles_kg.items():
        if axle not in plates:
            raise Refused(f"There is no axle {axle}; the vehicle has {len(plates)}.", field="alarm_axles_kg")
        points.append((f"alarm_axle_{axle}", f"axle {axle}", kg, plates[axle]))
    for name, subject, kg, plate in points:
        if not 0 < kg <= Decimal(str(plate)):
            raise Refused(
                f"The alarm point of {subject}, {write_mass(kg, draft.unit)}, must be above 0 and not above the plate's "
                f"{write_mass(plate, draft.unit)}.",
                field=name,
            )


def _check_bonds(draft: InstallationDraft, sensors: list[Sensor]) -> None:
    channels = {sensor.pk: sensor.channel for sensor in sensors}
    ids = [bond.sensor_id for bond in draft.bonds]
    if len(set(ids)) != len(ids):
        raise Refused("A sensor is described twice.", field="bonds")
    for bond in draft.bonds:
        if bond.sensor_id not in channels:
            raise Refused("A sensor is described that this weighing system does not have.", field="bonds")
        subject = f"Channel {channels[bond.sensor_id]}"
        if bond.bonded_at is not None and bond.bonded_at > timezone.now():
            raise Refused(
                f"{subject}: bonded at {moment_text(bond.bonded_at)}, in the future.", field="bonds"
            )
        if bond.pressed_min is not None and not 0 <= bond.pressed_min <= LONGEST_PRESS_MIN:
            raise Refused(f"{subject}: pressed for {bond.pressed_min} min is not possible.", field="bonds")
        _check_temperature(bond, subject)


def _check_temperature(bond: BondDraft, subject: str) -> None:
    if bond.surface_temperature is None:
        return
    low, high = (
        (LOWEST_C, HIGHEST_C)
        if bond.temperature_unit == "C"
        else (LOWEST_C * 9 // 5 + 32, HIGHEST_C * 9 // 5 + 32)
    )
    if not low <= bond.surface_temperature <= high:
        raise Refused(
            f"{subject}: {bond.surface_temperature} °{bond.temperature_unit} is not between {low} and {high}.",
            field="bonds",
        )


def _build_bond(installation: Installation, draft: BondDraft) -> SensorBond:
    return SensorBond(
        installation=installation,
        sensor_id=draft.sensor_id,
        bonded_at=draft.bonded_at,
        surface_ready=draft.surface_ready,
        surface_temperature=draft.surface_temperature,
        temperature_unit=draft.temperature_unit,
        was_warmed=draft.was_warmed,
        pressed_min=draft.pressed_min,
        was_supported=draft.was_supported,
        travel_is_free=draft.travel_is_free,
        lead_has_slack=draft.lead_has_slack,
        lead_is_clear=draft.lead_is_clear,
        lead_is_labelled=draft.lead_is_labelled,
    )
