"""``postdrive base``: judge a static log at the base."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.inputs import add_inputs, input_paths, read_recording, read_setup
from analyzer.cli.words import out, progress, say, verb
from analyzer.errors import UsageError

#: No base stands higher [m].
_HIGHEST_M = 20_000


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "base", "judge a static log at the base: settled, fit to start from, shifted or not")
    add_inputs(parser)
    against = parser.add_mutually_exclusive_group()
    against.add_argument(
        "--expected", metavar="LAT,LON,H", help="where the antenna should stand: degrees, ellipsoidal height in metres"
    )
    against.add_argument(
        "--previous", metavar="DIR", type=Path, help="result folder of an earlier base log to hold this one against"
    )
    parser.add_argument(
        "--accuracy", metavar="M", type=float, help="horizontal repeatability (95 %%) the mean shall reach, in metres"
    )
    parser.add_argument(
        "--known",
        metavar="NAME=LAT,LON,H",
        action="append",
        default=[],
        help="another mark or base nearby; a shift onto it is named",
    )
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="result folder to make")
    parser.add_argument(
        "--overwrite", action="store_true", help="move an existing result folder aside and write a new one"
    )
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Read, judge, write."""
    from analyzer.comparing.base_check import check_base
    from analyzer.comparing.write import write_base
    from analyzer.results.folder import BASE, refuse_existing

    refuse_idle(args, "base", ("--line-rate",), where="on a log at the base, which receives no corrections", instead="give it to assess")
    refuse_existing(args.out, overwrite=args.overwrite, mark=BASE, inputs=input_paths(args))
    setup = read_setup(args)
    expected = parse_place(args.expected, "--expected") if args.expected else None
    neighbours = dict(parse_named(text) for text in args.known)
    recording = read_recording(args, setup)
    progress(args.quiet)("judging")
    check = check_base(
        recording,
        expected=expected,
        previous=args.previous,
        accuracy_m=args.accuracy,
        antenna_height_m=setup.base.antenna_height_m if setup else None,
        neighbours=neighbours,
        frame=setup.frame if setup else None,
    )
    aside = write_base(check, args.out, overwrite=args.overwrite)
    out("\n".join(check.sentences))
    if not args.quiet:
        if aside is not None:
            say(f"the older result now stands in {aside}")
        say(f"report to open: {args.out / 'report.html'}")
    return 0


def parse_place(text: str, option: str) -> tuple[float, float, float]:
    """Return latitude, longitude [deg] and height [m] of ``LAT,LON,H``."""
    place, why = _numbers(text)
    why = why or _out_of_range(place)
    if why:
        raise UsageError(
            f"{option} {text}: expected latitude, longitude in degrees and ellipsoidal height in metres, like "
            f"48.1,11.5,540.2; {why}."
        )
    return place[0], place[1], place[2]


def _numbers(text: str) -> tuple[list[float], str]:
    """Return the numbers of a place, and why they are none."""
    parts, place = [part.strip() for part in text.split(",")], []
    for part in parts:
        try:
            place.append(float(part))
        except ValueError:
            return [], f"'{part}' is no number"
        if not math.isfinite(place[-1]):
            return [], f"'{part}' is no finite number"
    if len(parts) == 2:
        return [], "the height is missing, there are latitude and longitude only"
    return place, "" if len(parts) == 3 else f"there {'is 1 number' if len(parts) == 1 else f'are {len(parts)} numbers'}"


def _out_of_range(place: list[float]) -> str:
    """Return which number of a place is out of range and why, nothing where none is."""
    latitude, longitude, height = place
    if abs(latitude) > 90:
        swapped = abs(latitude) <= 180 and abs(longitude) <= 90
        fit = f", and would be in range as longitude: swap the first two, {longitude:g},{latitude:g}" if swapped else ""
        return f"the latitude {latitude:g} is beyond 90 degrees{fit}"
    if abs(longitude) > 180:
        return f"the longitude {longitude:g} is beyond 180 degrees"
    if abs(height) >= _HIGHEST_M:
        unit, size = ("millimetres", 1000.0) if abs(height) >= 100 * _HIGHEST_M else ("centimetres", 100.0)
        return f"the height {height:g} is beyond {_HIGHEST_M} m; in {unit} it would be {height / size:g} m"
    return ""


def parse_named(text: str) -> tuple[str, tuple[float, float, float]]:
    """Return name and place of ``NAME=LAT,LON,H``."""
    name, _, place = text.rpartition("=")
    if not name:
        raise UsageError(f"--known {text}: expected a name and coordinates, like Hut=48.1,11.5,540.2.")
    return name, parse_place(place, f"--known {name}=")
