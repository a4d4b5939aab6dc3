"""The rare RTCM 3 messages that carry text: descriptors, free text, GLONASS biases. One message at a time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

#: Names of the counted strings of each descriptor message, in order; None is the 8-bit set-up number between them.
_DESCRIPTORS: dict[int, tuple[str | None, ...]] = {
    1007: ("antenna", None),
    1008: ("antenna", None, "antenna serial"),
    1033: ("antenna", None, "antenna serial", "receiver", "firmware", "receiver serial"),
}
_BIAS_SIGNALS = ("L1 C/A", "L1 P", "L2 C/A", "L2 P")
_MODIFIED_JULIAN = datetime(1858, 11, 17, tzinfo=UTC)


def _printable(raw: bytes, encoding: str) -> str:
    """Return `raw` as text without control characters; bytes that are no text become U+FFFD."""
    text = raw.decode(encoding, errors="replace")
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text).strip()


def descriptor_text(payload: bytes) -> str | None:
    """Return the descriptors of a 1007, 1008 or 1033 payload as ``name: value; ...``; None where it is cut short."""
    number = (payload[0] << 4) | (payload[1] >> 4)
    position, parts = 3, []
    for name in _DESCRIPTORS[number]:
        if position >= len(payload):
            return None
        if name is None:
            position += 1
            continue
        count = payload[position]
        raw = payload[position + 1:position + 1 + count]
        if len(raw) < count:
            return None
        position += 1 + count
        if raw.strip(b" \0"):
            parts.append(f"{name}: {_printable(raw, 'latin-1')}")
    return "; ".join(parts)


def free_text(payload: bytes) -> str | None:
    """Return the text of a 1029 payload (UTF-8 code units, counted); None where it is cut short."""
    value = int.from_bytes(payload[:9], "big")
    count = value & 0xFF
    raw = payload[9:9 + count]
    return _printable(raw, "utf-8") if len(payload) >= 9 and len(raw) == count else None


def bias_text(payload: bytes) -> str | None:
    """Return the code-phase biases [m] of a 1230 payload (16 bits, 0.02 m) as text; None where it is cut short."""
    if len(payload) < 4:
        return None
    mask, position, parts = payload[3] & 0xF, 32, []
    bits = int.from_bytes(payload, "big")
    for number, name in enumerate(_BIAS_SIGNALS):
        if not mask & (8 >> number):
            continue
        position += 16
        if position > len(payload) * 8:
            return None
        raw = (bits >> (len(payload) * 8 - position)) & 0xFFFF
        metre = (raw - 0x10000 if raw & 0x8000 else raw) * 0.02
        parts.append(f"{name} unknown" if raw == 0x8000 else f"{name} {metre:+.2f} m")
    return "GLONASS code-phase bias: " + (", ".join(parts) or "none")


def sent_at(payload: bytes) -> datetime | None:
    """Return the UTC moment that 1013 and 1029 carry (modified Julian day, second of day); None where impossible."""
    if len(payload) < 8:
        return None
    value = int.from_bytes(payload[:8], "big")
    day, second = (value >> 24) & 0xFFFF, (value >> 7) & 0x1FFFF
    return _MODIFIED_JULIAN + timedelta(days=day, seconds=second) if day and second < 86401 else None


TEXTS: dict[int, Callable[[bytes], str | None]] = {
    1007: descriptor_text, 1008: descriptor_text, 1029: free_text, 1033: descriptor_text, 1230: bias_text,
}
DATED = (1013, 1029)
