"""The set-up sheet: the blank one is valid, values are read, faults are named by line and key."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analyzer.errors import UsageError
from analyzer.userfiles.setup_sheet import Setup, blank_setup, load_setup


def test_the_blank_sheet_is_valid_and_so_is_every_line_of_it(tmp_path: Path) -> None:
    path = tmp_path / "setup.toml"
    path.write_text(blank_setup())
    assert load_setup(path) == Setup(stated={"base": {}, "link": {}})
    path.write_text(re.sub(r"^# (\w+ = )", r"\1", blank_setup(), flags=re.M))
    filled = load_setup(path)
    assert (
        filled.run == "07"
        and filled.base.name == "Hut"
        and filled.line_rate == 38400
        and filled.channels == ("speed", "yaw rate")
    )
    assert filled.base.position == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[base]\nlatitude_deg = 91\nlongitude_deg = 1", ("line 2", "latitude_deg")),
        ("[base]\nlatitude_deg = 9", ("both latitude_deg and longitude_deg",)),
        ("height_type = 'tall'", ("line 1", "height_type")),
        ("speed = 1", ("speed",)),
        ("run = ", ("TOML",)),
        ("[link]\ntransport = 'wire'", ("line 2", "transport")),
    ],
)
def test_faults_are_named(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    path = tmp_path / "setup.toml"
    path.write_text(text)
    with pytest.raises(UsageError) as error:
        load_setup(path)
    assert all(w in str(error.value) for w in ("setup.toml", *words))


def test_unreadable_files_are_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        load_setup(tmp_path / "absent.toml")
    with pytest.raises(UsageError, match="folder"):
        load_setup(tmp_path)
    (tmp_path / "bytes.toml").write_bytes(b"run = '\xff'")
    with pytest.raises(UsageError, match="UTF-8"):
        load_setup(tmp_path / "bytes.toml")
