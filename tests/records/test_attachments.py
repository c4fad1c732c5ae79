"""What is kept of a photo or a document, and what is not."""

import hashlib
from io import BytesIO

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image
from PIL.ExifTags import GPS, IFD, Base

from fleetcal.ledger.refusals import Refused
from fleetcal.ledger.selectors import count_of, entries_of
from fleetcal.ledger.verification import verify
from fleetcal.records import evidence_files
from fleetcal.records.evidence_files import clean_file
from fleetcal.records.models import Attachment, Repair
from fleetcal.records.services import attachments
from fleetcal.records.services.attachments import add_attachment
from tests.factories import make_policy, make_user, make_vehicle
from tests.records.test_repairs import draft_of, record_repair

PDF = b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\ntrailer\n<<>>\n%%EOF\n"


def make_photo(kind: str = "JPEG", size: tuple[int, int] = (40, 20), *, turned: bool = False) -> bytes:
    """A red left half and a blue right half, with a place in its EXIF, a comment and a maker."""
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[Base.Make] = "Invented Optics"
    if turned:
        exif[Base.Orientation] = 6  # turn 90° clockwise to see it upright
    exif.get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] = (52.0, 13.0, 5.0)
    content = BytesIO()
    if kind == "JPEG":
        image.save(content, kind, exif=exif, comment=b"secret yard")
    else:
        image.save(content, kind, exif=exif)
    return content.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_picture_is_kept_without_place_maker_or_comment(kind: str):
    original = make_photo(kind)
    assert dict(Image.open(BytesIO(original)).getexif().get_ifd(IFD.GPSInfo))
    kept = clean_file(original)
    with Image.open(BytesIO(kept.content)) as image:
        assert image.format == kind
        assert not dict(image.getexif())
        assert "comment" not in image.info
    assert b"Invented Optics" not in kept.content
    assert b"secret yard" not in kept.content


def test_a_turned_picture_is_kept_upright():
    with Image.open(BytesIO(clean_file(make_photo(turned=True)).content)) as image:
        assert image.size == (20, 40)
        red, _, blue = image.convert("RGB").getpixel((10, 5))  # type: ignore[misc]
    assert red > 200 > 60 > blue


def test_a_document_is_kept_as_it_is():
    assert clean_file(PDF).content == PDF
    assert clean_file(PDF).media_type == "application/pdf"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"<html><script>alert(1)</script></html>", "none of them"),
        (b"GIF89a" + bytes(40), "none of them"),
        (b"\xff\xd8\xff\xe0 not a picture", "none of them"),
        (make_photo()[:200], "damaged"),
        (b"%PDF-" + bytes(10 * 1024 * 1024), "10.0 MB; at most 10 MB"),
    ],
)
def test_anything_else_is_refused(content: bytes, words: str):
    with pytest.raises(Refused, match=words):
        clean_file(content)


def test_a_picture_that_would_fill_the_memory_is_refused(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(evidence_files, "MOST_PIXELS", 700)
    with pytest.raises(Refused, match="40 × 20 pixels"):
        clean_file(make_photo())


@pytest.fixture
def repair(db: None) -> Repair:
    make_policy()
    return record_repair(draft_of(make_vehicle()), actor=make_user())


def upload(content: bytes, name: str = "..\\..\\yard/ticket\x07.exe") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content)


def test_what_is_kept_is_what_the_record_digests(repair: Repair):
    photo = SimpleUploadedFile("front.png", make_photo())
    found = add_attachment(actor=make_user(), vehicle=repair.vehicle, record_id=repair.pk, upload=photo)
    stored = Attachment.objects.get(pk=found.pk)
    with default_storage.open(stored.file.name) as file:
        content = file.read()
    assert hashlib.sha256(content).hexdigest() == stored.sha256
    assert len(content) == stored.size
    assert (stored.media_type, stored.name) == ("image/jpeg", "front.jpg")
    entry = entries_of(repair.vehicle.stream)[-1]
    assert entry.kind == "attachment.added"
    assert entry.data["rows"]["records.attachment"][0]["sha256"] == stored.sha256


def test_the_same_file_twice_is_stored_once(repair: Repair):
    first, second = (
        add_attachment(actor=make_user(), vehicle=repair.vehicle, record_id=repair.pk, upload=upload(PDF))
        for _ in range(2)
    )
    assert first.file.name == second.file.name
    assert len(default_storage.listdir(first.sha256[:2])[1]) == 1


def test_a_file_for_no_record_of_the_vehicle_is_refused(repair: Repair):
    other = make_vehicle("KJ-205")
    with pytest.raises(Refused, match="no such record"):
        add_attachment(actor=make_user(), vehicle=other, record_id=repair.pk, upload=upload(PDF))


def test_a_full_disk_leaves_neither_row_nor_entry(repair: Repair, monkeypatch: pytest.MonkeyPatch):
    before = count_of(repair.vehicle.stream)

    def save(*_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(attachments.default_storage, "save", save)
    with pytest.raises(OSError, match="No space"):
        add_attachment(actor=make_user(), vehicle=repair.vehicle, record_id=repair.pk, upload=upload(PDF))
    assert count_of(repair.vehicle.stream) == before
    assert not Attachment.objects.exists()


@pytest.mark.django_db
def test_verification_finds_a_file_that_was_changed_and_one_that_is_gone():
    make_policy()
    vehicle, actor = make_vehicle(), make_user()
    repair = record_repair(draft_of(vehicle), actor=actor)
    kept = [
        add_attachment(
            actor=actor,
            vehicle=vehicle,
            record_id=repair.pk,
            upload=SimpleUploadedFile(name, PDF + name.encode()),
        )
        for name in ("sound.pdf", "changed.pdf", "gone.pdf")
    ]
    assert list(verify()) == []
    with open(kept[1].file.path, "ab") as changed:
        changed.write(b"% one line more\n")
    default_storage.delete(kept[2].file.name)
    findings = {finding.row: finding for finding in verify()}
    assert findings.keys() == {str(kept[1].pk), str(kept[2].pk)}
    assert findings[str(kept[1].pk)].what == "the file was changed"
    assert findings[str(kept[1].pk)].in_entry == kept[1].sha256
    assert findings[str(kept[2].pk)].what == "the file is missing"
