"""Photos that go with an entry of the log: what is taken as one, judged by its bytes alone."""

import base64
import binascii
import hashlib
from collections.abc import Mapping
from typing import Any

import msgspec

from weirwatch.domain.errors import RefusedEntry
from weirwatch.domain.instant import Micros, to_rfc3339
from weirwatch.domain.keeper_log import Photo

MOST_BYTES = 700_000  # 1600 pixels of a phone's JPEG are about 400 kB; fits one control message
MOST_OF_ENTRY = 12
MEDIA_TYPES = ("image/jpeg", "image/png", "image/webp")
_PNG_END = b"IEND\xaeB`\x82"


class PhotoRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A photo for an entry; `data` is base64."""

    entry: int
    data: str
    who: str = ""


def photo_from(request: object, now: Micros) -> tuple[Photo, bytes]:
    """Return the photo of a request, not stored yet, and its bytes.

    Raises:
        RefusedEntry: it is none, or too large.
    """
    try:
        wanted = msgspec.convert(request, PhotoRequest)
        data = base64.b64decode(wanted.data, validate=True)
    except (msgspec.ValidationError, binascii.Error, ValueError) as error:
        raise RefusedEntry(f"not a photo for the log: {error}") from error
    if len(data) > MOST_BYTES:
        raise RefusedEntry(
            f"a photo of {len(data)} bytes is larger than {MOST_BYTES}: shrink it to 1600 pixels"
        )
    if len(wanted.who) > 200 or not wanted.who.isprintable():
        raise RefusedEntry("who is no name")
    digest = hashlib.sha256(data).hexdigest()
    return Photo(wanted.entry, now, media_type_of(data), len(data), digest, wanted.who), data


def media_type_of(data: bytes) -> str:
    """Return the media type that the bytes themselves show; the name says nothing.

    Sources: ISO/IEC 10918-1 annex B (SOI, EOI), PNG (ISO/IEC 15948) 5.2, WebP container (RFC 9649).

    Raises:
        RefusedEntry: it is neither JPEG nor PNG nor WebP, or it is cut short.
    """
    if data.startswith(b"\xff\xd8\xff"):
        whole, found = b"\xff\xd9" in data[-64:], "image/jpeg"
    elif data.startswith(b"\x89PNG\r\n\x1a\n") and data[12:16] == b"IHDR":
        whole, found = data.endswith(_PNG_END), "image/png"
    elif data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        whole, found = int.from_bytes(data[4:8], "little") + 8 <= len(data) > 20, "image/webp"
    else:
        raise RefusedEntry("this is neither a JPEG nor a PNG nor a WebP picture")
    if not whole:
        raise RefusedEntry("this picture is cut short: send it again")
    return found


def photo_json(photo: Photo) -> Mapping[str, Any]:
    """Return a photo as API and command line show it."""
    return {
        "number": photo.number,
        "entry": photo.entry,
        "added_at": to_rfc3339(photo.added_at),
        "who": photo.who or None,
        "media_type": photo.media_type,
        "bytes": photo.size,
        "sha256": photo.sha256,
    }
