"""The kinds of file that have a format of our own, and what each is read and recorded by."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol
from uuid import UUID

from fleetcal.accounts.models import User
from fleetcal.accounts.roles import Capability
from fleetcal.importing import installations, repairs, vehicles, worksheets
from fleetcal.importing.findings import Candidate, Findings
from fleetcal.records.models import ImportedFile
from fleetcal.records.models.files import FileKind


class Record(Protocol):
    def __call__(
        self,
        drafts: Sequence[Candidate[Any]],
        *,
        actor: User,
        file: ImportedFile | None,
        progress: Callable[[int], None] | None = None,
    ) -> set[UUID]: ...


@dataclass(frozen=True, slots=True)
class OwnKind:
    """*headings* must all be there, in any order; other columns are passed over."""

    headings: tuple[str, ...]
    read: Callable[..., Findings]
    record: Record
    describe: Callable[[Any], str]


OWN_KINDS = {
    FileKind.VEHICLES: OwnKind(vehicles.HEADINGS, vehicles.read, vehicles.record, vehicles.describe),
    FileKind.INSTALLATIONS: OwnKind(
        installations.HEADINGS, installations.read, installations.record, installations.describe
    ),
    FileKind.WORKSHEETS: OwnKind(
        worksheets.HEADINGS, worksheets.read, worksheets.record, worksheets.describe
    ),
    FileKind.REPAIRS: OwnKind(repairs.HEADINGS, repairs.read, repairs.record, repairs.describe),
}

# What a person must be allowed to do to import each kind.
CAPABILITY_FOR = {
    FileKind.TICKETS: Capability.IMPORT_FILES,
    FileKind.VEHICLES: Capability.MANAGE_REGISTER,
    FileKind.INSTALLATIONS: Capability.RECORD_INSTALLATION,
    FileKind.WORKSHEETS: Capability.RECORD_CALIBRATION,
    FileKind.REPAIRS: Capability.RECORD_REPAIR,
}
