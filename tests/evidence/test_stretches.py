"""Stretches, jumps inside fixed, and the steps between stretches, on a drive whose jumps are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer.evidence import noise as noise_of
from analyzer.evidence.displacement import residual
from analyzer.evidence.knots import make_knots
from analyzer.evidence.stretches import Stretches, cut, inner, measure_height_steps, measure_steps
from analyzer.evidence.track import Track
from tests.evidence.tracks import weaving


def _cut(track: Track, breaks: np.ndarray | None = None) -> tuple[Stretches, np.ndarray, np.ndarray, np.ndarray, noise_of.Noise]:
    left, extra, truncated = residual(track)
    noise = noise_of.learn(left, track.fixed, track.nominal_s)
    found = cut(track, left, noise, breaks=np.zeros(len(track), bool) if breaks is None else breaks, fixed=track.fixed,
                coarse=np.ones(len(track)), truncated=truncated)
    return found, left, extra, truncated, noise


def _jumping(size: float) -> Track:
    track = weaving()
    places = track.places.copy()
    places[1000:2000, 0] += size
    return replace(track, places=places)


def test_a_quiet_drive_is_one_stretch() -> None:
    found, *_ = _cut(weaving())
    assert len(found) == 1
    assert (found.id == 0).all()


@pytest.mark.parametrize("size", [0.15, 0.8])
def test_jumps_are_cut_and_measured(size: float) -> None:
    track = _jumping(size)
    found, left, extra, truncated, noise = _cut(track)
    assert found.by_jump.tolist() == [False, True, True]
    assert abs(found.spans[1, 0] - 1000) <= 1
    assert abs(found.spans[2, 0] - 2000) <= 1
    edges = np.zeros(len(track) + 1, bool)
    edges[found.spans.ravel()] = True
    one = np.ones(len(track))
    knots = make_knots(track, left, extra, truncated, noise=noise, rough=one, coarse=one, usable=inner(found, track.t), edges=edges[:-1])
    steps, variance = measure_steps(found, knots, noise)
    assert np.abs(steps[:, 0] - [size, -size]).max() < 4 * np.sqrt(variance.max())
    assert np.sqrt(variance).max() < 0.03


@pytest.mark.parametrize("grade", [-0.08, -0.03, 0.03, 0.08])
def test_the_slope_of_the_road_is_no_step(grade: float) -> None:
    """Heights at the ends of a stretch are not looked at: what is left has a time of its own, a tenth of a second beside the middle."""
    rng = np.random.default_rng(4)
    flat = weaving(rate_hz=100.0)
    way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(flat.places[:, :2], axis=0).T))]
    places = np.column_stack([flat.places[:, :2], grade * way + 0.004 * rng.normal(size=len(way))])
    places[15013:15087] += (0.3, -0.5, 1.75)
    track = replace(flat, places=places)
    found, left, extra, truncated, noise = _cut(track)
    assert found.spans[:, 0].tolist() == [0, 15013, 15087]
    edges = np.zeros(len(track) + 1, bool)
    edges[found.spans.ravel()] = True
    one = np.ones(len(track))
    knots = make_knots(track, left, extra, truncated, noise=noise, rough=one, coarse=one, usable=inner(found, track.t), edges=edges[:-1])
    road = noise_of.learn_moving(np.column_stack([places[:, 2]] * 2), track.fixed, track, key="road")
    steps, _ = measure_height_steps(found, knots, road)
    assert steps == pytest.approx([1.75, -1.75], abs=0.04)


@pytest.mark.parametrize(("rate_hz", "first", "count"), [(1.0, 150, 2), (1.0, 150, 3), (10.0, 1500, 8)])
def test_a_few_wrong_epochs_are_cut_at_both_ends(rate_hz: float, first: int, count: int) -> None:
    """With one edge alone all that lies before it looked wrong."""
    track = weaving(rate_hz=rate_hz)
    places = track.places.copy()
    places[first:first + count, :2] += (1.6, -0.9)
    found, *_ = _cut(replace(track, places=places))
    assert found.spans.tolist() == [[0, first], [first, first + count], [first + count, len(track)]]
    assert found.by_jump.tolist() == [False, True, True]


def test_a_single_spike_is_no_jump() -> None:
    track = weaving()
    places = track.places.copy()
    places[1500, 0] += 2.0
    found, *_ = _cut(replace(track, places=places))
    assert len(found) == 1


def test_a_loss_of_the_fix_and_a_change_of_station_begin_stretches() -> None:
    track = weaving()
    fixed = track.fixed.copy()
    fixed[1000:1050] = False
    breaks = np.zeros(len(track), bool)
    breaks[2000] = True
    found, *_ = _cut(replace(track, fixed=fixed), breaks)
    assert found.spans[:, 0].tolist() == [0, 1050, 2000]
    assert (found.id[1000:1050] == -1).all()
