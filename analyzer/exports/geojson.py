"""GeoJSON (RFC 7946): WGS 84 longitude, latitude, ellipsoidal height; lines cut at ±180°."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.exports.lines import cut, iso_times, pieces, rule
from analyzer.exports.route import Route
from analyzer.results.summary import json_safe


def geojson(route: Route) -> Iterator[str]:
    """Yield a FeatureCollection, one feature a line.

    Features have a ``kind``: ``route`` (a stretch of one fix state and one trust), ``dropout``, ``manoeuvre`` or
    ``standstill``. A stretch has the ellipsoidal height as third coordinate where it is known all along.
    """
    yield '{"type":"FeatureCollection",\n'
    about = f"{route.title}. Heights are ellipsoidal, positions as logged. {rule(route.spacing_m)}"
    yield f'"name":{_text(route.run)},"about":{_text(about)},\n"features":['
    first = True
    for feature in (*_beside(route), None):
        if feature is not None:
            yield f"{'' if first else ','}\n{_text(feature)}"
            first = False
    for feature in _stretches(route):
        yield f"{'' if first else ','}\n{_text(feature)}"
        first = False
    yield "\n]}\n"
