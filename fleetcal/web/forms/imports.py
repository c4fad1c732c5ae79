from typing import Any

from django import forms

from fleetcal.accounts.models import User
from fleetcal.importing.kinds import CAPABILITY_FOR
from fleetcal.importing.reading import MOST_BYTES
from fleetcal.records.models import TicketSource
from fleetcal.records.models.files import FileKind

GOOD, ALL = "good", "all"


def kinds_for(user: User) -> list[tuple[str, str]]:
    """The kinds of file that *user* may record the contents of."""
    return [(kind.value, kind.label) for kind in FileKind if user.may(CAPABILITY_FOR[kind])]


class UploadForm(forms.Form):
    kind = forms.ChoiceField(label="What the file holds", widget=forms.RadioSelect)
    source = forms.ModelChoiceField(
        TicketSource.objects.none(),
        label="Where the tickets come from",
        required=False,
        empty_label="a new source",
        help_text="A source remembers which column is what. Only tickets need one.",
    )
    file = forms.FileField(
        label="File",
        help_text=f"CSV or XLSX, at most {MOST_BYTES // 2**20} MB. Nothing is recorded before you have seen what it would be.",
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv,.xlsx"}),
    )

    def __init__(self, *args: Any, user: User, kind: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = kinds_for(user)
        self.fields["kind"].choices = kinds  # type: ignore[attr-defined]
        self.fields["kind"].initial = kinds[0][0] if kinds else ""
        self.fields["source"].queryset = TicketSource.objects.all()  # type: ignore[attr-defined]
        if kind:
            self.fields["kind"].widget = forms.HiddenInput()
            self.fields["kind"].initial = kind
            del self.fields["source"]

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > MOST_BYTES:
            raise forms.ValidationError(
                f"The file has {file.size / 2**20:.1f} MB; at most {MOST_BYTES // 2**20} MB are read at once: split it."
            )
        return file


class CommitForm(forms.Form):
    """Which lines to record; asked only where some have problems."""

    lines = forms.ChoiceField(
        label="Which lines",
        widget=forms.RadioSelect,
        choices=[
            (ALL, "nothing: I correct the file and read it again"),
            (GOOD, "the good lines, without those that have problems"),
        ],
        initial=ALL,
    )
