"""Simulated drives with known truth: a test day to open, and a bench for judging the judge.

Everything is invented: the proving ground, the base, the car, the satellites. Deterministic by seed.
"""

from analyzer.demo.drive import Drive, simulate
from analyzer.demo.kinds import families
from analyzer.demo.make import make_drive, write_drive
from analyzer.demo.spec import DriveSpec, Fault

__all__ = ["Drive", "DriveSpec", "Fault", "families", "make_drive", "simulate", "write_drive"]
