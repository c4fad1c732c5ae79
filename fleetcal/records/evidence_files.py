"""Photos and documents as they are kept: known by their content, images drawn anew without anything but their picture."""

import hashlib
import warnings
from dataclasses import dataclass
from io import BytesIO

from PIL import Image, ImageOps

from fleetcal.ledger.refusals import Refused

LARGEST_BYTES = 10 * 1024 * 1024
# A picture of this many pixels takes a few hundred megabytes while it is drawn anew.
MOST_PIXELS = 60_000_000
IMAGE_TYPES = {"JPEG": ("image/jpeg", "jpg"), "PNG": ("image/png", "png"), "WEBP": ("image/webp", "webp")}
JPEG_QUALITY = 90


@dataclass(frozen=True, slots=True)
class KeptFile:
    content: bytes
    media_type: str
    extension: str

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


def clean_file(content: bytes) -> KeptFile:
    """What is kept of *content*. `Refused` above 10 MB and for anything but JPEG, PNG, WebP and PDF, whatever its name says."""
    if not content:
        raise Refused("The file is empty.", field="upload")
    if len(content) > LARGEST_BYTES:
        raise Refused(
            f"The file has {len(content) / 1024 / 1024:.1f} MB; at most {LARGEST_BYTES // 1024 // 1024} MB are kept.",
            field="upload",
        )
    if content.startswith(b"%PDF-"):
        return KeptFile(content, "application/pdf", "pdf")
    return _draw_anew(content)


def _draw_anew(content: bytes) -> KeptFile:
    try:
        with warnings.catch_warnings():
            # Pillow only warns of an image that is too large to be meant; the limit below says so in words.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(BytesIO(content), formats=list(IMAGE_TYPES)) as image:
                kind = image.format or ""
                if image.width * image.height > MOST_PIXELS:
                    raise Refused(
                        f"The picture has {image.width} × {image.height} pixels; at most {MOST_PIXELS // 1_000_000} million "
                        "are kept.",
                        field="upload",
                    )
                upright = ImageOps.exif_transpose(image)
                # A new image of the same pixels: comments, location and thumbnails stay behind.
                picture = upright.convert(_plain_mode(upright, kind))
                fresh = Image.new(picture.mode, picture.size)
                fresh.paste(picture)
    except Refused:
        raise
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise Refused(
            "Only JPEG, PNG and WebP pictures and PDF documents are kept; this file is none of them, or it is damaged.",
            field="upload",
        ) from error
    media_type, extension = IMAGE_TYPES[kind]
    kept = BytesIO()
    if kind == "PNG":
        fresh.save(kept, kind)
    else:
        fresh.save(kept, kind, quality=JPEG_QUALITY)
    return KeptFile(kept.getvalue(), media_type, extension)


def _plain_mode(image: Image.Image, kind: str) -> str:
    if image.mode == "L":
        return "L"
    has_alpha = image.mode in {"RGBA", "LA", "PA"} or "transparency" in image.info
    return "RGBA" if has_alpha and kind != "JPEG" else "RGB"
