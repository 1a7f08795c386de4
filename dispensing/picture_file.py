"""A picture that somebody sent, made safe: decoded within limits, turned upright, written anew. None of its own bytes are kept.

Only JPEG and PNG are opened, whatever the file is called. The size is read from the header before anything is decoded. What is kept is
a JPEG of the pixels alone: no EXIF, no place, no time, no comment, no colour profile, no second picture inside.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass

from PIL import Image, ImageOps

from practice.errors import Invalid

MOST_BYTES = 16_000_000
MOST_PIXELS = 50_000_000  # the largest pictures of telephones in 2026; 10,000 x 10,000 is refused
LEAST_SIDE = 300  # below this a millimetre is less than two pixels on any face that fills the picture
KEPT_SIDE = 3600  # the longer side of what is kept: a face that fills it has 20 pixels to a millimetre
FORMATS = ("JPEG", "PNG")
CONTENT_TYPE = "image/jpeg"
_QUALITY = 90

# Everything Pillow raises for bytes that are not what they say: it promises no one class.
_BAD = (OSError, SyntaxError, ValueError, EOFError, TypeError, IndexError, KeyError, OverflowError, ZeroDivisionError)
_BOMBS = (Image.DecompressionBombError, Image.DecompressionBombWarning)


@dataclass(frozen=True, slots=True)
class PictureFile:
    """What is kept: JPEG bytes, their size in pixels and their SHA-256."""

    data: bytes
    width: int
    height: int
    sha256: str


def read_picture(sent: bytes) -> PictureFile:
    """Decode, turn upright, shrink to `KEPT_SIDE` at most, write anew. Invalid (field `picture`) says why it cannot be."""
    if len(sent) > MOST_BYTES:
        raise _refused(f"The file is larger than {MOST_BYTES // 1_000_000} MB.")
    if not sent:
        raise _refused("The file is empty.")
    try:
        with Image.open(io.BytesIO(sent), formats=FORMATS) as opened:
            width, height = opened.size
            if width * height > MOST_PIXELS:
                raise _refused(f"The picture has more than {MOST_PIXELS // 1_000_000} million pixels: {width} × {height}.")
            if min(width, height) < LEAST_SIDE:
                raise _refused(
                    f"The picture is too small to measure on: {width} × {height} pixels, at least {LEAST_SIDE} each way."
                )
            opened.draft("RGB", (KEPT_SIDE, KEPT_SIDE))  # a JPEG is decoded at half size where that is enough
            opened.load()
            upright = ImageOps.exif_transpose(opened)
            plain = _on_white(upright)
    except _BOMBS:
        raise _refused(f"The picture has more than {MOST_PIXELS // 1_000_000} million pixels.") from None
    except Image.UnidentifiedImageError:
        raise _refused("This is no JPEG and no PNG picture.") from None
    except MemoryError:
        raise _refused("The picture cannot be read.") from None
    except _BAD:
        raise _refused("The picture is damaged or cut short.") from None
    plain.thumbnail((KEPT_SIDE, KEPT_SIDE), Image.Resampling.LANCZOS)
    written = io.BytesIO()
    # a new image holds pixels and nothing else, so nothing else can be written
    clean = Image.frombytes("RGB", plain.size, plain.tobytes())
    clean.save(written, "JPEG", quality=_QUALITY, subsampling=0, optimize=True)
    data = written.getvalue()
    return PictureFile(data, clean.width, clean.height, hashlib.sha256(data).hexdigest())


def _on_white(picture: Image.Image) -> Image.Image:
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        through = picture.convert("RGBA")
        paper = Image.new("RGB", through.size, "white")
        paper.paste(through, mask=through.getchannel("A"))
        return paper
    return picture.convert("RGB")


def _refused(words: str) -> Invalid:
    return Invalid({"picture": words})
