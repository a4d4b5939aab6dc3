"""Fixtures shared by all tests."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from markupsafe import Markup

from analyzer.threads import VARIABLES

if "numpy" not in sys.modules:
    # the suite runs in as many processes as there are cores: threads of linear algebra beside them only wait for each other
    for _name in VARIABLES:
        os.environ.setdefault(_name, "1")

# programs and notebooks that tests start would translate every module of the package anew, each a second long
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

ROOT = Path(__file__).resolve().parents[1]


#: Files that take long for their number of tests: begun first, so that no process is left waiting for another at the end.
LONG = ("test_notebooks.py", "test_judging_blocks.py", "test_evidence_on_drives.py", "test_causes.py", "test_whole_drive.py")


def pytest_configure(config: pytest.Config) -> None:
    """Let files be handed out in the order below, not by their number of tests."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.path.name not in LONG)


def pytest_collection_finish() -> None:
    """Keep the collector of cycles from walking all imported libraries again and again: a tenth of the time of the suite."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 50, 100)


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


@pytest.fixture(scope="module")
def no_pictures() -> Iterator[None]:
    """Let reports be written with all their words but without pictures, for modules that look at results and not at pictures.

    Pictures are half of the time of a short drive; `tests/report` and the whole runs of `tests/cli/test_assess_real.py` draw them.
    """
    from analyzer.report import drawing, explorer

    blank = {f"{name}-{size}": Markup("") for name in drawing._PICTURES for size in ("wide", "narrow")}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drawing, "pictures", lambda *_: blank)
        patch.setattr(explorer, "build", lambda *_: None)
        yield
