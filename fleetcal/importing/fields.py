"""What a column of a ticket file may mean, and the words by which headings in four languages say it."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

MOST_GROUPS = 6


@dataclass(frozen=True, slots=True)
class Field:
    """*words* are heading words, folded; the longest that a heading holds decides."""

    code: str
    label: str
    help: str
    words: tuple[str, ...]


def _field(code: str, label: str, help_text: str, *words: str) -> Field:
    return Field(code, label, help_text, tuple(word.strip() for line in words for word in line.split(",")))


def _group_field(position: int, side: str, label: str, tails: str) -> Field:
    heads = (f"g{position}", *(f"{word} {position}" for word in ("group", "gruppe", "groupe", "grupo")))
    words = tuple(f"{head} {tail}" for head in heads for tail in tails.split())
    return Field(f"group.{position}.{side}", f"Axle group {position}, {label}", "", words)


# Heading words in English, German, French and Spanish: our own list.
TICKET_FIELDS = (
    _field(
        "plate",
        "Plate",
        "The number plate of the vehicle.",
        "plate, vehicle, veh reg, registration, reg no, truck, kennzeichen, fahrzeug, kfz",
        "immatriculation, vehicule, plaque, matricula, vehiculo, placa",
    ),
    _field(
        "ticket",
        "Ticket number",
        "What tells two tickets of a weighbridge apart.",
        "ticket, ticket no, ticket number, tkt, docket, slip, schein, wiegeschein, wageschein, beleg, lieferschein",
        "bon, no bon, numero, bulletin, boleto, albaran, vale",
    ),
    _field(
        "moment",
        "Date and time, in one column",
        "When the ticket was weighed.",
        "weighed at, weighed on, date time, datetime, timestamp, zeitpunkt, datum uhrzeit",
        "date heure, date et heure, horodatage, fecha hora, fecha y hora",
    ),
    _field(
        "date",
        "Date",
        "The day of the ticket, where the time has a column of its own.",
        "date, day, datum, tag, jour, fecha, dia",
    ),
    _field("time", "Time", "The time of day.", "time, uhrzeit, zeit, heure, hora"),
    _field(
        "reference",
        "Weighbridge, gross",
        "The gross weight on the ticket: the reference.",
        "gross, gross weight, 2nd weight, 2nd wt, weight, weighbridge, brutto, bruttogewicht, gewicht",
        "brut, poids brut, poids, pesee, bruto, peso bruto, peso",
    ),
    _field(
        "display",
        "Display, gross",
        "What the display in the cab showed at that time.",
        "display, cab display, on-board, onboard, obw, obw gross, disp, anzeige, bordwaage",
        "afficheur, affichage, embarque, pantalla, visor, indicador",
    ),
    _field(
        "display_2",
        "Display, gross, second reading",
        "A repeated reading of the display.",
        "display 2, display2, cab display 2, anzeige 2, afficheur 2, affichage 2, pantalla 2, visor 2",
    ),
    _field(
        "display_3",
        "Display, gross, third reading",
        "",
        "display 3, display3, cab display 3, anzeige 3, afficheur 3, affichage 3, pantalla 3, visor 3",
    ),
    _field(
        "display_4",
        "Display, gross, fourth reading",
        "",
        "display 4, display4, cab display 4, anzeige 4, afficheur 4, affichage 4, pantalla 4, visor 4",
    ),
    _field(
        "displayed_time",
        "Time of the display reading",
        "Where it was read at another time than the ticket’s.",
        "read at, display time, abgelesen, ablesezeit, heure de lecture, hora de lectura",
    ),
    _field(
        "purpose",
        "Purpose",
        "Whether it is a check or an everyday ticket.",
        "purpose, reason, zweck, anlass, motif, motivo, objeto",
    ),
    _field(
        "instrument",
        "Weighbridge, by name",
        "Where one file holds tickets of several weighbridges: the name or serial number that it has here.",
        "instrument, scale, bridge, site, waage, bascule, pont, bascula",
    ),
    _field(
        "odometer",
        "Odometer, km",
        "",
        "odometer, km, mileage, kilometerstand, kilometrage, cuentakilometros, kilometros",
    ),
    _field(
        "driver_in",
        "Driver in the cab",
        "Yes or no, or words that you state below.",
        "driver, driver in, fahrer, chauffeur, conducteur, conductor",
    ),
    _field(
        "direction",
        "Direction",
        "forward, reverse or both.",
        "direction, richtung, sens, sentido, direccion",
    ),
    _field("temperature", "Outside temperature, °C", "", "temperature, temp, temperatur, temperatura"),
    _field(
        "partner",
        "Plate of the unit coupled to it",
        "Then the weighbridge’s weight is that of both together. Two lines of one ticket that name each other are one combination.",
        "trailer, coupled, anhanger, auflieger, remorque, remolque",
    ),
    _field(
        "remark",
        "Remark",
        "",
        "remark, remarks, note, comment, bemerkung, notiz, remarque, observation, observaciones, nota",
    ),
    *(
        _group_field(position, side, label, tails)
        for position in range(1, MOST_GROUPS + 1)
        for side, label, tails in (
            ("reference", "weighbridge", "ref reference gross weight brutto brut bruto"),
            ("display", "display", "disp display anzeige afficheur affichage pantalla"),
        )
    ),
)
BY_CODE = {field.code: field for field in TICKET_FIELDS}
# Each inner list: at least one of these must have a column.
REQUIRED = (("plate",), ("ticket",), ("reference", "group.1.reference"), ("display",), ("moment", "date"))
UNIT_HINTS = (("t", r"\bt\b|\bto\b|\btonn"), ("lb", r"\blbs?\b|\bpounds?\b"), ("kg", r"\bkg\b|\bkilo"))


def fold(heading: str) -> str:
    """A heading for comparison: small letters without accents, words apart by one space, without units and brackets."""
    plain = heading.casefold().translate(str.maketrans("äáàâéèêëíìîïñóòôöúùûüç", "aaaaeeeeiiiinoooouuuuc"))
    plain = re.sub(r"[\W_]+", " ", plain.replace("ß", "ss"))
    return re.sub(r"\b(kg|t|to|lb|lbs)\b", " ", plain).strip().replace("  ", " ")


def suggest_columns(headings: Sequence[str]) -> dict[str, str]:
    """{field: heading} for the headings whose words are known: each field and each heading once, the best fit first."""
    fits = sorted(
        (
            (-_fit(word, fold(heading)), field_at, heading_at)
            for heading_at, heading in enumerate(headings)
            for field_at, field in enumerate(TICKET_FIELDS)
            for word in field.words
            if _fit(word, fold(heading))
        )
    )
    columns: dict[str, str] = {}
    for _, field_at, heading_at in fits:
        code, heading = TICKET_FIELDS[field_at].code, headings[heading_at]
        if code not in columns and heading not in columns.values():
            columns[code] = heading
    if "moment" in columns and "time" not in columns:
        columns.pop("date", None)
    return columns


def _fit(word: str, heading: str) -> int:
    """How well *word* explains *heading*: its length, and much more where it is the whole of it."""
    if word == heading:
        return 100 + len(word)
    return len(word) if re.search(rf"\b{re.escape(word)}\b", heading) else 0


def suggest_unit(headings: Sequence[str]) -> str:
    """The unit that the headings name most often; kilograms where they name none."""
    text = [heading.casefold().replace("_", " ") for heading in headings]
    counts = [(sum(bool(re.search(hint, heading)) for heading in text), unit) for unit, hint in UNIT_HINTS]
    most, unit = max(counts, key=lambda pair: pair[0])
    return unit if most else "kg"
