"""A file to keep with a record."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from fleetcal.ledger.refusals import Refused
from fleetcal.records.services.attachments import read_upload

ACCEPTED = "image/jpeg,image/png,image/webp,application/pdf"


class UploadField(forms.FileField):
    """Refuses beside the field what the record would refuse to keep."""

    widget = forms.FileInput(attrs={"accept": ACCEPTED})

    def clean(self, data: Any, initial: Any = None) -> Any:
        upload = super().clean(data, initial)
        if upload:
            try:
                read_upload(upload)
            except Refused as refusal:
                raise ValidationError(str(refusal)) from refusal
        return upload


class AttachmentForm(forms.Form):
    upload = UploadField(
        label="Photo or document",
        help_text="JPEG, PNG, WebP or PDF, 10 MB at most. Location data in pictures are not kept.",
    )
