"""Keeping a photo or a document with a record."""

import os
from io import BytesIO
from uuid import UUID

from django.core.files.base import File
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.utils import timezone

from fleetcal.accounts.models import User
from fleetcal.fleet.models import Certificate, Vehicle
from fleetcal.fleet.services.rows import write
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.services import FLEET_STREAM, Draft
from fleetcal.records.evidence_files import LARGEST_BYTES, KeptFile, clean_file
from fleetcal.records.models import Attachment, Calibration, Check, Inspection, Installation, Repair

RECORDS = (Check, Repair, Installation, Calibration, Inspection)


def read_upload(upload: UploadedFile) -> KeptFile:
    """The upload as it would be kept; `Refused` where it would not be. Reads no more than the largest file and one byte."""
    upload.seek(0)
    return clean_file(upload.read(LARGEST_BYTES + 1))


def add_attachment(
    *, actor: User, vehicle: Vehicle | None, record_id: UUID, upload: UploadedFile
) -> Attachment:
    """Keep *upload* with a record of *vehicle*, or with an instrument's certificate where that is None."""
    _require_record(vehicle, record_id)
    kept = read_upload(upload)
    digest = kept.sha256
    place = f"{digest[:2]}/{digest}.{kept.extension}"
    attachment = Attachment(
        vehicle=vehicle,
        record=record_id,
        name=_plain_name(upload.name or "", kept.extension),
        media_type=kept.media_type,
        size=len(kept.content),
        sha256=digest,
        file=place,
        recorded_at=timezone.now(),
        recorded_by=actor,
    )
    stream = vehicle.stream if vehicle else FLEET_STREAM
    # The file after the row: if it cannot be stored, the row goes too. A file that no row names is harmless, known by its digest.
    with transaction.atomic():
        write([Draft(stream=stream, kind="attachment.added", actor=actor.username, rows=[attachment])])
        if not default_storage.exists(place):
            default_storage.save(place, File(BytesIO(kept.content)))
    return attachment


def _require_record(vehicle: Vehicle | None, record_id: UUID) -> None:
    if vehicle is None:
        is_known = Certificate.objects.filter(pk=record_id).exists()
    else:
        is_known = any(model.objects.filter(pk=record_id, vehicle=vehicle).exists() for model in RECORDS)
    if not is_known:
        raise Refused("There is no such record to attach a file to.", field="upload")


def _plain_name(name: str, extension: str) -> str:
    """The name without folders and control characters, ending as its content does."""
    base = os.path.basename(name.replace("\\", "/"))
    stem = "".join(c for c in os.path.splitext(base)[0] if c.isprintable()).strip(" .")[:180]
    return f"{stem or 'file'}.{extension}"
