"""How the files of a source are read, as a form. With a sample of a file, columns are chosen; without one, headings are typed."""

from collections.abc import Iterable
from typing import Any

from django import forms

from fleetcal.fleet.models import Instrument
from fleetcal.importing.cells import (
    DATE_PATTERNS,
    DECIMAL_MARKS,
    THOUSANDS_MARKS,
    TIME_PATTERNS,
    example_of,
)
from fleetcal.importing.fields import REQUIRED, TICKET_FIELDS, Field
from fleetcal.importing.mapping import PURPOSES, Mapping, faults_of
from fleetcal.importing.reading import ENCODINGS, SEPARATORS
from fleetcal.importing.samples import Choice, Sample

FIRST_FIELDS = ("plate", "ticket", "moment", "date", "time", "reference", "display", "display_2", "purpose")
# What no other column can stand for.
NEEDED = {options[0] for options in REQUIRED if len(options) == 1}
TRUE_DATES = "true dates"
UNITS = [("kg", "kilogram (kg)"), ("t", "tonne (t)"), ("lb", "pound (lb)")]


def column_name(code: str) -> str:
    """The name of the input for a ticket field."""
    return f"column_{code.replace('.', '_')}"


class MappingForm(forms.Form):
    name = forms.CharField(
        label="Name of the source",
        max_length=80,
        help_text="For instance the site: what its next file is chosen by.",
    )
    instrument = forms.ModelChoiceField(
        Instrument.objects.none(),
        label="Weighbridge",
        required=False,
        empty_label="named in a column of the file",
        help_text="The reference that the display is compared with.",
    )
    encoding = forms.ChoiceField(
        choices=list(ENCODINGS.items()), help_text="A mark at the beginning of the file goes before this."
    )
    separator = forms.ChoiceField(label="Between the cells", choices=list(SEPARATORS.items()))
    sheet = forms.CharField(
        required=False, max_length=80, help_text="Of a workbook; empty for the first one."
    )
    header_line = forms.IntegerField(
        label="Line of the headings",
        min_value=-1,
        max_value=100_000,
        help_text="0: looked for by its words. −1: there are none, and columns are called column A, column B …",
    )
    unit = forms.ChoiceField(label="Weights are in", choices=UNITS)
    decimal_mark = forms.ChoiceField(label="Decimals after a", choices=list(DECIMAL_MARKS.items()))
    thousands_mark = forms.ChoiceField(
        label="Between thousands", choices=list(THOUSANDS_MARKS.items()), required=False
    )
    date_format = forms.ChoiceField(
        label="Dates are written",
        widget=forms.RadioSelect,
        help_text="Never guessed: 03/04 is two different days.",
    )
    time_format = forms.ChoiceField(label="Times are written", widget=forms.RadioSelect)
    time_zone = forms.CharField(
        label="Time zone of the weighbridge", max_length=48, help_text="Like Europe/Berlin."
    )
    purpose_otherwise = forms.ChoiceField(
        label="Purpose where no word says it",
        required=False,
        choices=[("", "none: such a line is a problem"), *((purpose, purpose) for purpose in PURPOSES)],
    )
    purpose_words = forms.CharField(
        label="Words for the purpose",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=f"One a line, like “Kontrolle = check”. The words {', '.join(PURPOSES)} are known.",
    )
    driver_out_words = forms.CharField(
        label="Words for: driver not in the cab",
        required=False,
        max_length=200,
        help_text="With commas between them. Where they do not occur, the driver was in.",
    )
    only_column = forms.CharField(label="Read only lines whose column", required=False, max_length=120)
    only_values = forms.CharField(
        label="says one of", required=False, max_length=200, help_text="With commas between them."
    )

    def __init__(
        self, *args: Any, sample: Sample | None, mapping: Mapping, is_stored: bool, **kwargs: Any
    ) -> None:
        kwargs["initial"] = _initial(mapping, is_stored) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        self.sample = sample
        self._constants = mapping.constants
        instruments: Any = self.fields["instrument"]
        instruments.queryset = Instrument.objects.filter(retired_on__isnull=True)
        for field in TICKET_FIELDS:
            self.fields[column_name(field.code)] = _column_field(field, sample)
        self._offer_formats(mapping)

    def _offer_formats(self, mapping: Mapping) -> None:
        dates: Any = self.fields["date_format"]
        times: Any = self.fields["time_format"]
        columns = self._columns() if self.is_bound else mapping.columns
        read_by, sample = Mapping(columns), self.sample
        dates.choices = _format_choices(sample.date_choices(read_by) if sample else [], DATE_PATTERNS, sample)
        times.choices = _format_choices(sample.time_choices(read_by) if sample else [], TIME_PATTERNS, sample)

    def _columns(self) -> dict[str, str]:
        named = (
            (field.code, self.data.get(self.add_prefix(column_name(field.code)), ""))
            for field in TICKET_FIELDS
        )
        return {code: value.strip() for code, value in named if value.strip()}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors:
            for name, fault in faults_of(self.mapping()).items():
                place = column_name(name) if column_name(name) in self.fields else name
                self.add_error(place if place in self.fields else None, fault)
            if not cleaned.get("instrument") and "instrument" not in self.mapping().columns:
                self.add_error("instrument", "Choose the weighbridge, or say which column names it.")
        return cleaned

    def mapping(self) -> Mapping:
        """What was chosen; to be asked of a form whose single inputs are valid."""
        data = self.cleaned_data
        codes = ((field.code, data.get(column_name(field.code), "")) for field in TICKET_FIELDS)
        return Mapping(
            columns={code: column.strip() for code, column in codes if column.strip()},
            constants=self._constants,
            encoding=data["encoding"],
            separator=data["separator"],
            decimal_mark=data["decimal_mark"],
            thousands_mark=data["thousands_mark"],
            unit=data["unit"],
            date_format=_pattern(data["date_format"]),
            time_format=_pattern(data["time_format"]),
            time_zone=data["time_zone"].strip(),
            purpose_words=dict(_pairs(data["purpose_words"])),
            purpose_otherwise=data["purpose_otherwise"],
            driver_out_words=_words(data["driver_out_words"]),
            header_line=data["header_line"],
            sheet=data["sheet"].strip(),
            only_column=data["only_column"].strip(),
            only_values=_words(data["only_values"]),
        )

    def clean_purpose_words(self) -> str:
        text: str = self.cleaned_data["purpose_words"]
        for line in text.splitlines():
            if line.strip() and not all(part.strip() for part in line.partition("=")):
                raise forms.ValidationError(f"Write “{line.strip()}” like: Kontrolle = check.")
        return text

    # The sections of the page, each a list of bound fields.
    def section(self, names: Iterable[str]) -> list[forms.BoundField]:
        return [self[name] for name in names if name in self.fields]

    @property
    def of_source(self) -> list[forms.BoundField]:
        return self.section(("name", "instrument"))

    @property
    def of_file(self) -> list[forms.BoundField]:
        return self.section(("encoding", "separator", "sheet", "header_line"))

    @property
    def of_columns(self) -> list[forms.BoundField]:
        return self.section(column_name(code) for code in FIRST_FIELDS)

    @property
    def of_more_columns(self) -> list[forms.BoundField]:
        return self.section(
            column_name(field.code) for field in TICKET_FIELDS if field.code not in FIRST_FIELDS
        )

    @property
    def of_values(self) -> list[forms.BoundField]:
        return self.section(
            ("unit", "decimal_mark", "thousands_mark", "date_format", "time_format", "time_zone")
        )

    @property
    def of_words(self) -> list[forms.BoundField]:
        return self.section(
            ("purpose_otherwise", "purpose_words", "driver_out_words", "only_column", "only_values")
        )

    @property
    def more_columns_open(self) -> bool:
        return any(field.value() or field.errors for field in self.of_more_columns)


