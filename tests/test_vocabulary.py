"""The contributor guide's vocabulary is the one of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analyzer import tables
from analyzer.errors import UsageError
from analyzer.vocabulary import BEGIN, END, WHERE, main, renewed, schemas, vocabulary

ROOT = Path(__file__).resolve().parents[1]


def test_the_guide_is_current() -> None:
    """Fails after a change of tables.py until ``python -m analyzer.vocabulary DEVELOPERS.md`` was run."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert renewed(text) == text


def test_every_table_and_column_stands_in_it() -> None:
    text = vocabulary()
    assert {t.name for t in schemas()} == set(WHERE), "say in WHERE where a new table is found"
    for table in schemas():
        for name in table.names:
            assert f"| `{name}` |" in text
    for word in (*tables.FIX_STATES, *tables.TRUST, *tables.VERDICTS, *tables.DROPOUT_KINDS, *tables.CAUSES):
        assert f"`{word}`" in text


def test_every_row_has_four_cells() -> None:
    rows = [line for line in vocabulary().splitlines() if line.startswith("| `")]
    assert len(rows) == sum(len(t.columns) for t in schemas())
    assert all(len(re.split(r"(?<!\\)\|", row)) == 6 for row in rows)


def test_a_quantity_has_one_unit_everywhere() -> None:
    """One name per quantity: a column of the same name means the same unit in every table."""
    units: dict[str, set[str]] = {}
    for table in schemas():
        for column in table.columns:
            units.setdefault(column.name, set()).add(column.unit)
    assert {n: u for n, u in units.items() if len(u) > 1} == {}


@pytest.mark.parametrize(("ending", "unit"), [
    ("_m", "m"), ("_s", "s"), ("_deg", "deg"), ("_mps", "m/s"), ("_radps", "rad/s"), ("_mps2", "m/s2"),
    ("_dbhz", "dB-Hz"), ("_rad", "rad"),
])
def test_names_carry_their_unit(ending: str, unit: str) -> None:
    for table in schemas():
        for column in table.columns:
            if column.name.endswith(ending):
                assert column.unit == unit, f"{table.name}.{column.name}"
            if column.unit == unit:
                assert column.name.endswith(ending), f"{table.name}.{column.name}"


def test_renewing_keeps_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "guide.md"
    path.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n", encoding="utf-8")
    assert main([str(path)]) == 0
    text = path.read_text(encoding="utf-8")
    assert text.startswith(f"before\n{BEGIN}\n\n- ") and text.endswith(f"{END}\nafter\n") and "\nold\n" not in text


@pytest.mark.parametrize("text", ["no marks", f"{END} {BEGIN}", f"{BEGIN}{BEGIN}{END}"])
def test_missing_marks_change_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    path = tmp_path / "guide.md"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="marks"):
        renewed(text)
    assert main([str(path)]) == 2 and path.read_text(encoding="utf-8") == text
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert main([]) == 2 and main([str(tmp_path / "gone.md")]) == 5
