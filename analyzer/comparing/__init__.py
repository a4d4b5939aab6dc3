"""Runs held against each other: their base frames first, then the same places, then change over time."""
