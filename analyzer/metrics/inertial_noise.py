"""Figures of a standing sensor: norm against gravity, gyro bias, noise by Allan deviation."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.stats import t as student

from analyzer.metrics.allan import allan_deviation, read_floor, read_slope
from analyzer.metrics.inertial_rest import FORCES, RATES
from analyzer.metrics.inertial_timing import FILE
from analyzer.metrics.metric import Metric, missing
from analyzer.recording import Finding
from analyzer.settings import thresholds

BIAS_METHOD = "mean over all rests, weighted by length; holds the earth rate of at most 15 deg/h"
NORM_METHOD = "norm of the mean specific force at rest less normal gravity (Somigliana, WGS84, free-air height term)"


def rest_metrics(rests: pd.DataFrame, *, method: str, gravity_mps2: float | None) -> list[Metric]:
    """Return rest length, norm error and gyro bias from the table of `inertial_rest.rest_figures`."""
    out = [Metric("inertial_rest_s", float(rests["duration_s"].sum()), "s", len(rests), method)]
    if rests.empty:
        why = "no rest was found in the inertial data"
        out.append(missing("inertial_norm_error_mps2", "m/s2", NORM_METHOD, why))
        return out + [missing(f"inertial_bias_{name}", "rad/s", BIAS_METHOD, why) for name in RATES]
    if gravity_mps2 is None:
        out.append(missing("inertial_norm_error_mps2", "m/s2", NORM_METHOD, "no position, so normal gravity is "
                                                                            "unknown"))
    else:
        out.append(_weighted("inertial_norm_error_mps2", "m/s2", rests["norm_error_mps2"], rests, method=NORM_METHOD,
                             none="an accelerometer axis is not recorded"))
    return out + [_weighted(f"inertial_bias_{name}", "rad/s", rests[name], rests, method=BIAS_METHOD,
                            none="this axis is not recorded") for name in RATES]


def _weighted(key: str, unit: str, values: pd.Series, rests: pd.DataFrame, *, method: str, none: str) -> Metric:
    """Return the mean of `values` weighted by rest length; its interval is the spread between rests (three or more)."""
    known = values.notna().to_numpy()
    series, weight = values.to_numpy(np.float64)[known], rests["duration_s"].to_numpy(np.float64)[known]
    n = len(series)
    if not n:
        return missing(key, unit, method, none)
    mean = float(np.average(series, weights=weight))
    interval = None
    if n >= 3:
        share = weight / weight.sum()
        # Unbiased for weights: the error of a weighted mean with unequal lengths.
        error = float(np.sqrt((share**2 * (series - mean) ** 2).sum() * n / (n - 1))) * float(student.ppf(0.975, n - 1))
        interval = (mean - error, mean + error)
    return Metric(key, mean, unit, n, method, interval)


def rest_findings(rests: pd.DataFrame, metrics: list[Metric]) -> Iterator[Finding]:
    """Yield what the rests say in words: axis of gravity, wrong unit, norm and bias beyond their limits."""
    if rests.empty:
        return
    limit = thresholds(*FILE)
    weight = rests["duration_s"].to_numpy(np.float64)
    force = np.average(rests[list(FORCES)].to_numpy(np.float64), axis=0, weights=weight)
    norm = float(np.sqrt((force**2).sum()))
    if np.isfinite(norm):
        yield from _gravity_findings(force, norm)
    by_key = {m.key: m for m in metrics}
    error = by_key["inertial_norm_error_mps2"]
    if isinstance(error.value, float) and limit["rest.norm_error_mps2"] < abs(error.value) < 2.0:
        yield Finding("inertial_norm_error", "warning",
                      f"At rest the specific force is {error.value:+.3f} m/s2 off normal gravity: "
                      "an accelerometer bias or scale error; calibrate before accelerations are used.",
                      {"norm_error_mps2": error.value, "limit_mps2": limit["rest.norm_error_mps2"]})
    for name, word in zip(RATES, ("roll", "pitch", "yaw"), strict=True):
        bias = by_key[f"inertial_bias_{name}"].value
        if isinstance(bias, float) and abs(bias) > limit["rest.gyro_bias_radps"]:
            yield Finding("inertial_gyro_bias", "warning",
                          f"The {word} rate shows {np.rad2deg(bias):+.3f} deg/s at rest, more than the 0.1 deg/s "
                          "of vehicle "
                          "tests: subtract it before use.", {"axis": name, "bias_radps": bias})


def _gravity_findings(force: np.ndarray[tuple[int], np.dtype[np.float64]], norm: float) -> Iterator[Finding]:
    """Yield findings about the direction and unit of the specific force at rest."""
    share = thresholds(*FILE)["rest.gravity_axis_share"]
    evidence = {"x_mps2": float(force[0]), "y_mps2": float(force[1]), "z_mps2": float(force[2]), "norm_mps2": norm}
    if norm < 0.5:
        yield Finding("inertial_gravity_removed", "warning",
                      f"At rest the specific force is {norm:.2f} m/s2: gravity was removed before logging, "
                      "so neither its norm nor a tilt can be checked.", evidence)
    elif 0.8 < norm < 1.2:
        yield Finding("inertial_unit", "problem",
                      f"At rest the specific force has the norm {norm:.3f}: it is recorded in g, not m/s2; "
                      "correct the unit in the column map.", evidence)
    elif abs(norm - 9.8) > 2.0:
        yield Finding("inertial_unit", "problem",
                      f"At rest the specific force has the norm {norm:.2f} m/s2 and should have about 9.8: "
                      "wrong unit, a wrong column, or the sensor did not stand.", evidence)
    elif force[2] < -share * norm:
        yield Finding("inertial_axes_down", "problem",
                      "At rest the z axis shows gravity with a negative sign: the axes are not ISO 8855 (z up) but "
                      "z down; correct the axes in the column map.", evidence)
    elif force[2] < share * norm:
        strongest = "xyz"[int(np.argmax(np.abs(force)))]
        yield Finding("inertial_axes_tilted", "problem",
                      f"At rest the z axis carries only {abs(force[2]) / norm:.0%} of gravity and the {strongest} "
                      "axis the most: "
                      "columns are exchanged or the sensor is mounted tilted.", evidence)


def noise_metrics(inertial: pd.DataFrame, rests: pd.DataFrame, *, rate_hz: float) -> tuple[list[Metric], pd.DataFrame]:
    """Return random walk, bias instability and rate random walk per axis from the longest rest, and the curves.

    The curves have ``axis tau_s deviation low high n freedom``. Bias instability and rate random walk need hours; with
    a shorter rest they are not evaluated and say so.
    """
    limit = thresholds(*FILE)
    longest = rests.iloc[int(np.argmax(rests["duration_s"].to_numpy()))] if len(rests) else None
    long_s = 0.0 if longest is None else float(longest["duration_s"])
    metrics: list[Metric] = []
    curves: list[pd.DataFrame] = []
    for name in FORCES + RATES:
        curve = None
        if longest is not None and long_s >= limit["allan.noise_shortest_s"] and name in inertial:
            series = inertial[name].to_numpy(np.float64)[int(longest["first"]): int(longest["last"])]
            if np.isfinite(series).all():
                curve = allan_deviation(series, rate_hz)
                curves.append(curve.assign(axis=name))
        metrics.extend(_axis_noise(name, curve, long_s))
    table = pd.concat(curves, ignore_index=True) if curves else allan_deviation(np.zeros(1), 1.0).assign(axis="")
    return metrics, table[["axis", "tau_s", "deviation", "low", "high", "n", "freedom"]]


def _axis_noise(name: str, curve: pd.DataFrame | None, rest_s: float) -> list[Metric]:
    """Return the three noise figures of one axis."""
    limit = thresholds(*FILE)
    force = name in FORCES
    units = ("m/s2/sqrt(Hz)", "m/s2", "m/s2*sqrt(Hz)") if force else ("rad/s/sqrt(Hz)", "rad/s", "rad/s*sqrt(Hz)")
    keys = [f"inertial_{kind}_{name}" for kind in ("random_walk", "bias_instability", "rate_random_walk")]
    methods = ("overlapping Allan deviation at 1 s on its -1/2 slope", "lowest overlapping Allan deviation / 0.66428",
               "overlapping Allan deviation at 3 s on its +1/2 slope")
    n = 0 if curve is None else int(curve["n"].iloc[0]) + 1
    if curve is None:
        why = (f"the longest rest is {rest_s:.0f} s and {limit['allan.noise_shortest_s']:.0f} s are needed"
               if rest_s < limit["allan.noise_shortest_s"] else "this axis is not recorded without holes")
        return [missing(k, u, m, why) for k, u, m in zip(keys, units, methods, strict=True)]
    walk = read_slope(curve, "random_walk")
    out = [missing(keys[0], units[0], methods[0], "the curve has no -1/2 slope: vibration or coarse steps cover "
                                                  "the noise", n=n)
           if walk is None else Metric(keys[0], walk[0], units[0], n, methods[0], walk[1:])]
    if rest_s < limit["allan.bias_shortest_s"]:
        why = ("bias instability and rate random walk show only in hours at rest; the longest rest is "
               f"{rest_s:.0f} s and "
               "gives noise and rest bias only")
        return out + [missing(k, u, m, why, n=n) for k, u, m in zip(keys[1:], units[1:], methods[1:], strict=True)]
    floor, drift = read_floor(curve), read_slope(curve, "rate_random_walk")
    out.append(missing(keys[1], units[1], methods[1], "the deviation still falls at the longest averaging time", n=n)
               if floor is None else Metric(keys[1], floor[0], units[1], n, methods[1], evidence={"tau_s": floor[1]}))
    out.append(missing(keys[2], units[2], methods[2], "the curve has no +1/2 slope", n=n)
               if drift is None else Metric(keys[2], drift[0], units[2], n, methods[2], drift[1:]))
    return out
