"""Fixtures shared by all tests."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of the open recordings; the test is skipped where it is absent."""
    folder = ROOT.parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("open recordings not present: expected ../shared/data beside the checkout")
    return folder


@pytest.fixture(scope="session")
def demo_data() -> Path:
    """Folder of the invented demo drives that ship with the project."""
    return ROOT / "data_demo"
