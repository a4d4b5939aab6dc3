"""A short log for tests of the whole way: at rest, fixed, at 5 Hz from 2026-03-24 09:00:00 UTC on."""

from __future__ import annotations

from pathlib import Path


def write_stand(path: Path, *, seconds: int = 20) -> Path:
    """Write the log, NMEA 0183 with checksums."""
    lines = []
    for k in range(5 * seconds):
        clock = f"0900{k / 5:05.2f}"
        for body in (f"GNGGA,{clock},4806.0180000,N,01106.0180000,E,4,20,0.6,500.000,M,45.000,M,0.6,0017",
                     f"GNRMC,{clock},A,4806.0180000,N,01106.0180000,E,0.00,90.00,240326,,,R"):
            check = 0
            for sign in body:
                check ^= ord(sign)
            lines.append(f"${body}*{check:02X}\r\n")
    path.write_text("".join(lines), newline="")
    return path
