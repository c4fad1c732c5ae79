from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

import pytest
from django.utils import timezone

from fleetcal.fleet.instrument_book import InstrumentBook
from fleetcal.fleet.models import Certificate, Instrument, InstrumentFinding
from fleetcal.fleet.services.instruments import (
    InstrumentDraft,
    NewCertificate,
    NewFinding,
    change_instrument,
    record_certificate,
    record_finding,
    register_instrument,
)
from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import entries_of
from fleetcal.ledger.services import FLEET_STREAM
from fleetcal.ledger.verification import verify
from tests.factories import VALID_UNTIL, VERIFIED_ON, make_instrument, make_user, registrar

pytestmark = pytest.mark.django_db
DRAFT = InstrumentDraft(
    "Skerrow pads", "pads", "IIII", Decimal(50), Decimal(50), Decimal(10_000), "Brackwell & Tarn Bulk Haulage"
)
CERTIFICATE = NewCertificate("C-2", "Hexley Metrology", date(2025, 1, 1), date(2025, 12, 31))
FINDING = NewFinding(date(2025, 2, 1), date(2025, 3, 1), date(2025, 3, 1), "A load cell was cracked.")


def kinds() -> list[str]:
    return [
        entry.kind for entry in entries_of(FLEET_STREAM) if not entry.kind.startswith(("account", "depot"))
    ]


def test_an_instrument_is_registered_and_changed() -> None:
    instrument = register_instrument(DRAFT, actor=make_user())
    changed = change_instrument(
        instrument,
        replace(DRAFT, owner="Hexley", retired_on=date(2025, 1, 1)),
        actor=make_user(),
        reason="sold",
    )
    assert (changed.pk, changed.owner) == (instrument.pk, "Hexley")
    assert kinds() == ["instrument.registered", "instrument.changed"]
    assert list(verify()) == []


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"name": "Millbridge weighbridge"}, "name", "already exists"),
        ({"capacity_kg": Decimal(50)}, "capacity_kg", "capacity of 50 kg is not above .* 50 kg"),
        ({"e_kg": Decimal(-5)}, "e_kg", "greater than or equal to"),
        ({"scale_class": "II"}, "scale_class", "not a valid choice"),
    ],
)
def test_an_instrument_that_cannot_be_is_refused_and_leaves_nothing(
    change: dict[str, Any], field: str, words: str
) -> None:
    make_instrument()
    before = kinds()
    with pytest.raises(Refused, match=words) as refusal:
        register_instrument(replace(DRAFT, **change), actor=registrar())
    assert refusal.value.field == field
    assert kinds() == before
    assert Instrument.objects.count() == 1


def test_a_certificate_keeps_its_points_in_order_of_load() -> None:
    points = ((Decimal(20_000), Decimal(14)), (Decimal(5_000), Decimal("8.5")))
    certificate = record_certificate(
        replace(CERTIFICATE, points=points), actor=make_user(), instrument=make_instrument()
    )
    assert certificate.points == [["5000", "8.5"], ["20000", "14"]]
    assert kinds()[-1] == "certificate.recorded"
    assert list(verify()) == []


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"valid_until": date(2024, 1, 1)}, "valid_until", "until 2024-01-01, but verified on 2025-01-01"),
        ({"k": Decimal("0.5")}, "k", "k of 0.5 is below 1"),
        ({"points": ((Decimal(0), Decimal(3)),)}, "points", "load of 0 kg an uncertainty of 3 kg"),
        ({"points": ((Decimal(5), Decimal(3)), (Decimal(5), Decimal(4)))}, "points", "5 kg is given twice"),
        ({"number": "C-1"}, "", "already exists"),
        ({"number": " "}, "number", "cannot be blank"),
    ],
)
def test_a_certificate_that_cannot_be_is_refused(change: dict[str, Any], field: str, words: str) -> None:
    instrument = make_instrument()
    with pytest.raises(Refused, match=words) as refusal:
        record_certificate(replace(CERTIFICATE, **change), actor=registrar(), instrument=instrument)
    assert refusal.value.field == field
    assert Certificate.objects.count() == 1


def test_an_instrument_that_counts_by_its_certificate_needs_points() -> None:
    instrument = make_instrument(scale_class="certificate", certificate=False)
    with pytest.raises(Refused, match="counts by its certificate"):
        record_certificate(CERTIFICATE, actor=registrar(), instrument=instrument)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"wrong_until": date(2025, 1, 1)}, "wrong_until"),
        ({"found_on": date(2025, 1, 1)}, "found_on"),
        ({"found_on": timezone.localdate() + timedelta(days=2)}, "found_on"),
        ({"what": " "}, "what"),
    ],
)
def test_a_finding_that_cannot_be_is_refused(change: dict[str, Any], field: str) -> None:
    instrument = make_instrument()
    with pytest.raises(Refused) as refusal:
        record_finding(replace(FINDING, **change), actor=registrar(), instrument=instrument)
    assert refusal.value.field == field
    assert not InstrumentFinding.objects.exists()


