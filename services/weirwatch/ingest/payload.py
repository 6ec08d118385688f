"""From bytes to plain data: JSON, SenML CBOR and text, with one sentence for what is wrong."""

import json
from collections.abc import Mapping
from typing import Any

import cbor2
import msgspec

from weirwatch.domain.errors import BadPayload

MAX_BYTES = 64 * 1024

_decode_json = msgspec.json.Decoder().decode
_SELF_DESCRIBED = b"\xd9\xd9\xf7"  # RFC 8949, 3.4.6: "this is CBOR"

# RFC 8428, table "CBOR Representation: Integers for Map Keys".
_CBOR_LABELS = {
    -1: "bver",
    -2: "bn",
    -3: "bt",
    -4: "bu",
    -5: "bv",
    -6: "bs",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}


def load_json(payload: bytes) -> Any:
    """Return the JSON value, tolerant of what the careful parser refuses but people send.

    NaN, Infinity and numbers beyond a float's range come back as such, so that one broken probe
    does not spoil the other readings of its node; whoever uses a number must check it.

    Raises:
        BadPayload: not JSON.
    """
    try:
        return _decode_json(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return _load_tolerantly(payload, error)


def _load_tolerantly(payload: bytes, first: Exception) -> Any:
    try:
        return json.loads(payload.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        why = "nested too deep" if isinstance(first, RecursionError) else str(first)
        raise BadPayload(f"the payload is not JSON ({why})") from None


def load_pack(payload: bytes) -> Any:
    """Return a SenML pack from JSON or CBOR, with JSON's labels; told apart by the first byte.

    Raises:
        BadPayload: neither JSON nor CBOR.
    """
    if payload[:1] == b"[":
        return load_json(payload)
    if payload.startswith(_SELF_DESCRIBED):
        return _load_cbor(payload[len(_SELF_DESCRIBED) :])
    if b"\x80" <= payload[:1] <= b"\x9f":  # a CBOR array; no JSON text starts so
        return _load_cbor(payload)
    if not payload:
        raise BadPayload("the payload is empty: send a SenML pack")
    return load_json(payload)


def _load_cbor(payload: bytes) -> Any:
    try:
        pack = cbor2.loads(payload)
    except (cbor2.CBORError, ValueError, TypeError, OverflowError, RecursionError) as error:
        raise BadPayload(f"the payload is neither JSON nor CBOR ({error})") from None
    if not isinstance(pack, list):
        return pack
    return [_with_words(record) for record in pack]


def _with_words(record: Any) -> Any:
    if not isinstance(record, Mapping):
        return record
    return {_CBOR_LABELS.get(label, str(label)): value for label, value in record.items()}


def load_text(payload: bytes) -> str:
    """Return the payload as text without surrounding white space.

    Raises:
        BadPayload: not UTF-8.
    """
    try:
        return payload.decode("utf-8-sig").strip(" \t\r\n\0")
    except UnicodeDecodeError:
        raise BadPayload("the payload is not text (UTF-8)") from None
