"""The accept file: decisions of a person, refused by entry and key where they are not clear."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from analyzer.errors import UsageError
from analyzer.userfiles.accept import read_accept
from analyzer.userfiles.setup_sheet import blank

WHOLE = '''[[entry]]
window = "M03"
action = "accept"
by = "the test lead"
reason = "only the run-up is affected"

[[entry]]
start_utc = 2026-04-14T08:10:00Z
end_utc = "2026-04-14T10:10:30+02:00"
action = "exclude"
by = "the test lead"
reason = "turning round"
'''


def write(folder: Path, text: str) -> Path:
    path = folder / "accept.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_windows_and_times_are_read(tmp_path: Path) -> None:
    first, second = read_accept(write(tmp_path, WHOLE))
    assert (first.window, first.action, first.by) == ("M03", "accept", "the test lead")
    assert second.start_utc == pd.Timestamp("2026-04-14T08:10:00Z")
    assert second.end_utc == pd.Timestamp("2026-04-14T08:10:30Z"), "another zone is converted"
    assert second.reason == "turning round"


def test_a_time_without_zone_is_utc(tmp_path: Path) -> None:
    text = WHOLE.replace("2026-04-14T08:10:00Z", "2026-04-14T08:10:00")
    assert read_accept(write(tmp_path, text))[1].start_utc == pd.Timestamp("2026-04-14T08:10:00Z")


@pytest.mark.parametrize(("old", "new", "words"), [
    ('action = "accept"', 'action = "ignore"', ("line 3", "action", "accept")),
    ('reason = "turning round"', 'reason = "  "', ("reason",)),
    ('by = "the test lead"\nreason = "turning', 'reason = "turning', ("'by'",)),
    ('window = "M03"', 'window = "M03"\nstart_utc = 2026-04-14T08:10:00Z', ("line 1, entry 1", "keep one")),
    ('window = "M03"\n', "", ("entry 1", "missing")),
    ('end_utc = "2026-04-14T10:10:30+02:00"\n', "", ("line 7, entry 2", "end_utc")),
    ('"2026-04-14T10:10:30+02:00"', '"soon"', ("entry 2", "end_utc", "soon")),
    ('"2026-04-14T10:10:30+02:00"', "5", ("line 7, entry 2", "end_utc")),
    ('"2026-04-14T10:10:30+02:00"', '"2026-04-14T07:10:30Z"', ("entry 2", "not later")),
    ("[[entry]]", "[[entires]]", ("entires",)),
    ('window = "M03"', 'window = M03', ("not valid TOML",)),
])
def test_a_faulty_file_is_refused_in_one_sentence(tmp_path: Path, old: str, new: str, words: tuple[str, ...]) -> None:
    with pytest.raises(UsageError) as caught:
        read_accept(write(tmp_path, WHOLE.replace(old, new)))
    text = str(caught.value)
    assert "accept.toml" in text and "\n" not in text and text.endswith(".")
    for word in words:
        assert word in text, text


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"nothing\.toml.*no such file"):
        read_accept(tmp_path / "nothing.toml")


def test_the_blank_list_is_valid_once_it_is_filled_in(tmp_path: Path) -> None:
    text = blank("accept")
    with pytest.raises(UsageError, match="entry"):
        read_accept(write(tmp_path, text))
    filled = re.sub(r"^# (\[\[entry\]\]|\w+ = )", r"\1", text, flags=re.M)
    first, second = read_accept(write(tmp_path, filled))
    assert (first.window, first.action) == ("M03", "accept") and second.action == "exclude" and second.start_utc < second.end_utc
