"""Simulated drives with known truth: a test day to open, and a bench for judging the judge.

Everything is invented: the proving ground, the base, the car, the satellites. Deterministic by seed.
"""

from analyzer.demo.base_log import make_base_log
from analyzer.demo.bench import bench_specs, mixed_specs
from analyzer.demo.days import BaseEvent, make_days
from analyzer.demo.demo_set import DEMO, make_demo_set
from analyzer.demo.drive import Drive, simulate
from analyzer.demo.kinds import families
from analyzer.demo.make import make_drive, write_drive
from analyzer.demo.spec import DriveSpec, Fault

__all__ = [
    "DEMO", "BaseEvent", "Drive", "DriveSpec", "Fault", "bench_specs", "families", "make_base_log", "make_days",
    "make_demo_set", "make_drive", "mixed_specs", "simulate", "write_drive",
]
