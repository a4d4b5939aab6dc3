"""The wheel, installed into a clean environment outside the checkout, does the main job.

Tests import the checkout, which hides a file that the wheel lacks; here nothing of the checkout is in reach but the log.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.environment

ROOT = Path(__file__).resolve().parents[2]
#: What is no Python and yet needed at run time.
DATA = (".toml", ".json", ".css", ".js", ".jinja", ".html", ".typed")


def call(*command: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run a program without the environment of the tests; fail with what it printed."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV", "COV"))}
    done = subprocess.run([str(c) for c in command], cwd=cwd, env=kept, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.returncode}\n{done.stdout[-2000:]}\n{done.stderr[-4000:]}"
    return done


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built with the builder that the test extra brings."""
    place = tmp_path_factory.mktemp("dist")
    call(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", place, ROOT, cwd=place)
    (built,) = place.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def program(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command in a clean environment that holds the wheel and what it asks for."""
    place = tmp_path_factory.mktemp("clean")
    call(sys.executable, "-m", "venv", place / "env", cwd=place)
    folder = place / "env" / ("Scripts" if os.name == "nt" else "bin")
    call(folder / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", wheel, cwd=place)
    return folder / "postdrive"


def test_the_wheel_holds_all_package_data(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    needed = {p.relative_to(ROOT).as_posix() for p in (ROOT / "analyzer").rglob("*") if p.suffix in (".py", *DATA)
              and "__pycache__" not in p.parts}
    assert not sorted(needed - inside)
    for ending in (".css", ".jinja", ".toml", ".json", "py.typed"):
        assert any(name.endswith(ending) for name in inside), ending


def test_the_wheel_holds_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    outside = [n for n in names if not n.startswith("analyzer/") and ".dist-info/" not in n]
    assert not outside and not [n for n in names if "__pycache__" in n]
    assert [n for n in names if n.endswith("LICENSE")], "the licence travels with the code"


def test_the_wheel_names_the_command_and_its_needs(wheel: Path) -> None:
    archive = zipfile.ZipFile(wheel)
    texts = {n.rsplit("/", 1)[1]: archive.read(n).decode() for n in archive.namelist() if ".dist-info/" in n}
    assert "postdrive = analyzer.cli:main" in texts["entry_points.txt"]
    assert "Requires-Python: >=3.11" in texts["METADATA"]
    for package in ("pytest", "asammdf", "jupyter"):
        plain = [line for line in texts["METADATA"].splitlines() if line.startswith(f"Requires-Dist: {package}")]
        assert all("extra ==" in line for line in plain), f"{package} must not be forced on users"


def test_a_report_from_outside_the_checkout(program: Path, tmp_path: Path, demo_data: Path) -> None:
    log = tmp_path / "rover.nmea"
    log.write_bytes((demo_data / "day1_run01" / "rover.nmea").read_bytes())
    done = call(program, "assess", log, "--out", tmp_path / "result", cwd=tmp_path)
    assert done.stderr.splitlines()[-1].endswith("report.html")
    summary = json.loads((tmp_path / "result" / "summary.json").read_text(encoding="utf-8"))
    assert summary["versions"]["postdrive"] != "not installed"
    page = (tmp_path / "result" / "report.html").read_text(encoding="utf-8")
    style = (ROOT / "analyzer" / "report" / "static" / "report.css").read_text(encoding="utf-8")
    selectors = [line.split("{")[0].strip() for line in style.splitlines() if line.startswith((".", "html", "body"))]
    assert "<svg" in page and selectors and all(s in page for s in selectors[:5]), "stylesheet and figures are inside"
    assert str(ROOT) not in page, "nothing came from the checkout"


def test_every_verb_that_needs_package_data(program: Path, tmp_path: Path) -> None:
    assert "lane" in call(program, "purposes", cwd=tmp_path).stdout
    assert "[base]" in call(program, "setup", cwd=tmp_path).stdout
    assert "nmea" in call(program, "formats", cwd=tmp_path).stdout


def test_the_code_in_use_is_the_installed_one(program: Path, tmp_path: Path) -> None:
    python = program.with_name("python")
    place = call(python, "-c", "import analyzer; print(analyzer.__file__)", cwd=tmp_path).stdout.strip()
    assert Path(place).is_relative_to(program.parents[1])
    assert call(program, "--version", cwd=tmp_path).stdout.startswith("postdrive ")
