"""What every record's page shows beside the record itself: its receipt, its files, and whether another took its place."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, QueryDict
from django.utils.datastructures import MultiValueDict

from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import digests_of
from fleetcal.records.models import Attachment
from fleetcal.records.models.base import VehicleRecord
from fleetcal.records.services.attachments import add_attachment
from fleetcal.web.access import person
from fleetcal.web.forms.attachments import AttachmentForm


@dataclass(frozen=True, slots=True)
class RecordAround:
    """*later* is the record that took this one's place, *earlier* the one whose place this took."""

    receipt: str
    attachments: list[Attachment]
    later: VehicleRecord | None
    earlier: VehicleRecord | None
    is_newest: bool


def describe_record(record: VehicleRecord) -> RecordAround:
    later = type(record)._default_manager.filter(supersedes=record.pk).select_related("recorded_by").first()
    attachments = Attachment.objects.filter(record__in=_chain(record)).select_related("recorded_by")
    return RecordAround(
        receipt=digests_of([record.entry_id]).get(record.entry_id, ""),
        attachments=list(attachments.order_by("recorded_at")),
        later=later,
        earlier=record.supersedes,
        is_newest=later is None,
    )


def _chain(record: VehicleRecord) -> list[UUID]:
    """The record and every version before it: a photo of the ticket belongs to each of them."""
    chain, at = [record.pk], record
    while at.supersedes is not None:
        at = at.supersedes
        chain.append(at.pk)
    return chain


def posted(request: HttpRequest) -> QueryDict | None:
    """What was sent, be it nothing at all; None where nothing was."""
    return request.POST if request.method == "POST" else None


def sent_files(request: HttpRequest) -> MultiValueDict[str, Any] | None:
    """The files that were sent; None where nothing was sent, so that an empty form is not taken for a faulty one."""
    return request.FILES if request.method == "POST" else None


def attach_to(request: HttpRequest, record: VehicleRecord) -> AttachmentForm | None:
    """Keep the uploaded file with *record*; the form with its errors where it was refused."""
    form = AttachmentForm(request.POST, request.FILES)
    if not form.is_valid():
        return form
    try:
        add_attachment(
            actor=person(request),
            vehicle=record.vehicle,
            record_id=record.pk,
            upload=form.cleaned_data["upload"],
        )
    except Refused as refusal:
        form.add_error("upload", str(refusal))
        return form
    messages.success(request, "The file is kept with this record.")
    return None
