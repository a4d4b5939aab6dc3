"""Tracks with known motion for the tests of the evidence."""

from __future__ import annotations

import numpy as np

from analyzer.evidence.track import Track


def weaving(seconds: float = 300.0, rate_hz: float = 10.0, *, seed: int = 1, white_m: float = 0.002, doppler_mps: float = 0.02) -> Track:
    """Return a fixed drive at about 15 m/s that weaves, with white position and velocity noise, and a stand at either end."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    speed = 15.0 * np.clip((t - 30) / 10, 0, 1) * np.clip((seconds - 30 - t) / 10, 0, 1)
    course = 0.6 * np.sin(t / 20)
    velocity = np.column_stack([speed * np.cos(course), speed * np.sin(course)])
    step = (velocity[1:] + velocity[:-1]) / 2 / rate_hz
    places = np.vstack([np.zeros(2), np.cumsum(step, axis=0)])
    up = 2 * np.sin(places[:, 0] / 300)
    noisy = np.column_stack([places + white_m * rng.normal(size=places.shape), up + 2 * white_m * rng.normal(size=len(t))])
    standing = speed == 0
    return Track(
        t=t, places=noisy, velocity=velocity + doppler_mps * rng.normal(size=velocity.shape) * ~standing[:, None],
        fixed=np.ones(len(t), bool), placed=np.ones(len(t), bool), standing=standing, age=np.full(len(t), 1.0), nominal_s=1 / rate_hz,
    )