def _column_field(field: Field, sample: Sample | None) -> forms.Field:
    required = field.code in NEEDED
    if sample is None:
        return forms.CharField(label=field.label, required=required, max_length=120, help_text=field.help)
    choices = [("", "no column"), *((heading, heading) for heading in sample.headings)]
    return forms.ChoiceField(label=field.label, required=required, choices=choices, help_text=field.help)


def _format_choices(
    fitting: list[Choice], patterns: dict[str, str], sample: Sample | None
) -> list[tuple[str, str]]:
    """The ways of writing that fit the file, each with what it makes of the first cell; all of them where no column is chosen yet."""
    if fitting:
        return [
            (each.pattern, f"{each.pattern}: “{each.text}”" + (f" is {each.reading}" if each.reading else ""))
            for each in fitting
        ]
    every = [
        (pattern, f"{pattern}, like {example_of(pattern)}" if patterns is DATE_PATTERNS else pattern)
        for pattern in patterns
    ]
    if sample is None or sample.sheets:
        return [(TRUE_DATES, "as true dates of a spreadsheet"), *every]
    return every


def _initial(mapping: Mapping, is_stored: bool) -> dict[str, Any]:
    plain = (
        "encoding",
        "separator",
        "sheet",
        "header_line",
        "unit",
        "decimal_mark",
        "thousands_mark",
        "time_zone",
    )
    values: dict[str, Any] = {
        name: getattr(mapping, name) for name in (*plain, "purpose_otherwise", "only_column")
    }
    values |= {column_name(code): column for code, column in mapping.columns.items()}
    values["purpose_words"] = "\n".join(
        f"{word} = {purpose}" for word, purpose in mapping.purpose_words.items()
    )
    values["driver_out_words"] = ", ".join(mapping.driver_out_words)
    values["only_values"] = ", ".join(mapping.only_values)
    if is_stored:
        # A proposal leaves these open: a person states them.
        values |= {
            "date_format": mapping.date_format or TRUE_DATES,
            "time_format": mapping.time_format or TRUE_DATES,
        }
    return values


def _pattern(choice: str) -> str:
    return "" if choice == TRUE_DATES else choice


def _pairs(text: str) -> list[tuple[str, str]]:
    lines = (line.partition("=") for line in text.splitlines() if line.strip())
    return [(word.strip(), purpose.strip()) for word, _, purpose in lines]


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())
