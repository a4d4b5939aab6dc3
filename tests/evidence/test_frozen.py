"""Identical positions while the speed says motion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analyzer.evidence.frozen import frozen_distance, frozen_velocity
from tests.evidence.tracks import weaving


def _fixes(track: object, *, frozen: slice | None = None) -> pd.DataFrame:
    places = track.places.copy()  # type: ignore[attr-defined]
    if frozen is not None:
        places[frozen] = places[frozen.start]
    speed = np.hypot(*track.velocity.T)  # type: ignore[attr-defined]
    return pd.DataFrame({"latitude_deg": 47 + places[:, 1] / 111e3, "longitude_deg": 20 + places[:, 0] / 75e3, "speed_mps": speed})


def test_frozen_stretches_grow_with_the_way_and_others_stay_zero() -> None:
    track = weaving()
    out = frozen_distance(track, _fixes(track, frozen=slice(1000, 1060)))
    assert out[1059] > 60.0
    assert (out[:1000] == 0).all()
    assert (out[1060:] == 0).all()


def test_a_stand_is_not_frozen_output() -> None:
    track = weaving(white_m=0.0)
    assert (frozen_distance(track, _fixes(track))[:250] == 0).all()


def test_a_fused_speed_that_freezes_too_counts_from_earlier() -> None:
    track = weaving()
    velocity = track.velocity.copy()
    velocity[1000:1010] = 0.0
    slow = replace(track, velocity=velocity)
    fixes = _fixes(track, frozen=slice(1000, 1060))
    late, early = frozen_distance(slow, fixes), frozen_distance(slow, fixes, fused=True)
    assert late[1005] == 0.0
    assert early[1005] > 1.0


def test_a_velocity_that_repeats_to_the_last_digit_froze_too() -> None:
    track = weaving()
    gone = frozen_distance(track, _fixes(track, frozen=slice(1000, 1060)))
    measured = replace(track, own_velocity=track.velocity.copy())
    assert not frozen_velocity(measured, gone).any()
    repeated = replace(track, own_velocity=track.velocity.copy())
    repeated.own_velocity[1000:1060] = repeated.own_velocity[1000]
    assert np.flatnonzero(frozen_velocity(repeated, gone)).tolist() == np.flatnonzero(gone > 0).tolist()
