"""Help, version, README's own commands, and what the program must not load to show its help."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from cli_runs import ROOT, gga, run, run_program

from analyzer import __version__
from analyzer.cli import VERBS, build_parser
from analyzer.cli.setup import FILES
from analyzer.userfiles.accept import read_accept
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


@pytest.mark.parametrize(("words", "verb"), [(("purposes", "lane"), "purposes"), (("formats", "--long"), "formats"), (("inspect", "x", "--bogus"), "inspect")])
def test_what_a_verb_does_not_take_leads_to_its_own_help(words: tuple[str, ...], verb: str) -> None:
    done = run(*words)
    assert done.code == 2 and words[-1] in done.sentence and f"postdrive {verb} --help" in done.sentence


def test_the_help_of_assess_names_every_key_of_an_accept_file() -> None:
    schema = json.loads((ROOT / "analyzer" / "userfiles" / "schemas" / "accept.json").read_text(encoding="utf-8"))
    entry = schema["properties"]["entry"]["items"]["properties"]
    said = " ".join(run("assess", "--help").out.split()).partition("--accept F TOML")[2].partition("--base-log")[0]
    assert "[[entry]]" in said and [key for key in [*entry, *entry["action"]["enum"]] if key not in said] == []


def test_the_accept_file_of_the_readme_is_one(tmp_path: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"accept\.toml.*?```toml\n(.*?)```", text, re.S)
    assert block is not None
    (tmp_path / "accept.toml").write_text(block[1], encoding="utf-8")
    assert [(d.action, d.window is None) for d in read_accept(tmp_path / "accept.toml")] == [("accept", False), ("exclude", True)]


def test_the_readme_names_every_extra_and_every_file_of_a_result(no_pictures: None, tmp_path: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    assert [name for name in extras if f"[{name}]" not in text] == []
    (tmp_path / "log.nmea").write_text("".join(gga(s) for s in range(10)), newline="")
    assert run("assess", tmp_path / "log.nmea", "--date", "2026-03-24", "--quiet", "--pdf", "--out", tmp_path / "r").code == 0
    table = text.partition("## What comes out")[2].partition("##")[0]
    assert [path.name for path in (tmp_path / "r").iterdir() if f"`{path.name}`" not in table] == []


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
