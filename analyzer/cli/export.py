"""``postdrive export DIR``: a result as GeoJSON, KML, GPX, CSV or Parquet."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from analyzer.cli.arguments import refuse_idle
from analyzer.cli.words import out, verb

FORMATS = ("geojson", "kml", "gpx", "csv", "parquet")
TABLES = ("epochs", "dropouts", "standstills", "jumps", "windows", "segments")


def add_parser(verbs: Any) -> None:
    """Add the verb."""
    parser = verb(verbs, "export", "write a result as GeoJSON, KML, GPX, CSV or Parquet and print the file's name")
    parser.add_argument("dir", metavar="DIR", type=Path, help="result folder written by assess")
    parser.add_argument("--format", required=True, choices=FORMATS, help="geojson has ellipsoidal heights, kml and gpx heights above the geoid")
    parser.add_argument("--out", metavar="FILE", type=Path, help="file to write; default export_route or export_TABLE in DIR")
    parser.add_argument("--spacing", metavar="M", type=float, help="maps: metres along the route between points (default 1; 0 for "
                        "every epoch); changes of state, trust, station, dropout or manoeuvre are always kept")
    parser.add_argument("--table", choices=TABLES, help="csv and parquet: which table (default epochs)")
    parser.add_argument("--overwrite", action="store_true", help="replace the file where it exists")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Write the file and print its name."""
    from analyzer.exports.export import MAPS, SPACING_M, export

    option, fits = ("--table", "csv or parquet") if args.format in MAPS else ("--spacing", "geojson, kml or gpx")
    refuse_idle(args, "export", (option,), where=f"on {args.format}", instead=f"choose --format {fits}")
    spacing_m = SPACING_M if args.spacing is None else args.spacing
    path = export(args.dir, args.format, out=args.out, spacing_m=spacing_m, table=args.table or "epochs", overwrite=args.overwrite)
    out(str(path))
    return 0