def test_an_instrument_counts_from_its_certificate_to_its_end() -> None:
    instrument = make_instrument()
    book = InstrumentBook()
    assert book.validity(instrument.pk, VERIFIED_ON).valid
    assert book.validity(instrument.pk, VALID_UNTIL).valid
    before = book.validity(instrument.pk, VERIFIED_ON - timedelta(days=1))
    after = book.validity(instrument.pk, VALID_UNTIL + timedelta(days=1))
    assert (before.valid, before.why_not) == (False, "its first certificate is of 10 Jan 2023")
    assert (after.valid, after.why_not) == (False, "certificate C-1 ended on 9 Jan 2030")


def test_of_two_certificates_in_force_the_newest_counts() -> None:
    instrument = make_instrument()
    record_certificate(CERTIFICATE, actor=registrar(), instrument=instrument)
    book = InstrumentBook([instrument.pk])
    in_force = [book.validity(instrument.pk, day).certificate for day in (date(2025, 6, 1), date(2026, 6, 1))]
    assert [each.number if each else None for each in in_force] == ["C-2", "C-1"]


def test_an_instrument_found_wrong_does_not_count_in_that_time_once_that_is_known() -> None:
    instrument = make_instrument()
    then = timezone.now()
    record_finding(FINDING, actor=registrar(), instrument=instrument)
    book = InstrumentBook()
    day = date(2025, 2, 10)
    assert "wrong from 1 Feb 2025 to 1 Mar 2025" in book.validity(instrument.pk, day).why_not
    assert book.validity(instrument.pk, day, known_at=then).valid
    assert book.validity(instrument.pk, date(2025, 3, 2)).valid


def test_a_certificate_counts_only_from_the_moment_it_was_recorded_on() -> None:
    instrument = make_instrument(certificate=False)
    then = timezone.now()
    record_certificate(CERTIFICATE, actor=registrar(), instrument=instrument)
    book = InstrumentBook()
    assert book.validity(instrument.pk, date(2025, 6, 1)).valid
    assert (
        book.validity(instrument.pk, date(2025, 6, 1), known_at=then).why_not == "no certificate is on record"
    )


def test_a_retired_instrument_no_longer_counts() -> None:
    instrument = make_instrument(retired_on=date(2025, 1, 1))
    book = InstrumentBook()
    assert book.validity(instrument.pk, date(2025, 1, 1)).valid
    assert "retired on 1 Jan 2025" in book.validity(instrument.pk, date(2025, 1, 2)).why_not


def test_a_book_of_chosen_instruments_knows_no_others_and_asks_nothing_more(
    django_assert_num_queries: Any,
) -> None:
    chosen, other = make_instrument(), make_instrument("Millbridge pads", kind="pads")
    with django_assert_num_queries(3):
        book = InstrumentBook([chosen.pk])
        assert book.validity(chosen.pk, date(2025, 1, 1)).valid
        assert chosen.pk in book
        assert other.pk not in book
        with pytest.raises(Refused, match="no such reference instrument"):
            book.terms(UUID(int=1))


def test_support_ends_with_the_certificate_and_with_the_instruments_retirement() -> None:
    kept, retired = make_instrument(), make_instrument("Old bridge", retired_on=date(2025, 1, 1))
    book = InstrumentBook()
    assert book.supports([kept.pk, retired.pk], date(2025, 1, 1)) == (True, None)
    assert book.supports([kept.pk, retired.pk], date(2025, 1, 2)) == (False, None)
    assert book.supports([kept.pk], VALID_UNTIL + timedelta(days=1)) == (False, None)


def test_support_names_the_first_day_on_which_an_instrument_was_found_wrong() -> None:
    instrument, day = make_instrument(), date(2025, 2, 10)
    before = timezone.now()
    for found_on in (date(2025, 4, 1), date(2025, 3, 5)):
        record_finding(replace(FINDING, found_on=found_on), actor=registrar(), instrument=instrument)
    book = InstrumentBook()
    assert book.supports([instrument.pk], day) == (True, date(2025, 3, 5))
    assert book.supports([instrument.pk], day, known_at=before) == (True, None)
    assert book.supports([instrument.pk], date(2025, 3, 2)) == (True, None)
