"""A few channels and taps of Harbour Hall, and messages made for them."""

from weirwatch.domain.instant import SECOND, Micros, from_rfc3339
from weirwatch.domain.reading import Channel
from weirwatch.ingest.codec import Codec
from weirwatch.ports import WireMessage
from weirwatch.settings import TapSettings

ROOT = "weirwatch"
NOW = from_rfc3339("2026-05-01T12:00:00Z")
READINGS = "weirwatch/harbour-hall/sump-node/readings"
CONNECTION = "weirwatch/harbour-hall/sump-node/connection"

CHANNELS = (
    Channel("harbour-hall/sump-node/level", "level", "mm"),
    Channel("harbour-hall/sump-node/temperature", "temperature", "Cel"),
    Channel("harbour-hall/sump-node/return-flow", "flow", "L/h"),
    Channel("harbour-hall/sump-node/conductivity", "conductivity", "mS/cm"),
    Channel("harbour-hall/sump-node/ph", "ph", "pH"),
    Channel("harbour-hall/sump-node/alkalinity", "alkalinity", "dKH"),
    Channel("harbour-hall/sump-node/top-off", "switch"),
    Channel("harbour-hall/sump-node/top-off/runs", "count", "count"),
    Channel("harbour-hall/power-node/mains", "switch"),
    Channel("harbour-hall/power-node/room-humidity", "humidity", "/100"),
    Channel("harbour-hall/bench-node/floor-dry", "switch"),
    Channel("harbour-hall/bench-node/gas-valve", "switch"),
    Channel("harbour-hall/bench-node/room-temperature", "temperature", "Cel"),
    Channel("harbour-hall/bench-node/reservoir-level", "level", "mm"),
    Channel("harbour-hall/bench-node/room-co2", "gas", "ppm"),
)

TAPS = (
    TapSettings("bench/floor", "harbour-hall/bench-node/floor-dry"),
    TapSettings(
        "bench/valve", "harbour-hall/bench-node/gas-valve", words={"Open": 1.0, "closed": 0.0}
    ),
    TapSettings("bench/room/fahrenheit", "harbour-hall/bench-node/room-temperature", unit="degF"),
    TapSettings(
        "bench/+/report",
        "harbour-hall/bench-node/room-temperature",
        pointer="/probes/0/value",
        time_pointer="/time",
    ),
    TapSettings("bench/+/report", "harbour-hall/bench-node/room-co2", pointer="/co2"),
    TapSettings(
        "bench/reservoir",
        "harbour-hall/bench-node/reservoir-level",
        unit="cm",
        scale=-0.5,
        offset=60.0,
    ),
)


def make_codec() -> Codec:
    """Return a codec for the channels and taps of this file."""
    return Codec(CHANNELS, TAPS, ROOT, 60 * SECOND)


def message(
    topic: str, payload: bytes | str, *, received: Micros = NOW, retained: bool = False
) -> WireMessage:
    """Return a message as the transport would."""
    body = payload.encode() if isinstance(payload, str) else payload
    return WireMessage(1, 1, 1, topic, body, received, retained)
