"""What is taken as a photo of the log: judged by its bytes, whatever it is called."""

import base64
import contextlib
import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weirwatch.domain.errors import RefusedEntry
from weirwatch.pipeline.photos import MOST_BYTES, media_type_of, photo_from


def png(note: bytes = b"") -> bytes:
    """A whole picture of one grey pixel (ISO/IEC 15948), with a comment of any length."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    body = [chunk(b"IHDR", head), chunk(b"IDAT", zlib.compress(b"\0\x80"))]
    if note:
        body.append(chunk(b"tEXt", b"Comment\0" + note))
    return b"\x89PNG\r\n\x1a\n" + b"".join(body) + chunk(b"IEND", b"")


JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF" + b"\0" * 40 + b"\xff\xd9"
WEBP = b"RIFF" + struct.pack("<I", 30) + b"WEBPVP8 " + b"\0" * 22


def request(data: bytes, **more: object) -> dict[str, object]:
    return {"entry": 1, "data": base64.b64encode(data).decode(), **more}


@pytest.mark.parametrize(
    ("data", "media_type"),
    [(png(), "image/png"), (JPEG, "image/jpeg"), (WEBP, "image/webp")],
)
def test_the_bytes_say_what_it_is(data: bytes, media_type: str) -> None:
    photo, kept = photo_from(request(data), 0)
    assert (photo.media_type, photo.size, kept) == (media_type, len(data), data)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"GIF89a" + b"\0" * 40,
        b"%PDF-1.7",
        b"<html>" + JPEG,
        png()[:-12],
        JPEG[:-2],
        WEBP[:-1],
    ],
)
def test_what_is_no_picture_or_cut_short_is_refused(data: bytes) -> None:
    with pytest.raises(RefusedEntry):
        photo_from(request(data), 0)


def test_the_size_has_a_limit_with_its_cure() -> None:
    room = MOST_BYTES - len(png(b"x")) + 1
    photo_from(request(png(b"x" * room)), 0)
    with pytest.raises(RefusedEntry, match="shrink it to 1600 pixels"):
        photo_from(request(png(b"x" * (room + 1))), 0)


@pytest.mark.parametrize(
    "bad",
    [
        None,
        [],
        {"entry": 1},
        {"entry": "1", "data": ""},
        {"entry": 1, "data": "*"},
        {"entry": 1, "data": "", "more": 1},
        request(JPEG, who="a\nb"),
    ],
)
def test_a_request_that_is_none_is_refused(bad: object) -> None:
    with pytest.raises(RefusedEntry):
        photo_from(bad, 0)


@given(st.binary(max_size=200))
def test_no_bytes_break_it(data: bytes) -> None:
    with contextlib.suppress(RefusedEntry):
        assert media_type_of(data).startswith("image/")
