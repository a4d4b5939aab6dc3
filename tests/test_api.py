"""The public names, and the example of README.md that uses them."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import analyzer

ROOT = Path(__file__).resolve().parents[1]


def test_all_is_sorted_and_complete() -> None:
    assert list(analyzer.__all__) == sorted(analyzer.__all__), "sorted, so that a name is found at once"
    assert len(set(analyzer.__all__)) == len(analyzer.__all__)
    offered = {n for n in dir(analyzer) if not n.startswith("_") and not isinstance(getattr(analyzer, n), ModuleType)}
    assert offered - {"annotations", "TYPE_CHECKING", "import_module"} == set(analyzer.__all__)


@pytest.mark.parametrize("name", analyzer.__all__)
def test_every_public_name_can_be_imported_and_is_explained(name: str) -> None:
    thing = getattr(analyzer, name)
    assert getattr(thing, "__doc__", None), f"{name} has no docstring"
    assert thing.__module__.startswith("analyzer.")


@pytest.mark.parametrize("name", [
    "read", "measure", "assess", "load_purpose", "write_results", "attach", "compare", "check_base",
])
def test_the_verbs_of_the_design_are_public(name: str) -> None:
    assert name in analyzer.__all__


def test_names_are_declared_for_type_checkers() -> None:
    """A lazily imported name that the TYPE_CHECKING block lacks would be unknown to mypy and editors."""
    tree = ast.parse((ROOT / "analyzer" / "__init__.py").read_text(encoding="utf-8"))
    (block,) = [node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"]
    aliases = [alias for node in block.body if isinstance(node, ast.ImportFrom) for alias in node.names]
    assert {alias.asname or alias.name for alias in aliases} == set(analyzer.__all__)
    assert (ROOT / "analyzer" / "py.typed").exists()


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no_such_name"):
        analyzer.no_such_name  # noqa: B018


def test_importing_the_package_is_light() -> None:
    code = "import sys, analyzer; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert not set(done.stdout.split()) & {"pandas", "numpy", "pyarrow", "scipy", "matplotlib"}


def test_the_library_is_silent(demo_data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Reading, judging and writing print nothing; and the example of README.md holds."""
    recording = analyzer.read(demo_data / "day1_run01" / "rover.nmea")
    setup = analyzer.load_setup(demo_data / "day1_run01" / "setup.toml")
    before = recording.fixes.copy()
    assessment = analyzer.assess(recording, purpose="lane", setup=setup)
    assert assessment.verdict.level in ("fit", "fit_with_exclusions", "not_evaluated", "not_fit")
    assert assessment.metrics["age_p95_s"].unit == "s" and "horizontal_bound_m" in assessment.epochs
    assert recording.fixes.equals(before), "the caller's tables stay as they were"
    assert analyzer.write_results(assessment, tmp_path / "result") is None
    assert (tmp_path / "result" / "summary.json").exists()
    assert capsys.readouterr() == ("", "")


def test_the_example_of_the_readme_uses_public_names() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, re.S)
    used = {name for block in blocks for name in re.findall(r"\banalyzer\.(\w+)", block)}
    assert used and used <= set(analyzer.__all__)


def test_every_error_has_its_exit_code() -> None:
    """Published exit codes: 2 usage, 3 input, 4 ours, 5 output, 6 refused."""
    codes = {
        "AnalyzerError": 4, "UsageError": 2, "MissingExtraError": 2, "InputError": 3, "OutputError": 5,
        "RefusedError": 6,
    }
    for name, code in codes.items():
        error = getattr(analyzer, name)
        assert issubclass(error, analyzer.AnalyzerError) and error.exit_code == code
