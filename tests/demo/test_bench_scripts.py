"""The scripts of the bench: which drives a table holds, that a broken-off one goes on, and that its groups are sums."""

from __future__ import annotations

import contextlib
import importlib
import io
import sys
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import pytest

from analyzer.demo import families

BENCHMARKS = Path(__file__).resolve().parents[1] / "benchmarks"


@dataclass(frozen=True)
class Done:
    """What a script ended with and printed."""

    returncode: int
    stdout: str
    stderr: str


def script(name: str, *args: object) -> Done:
    """Run a script of the benchmarks in this process, where all that it imports is loaded already."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    with (mock.patch.object(sys, "path", [str(BENCHMARKS), *sys.path]), mock.patch.object(sys, "argv", [f"{name}.py", *map(str, args)]),
          contextlib.redirect_stdout(out), contextlib.redirect_stderr(err)):
        try:
            importlib.import_module(name).main()
        except SystemExit as end:
            code = int(end.code or 0)
    return Done(code, out.getvalue(), err.getvalue())


def table(*args: object) -> list[list[str]]:
    """Return the drives of a table as words: number, rate, noise, variant …, family."""
    done = script("trust_table", "--list", *args)
    assert done.returncode == 0, done.stderr
    return [line.split() for line in done.stdout.splitlines()[1:]]


def test_every_cell_has_its_families_and_the_table_has_all() -> None:
    rows = table()
    cells = {tuple(r[1:-1]) for r in rows}
    assert len(cells) == 6 * 4 * 5
    for cell in cells:
        met = {r[-1] for r in rows if tuple(r[1:-1]) == cell}
        assert "clean" in met and "radio_loss" in met and len(met) == 4
        assert ("wrong_fix_fused" in met) == ("fused," in cell), cell
    assert {r[-1] for r in rows} == set(families())
    assert {r[-1] for r in table("--rates", 10, "--noise", 1, "--family", "halls")} == {"halls"}


def test_a_table_goes_on_where_it_stopped_and_prints_what_was_counted(tmp_path: Path) -> None:
    args = ("--rates", 1, "--noise", 1, "--variants", "all sentences", "--family", "clean", "radio_loss", "--cache", tmp_path)
    first = script("trust_table", *args, "--families")
    assert first.returncode == 0, first.stderr
    assert "2 drives, 0 of them scored before" in first.stderr
    rows = {line.split()[0]: line.split() for line in first.stdout.splitlines() if line.startswith(("clean", "radio_loss", "ALL"))}
    names = next(line.split() for line in first.stdout.splitlines() if "misleading" in line and "drives" in line and "asked" not in line)
    assert names[:6] == ["drives", "misleading", "useful", "coverage", "vertical", "caught"]
    place = names.index("dropouts") + 1
    found = [int(rows[k][place].split("/")[1]) for k in ("clean", "radio_loss", "ALL")]
    assert found[0] == 0 and found[1] > 0 and found[2] == sum(found[:2])
    assert float(rows["clean"][names.index("useful") + 1]) > 0.5
    kept = sorted(tmp_path.glob("*.score"))
    kept[0].unlink()
    again = script("trust_table", *args, "--families", "--jobs", 2)
    assert "2 drives, 1 of them scored before" in again.stderr and again.stdout == first.stdout
    assert len(list(tmp_path.glob("*.score"))) == 2 and not list(tmp_path.glob("*.building"))


@pytest.mark.parametrize("args", [("--rates", 7), ("--family", "nonsense")])
def test_wrong_arguments_are_told(args: tuple[object, ...]) -> None:
    done = script("trust_table", "--list", *args)
    assert done.returncode == 2 and "error: argument" in done.stderr


def test_the_bench_of_kinds_counts_its_answers() -> None:
    done = script("kind_bench", "--seeds", 102, "--drives", 2, "--noise", 1)
    assert done.returncode == 0, done.stderr
    words = done.stdout.splitlines()[-1].replace(",", "").split()
    right, unknown, wrong = (int(w.split("/")[0]) for w in words if "/" in w)
    assert (right, unknown, wrong) == (2, 0, 0)
