"""Help, version, README's own commands, and what the program must not load to show its help."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib

import pytest
from cli_runs import ROOT, run, run_program

from analyzer import __version__
from analyzer.cli import VERBS, build_parser
from analyzer.cli.setup import FILES
from analyzer.userfiles.setup_sheet import BLANKS, blank

HEAVY = ("pandas", "numpy", "pyarrow", "scipy", "matplotlib", "bokeh", "jinja2", "pyproj", "jsonschema", "reportlab")


def readme_commands() -> list[list[str]]:
    """Return every ``postdrive …`` command of the shell blocks of README.md as words, without comments."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = []
    for block in re.findall(r"```sh\n(.*?)```", text, re.S):
        for line in block.splitlines():
            for part in re.split(r"&&|\|", line):
                words = shlex.split(part, comments=True)
                for sign in (">", "<"):
                    words = words[:words.index(sign)] if sign in words else words
                if words and words[0].rsplit("/", 1)[-1] == "postdrive":
                    found.append(words[1:])
    return found


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_explains_itself(verb: str) -> None:
    done = run(verb, "--help")
    assert done.code == 0 and done.err == ""
    text = " ".join(done.out.split())
    assert text.startswith(f"usage: postdrive {verb}")
    options = re.findall(r"^  (--?[a-z][\w-]*)", done.out, re.M)
    described = re.findall(r"^  --?[a-z][^\n]*(?:  +|\n {10,})\w", done.out, re.M)
    assert len(options) == len(described), f"an option of {verb} has no text: {options}"


def test_the_overview_names_every_verb_and_exit_code() -> None:
    done = run("--help")
    assert done.code == 0
    for verb in VERBS:
        assert re.search(rf"^    {verb} +\w", done.out, re.M), f"{verb} has no line in the overview"
    for code in range(7):
        assert re.search(rf"\b{code} \w", done.out), f"exit code {code} is not explained"


def test_the_version() -> None:
    done = run_program("--version")
    assert (done.code, done.out, done.err) == (0, f"postdrive {__version__}\n", "")


def test_the_version_agrees_with_the_project_file() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == __version__
    assert project["name"] == "postdrive" and project["scripts"] == {"postdrive": "analyzer.cli:main"}


@pytest.mark.parametrize("words", readme_commands(), ids=lambda w: w[0])
def test_commands_in_the_readme_are_understood(words: list[str]) -> None:
    build_parser().parse_args(words)


def test_the_readme_shows_the_main_job_and_the_tests() -> None:
    """One command that installs and assesses the demo drive, one that installs the test extra and runs the tests."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [w for w in readme_commands() if w[0] == "assess" and any(x.startswith("data_demo/") for x in w)]
    assert re.search(r"^[^\n]*pip install -e \"\.\[test\]\"[^\n]*pytest", text, re.M)


@pytest.mark.parametrize("arguments", [["--help"], ["assess", "--help"], ["--version"], ["nonsense"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """Asked in a process of its own, since this one has loaded everything already."""
    shown = "sys.stderr.write('LOADED ' + ' '.join(sys.modules))"
    code = f"import sys; from analyzer.cli import main; main({arguments!r}); {shown}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    loaded = set(done.stderr.rsplit("LOADED", 1)[1].split())
    assert not loaded & set(HEAVY)
    assert {m for m in loaded if m.rsplit(".", 1)[-1] in VERBS and m.startswith("analyzer.cli.")} == {
        f"analyzer.cli.{word}" for word in arguments if word in VERBS}


def test_the_overview_says_of_a_verb_what_its_module_says() -> None:
    """The overview is shown without loading the modules, so its lines stand in a second place."""
    shown, whole = build_parser("").format_help(), build_parser().format_help()
    assert shown == whole


def test_words_may_not_be_shortened() -> None:
    """A shortened option would change its meaning with the next version."""
    assert run("assess", "x.nmea", "--quie", "--out", "r").code == 2


def test_blank_files_are_printed_and_their_names_are_those_of_the_library() -> None:
    assert tuple(BLANKS) == FILES
    for name in FILES:
        done = run("setup", name)
        assert done.code == 0 and done.out.strip() == blank(name).strip()
    assert run("setup").out == run("setup", "setup").out and run("setup", "marks").code == 2
    shown = " ".join(run("assess", "--help").out.split())
    assert "postdrive setup check-points" in shown and "postdrive setup accept" in shown
