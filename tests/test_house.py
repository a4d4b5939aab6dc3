"""Rules of the house that no single module shows: direction of imports, sizes, docstrings, thresholds, words."""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "analyzer"
MODULES = sorted(PACKAGE.rglob("*.py"))
MOST_LINES = 300
#: Lines of a function below its docstring, a nested function counted with the one around it.
MOST_BODY_LINES = 30
#: Functions that are still longer. Shorten one and take it off; none is added.
STILL_LONGER = {
    "evidence/gather.py examine",
    "evidence/independent.py independent_motion",
    "evidence/second_opinion.py form",
    "evidence/two_state.py run_filter",
}

#: What stands at the end of the flow; nothing before it may import it.
LATE = ("report", "results", "exports", "attaching", "comparing", "cli", "demo", "judging", "whole_drive", "batch")
#: What a folder must not import, by the data flow: files → parsers → metrics, evidence → verdict → report, cli.
FORBIDDEN = {
    "parsers": ("metrics", "evidence", "verdict", *LATE),
    "metrics": ("parsers", "evidence", "verdict", *LATE),
    "evidence": ("parsers", "verdict", *LATE),
    "verdict": ("parsers", *LATE),
    "report": ("parsers", "evidence", "cli", "demo", "judging", "whole_drive", "batch"),
    "results": ("parsers", "evidence", "cli", "demo", "judging", "whole_drive", "batch"),
    "userfiles": ("parsers", "metrics", "evidence", "verdict", *LATE),
    "exports": ("parsers", "evidence", "cli", "demo", "judging", "whole_drive", "batch"),
    "attaching": ("cli", "demo", "report", "batch"),
    "comparing": ("cli", "demo", "batch"),
    "batch": ("cli", "demo", "comparing", "attaching", "exports"),
    "demo": ("cli", "metrics", "evidence", "verdict", "report", "results", "judging", "whole_drive", "batch"),
}
#: Modules at the root of the package that hold types and arithmetic: they import nothing that reads, judges or shows.
FOUNDATION = (
    "errors", "schema", "tables", "recording", "intervals", "settings", "timebase", "geodesy", "wording", "drive_files", "threads",
)
#: Writes and reads of files have no place in a pure function over tables.
FILE_CALLS = {"open", "read_text", "write_text", "read_bytes", "write_bytes", "read_csv", "to_csv", "read_parquet"}


@cache
def tree(path: Path) -> ast.Module:
    """Parse a module once."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Walk through a module once."""
    return tuple(ast.walk(tree(path)))


def name_of(path: Path) -> str:
    """Return ``parsers/framing.py`` for a module of the package."""
    return path.relative_to(PACKAGE).as_posix()


@cache
def imports(path: Path, *, top_only: bool = False) -> frozenset[str]:
    """Return the full names of modules of this package that a module imports, those for type checkers left out."""
    found: set[str] = set()
    blocks = [n for n in nodes(path) if isinstance(n, ast.If) and "TYPE_CHECKING" in ast.dump(n.test)]
    skipped = {id(n) for block in blocks for n in ast.walk(block)}
    for node in tree(path).body if top_only else nodes(path):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}:{node.lineno} imports by dots"
            module = node.module or ""
            found |= {f"{module}.{a.name}" if is_module(f"{module}.{a.name}") else module for a in node.names}
    return frozenset(found)


@cache
def is_module(name: str) -> bool:
    """Whether a full name is a module or folder of this package."""
    place = ROOT.joinpath(*name.split("."))
    return name.startswith("analyzer.") and (place.is_dir() or place.with_suffix(".py").is_file())


def in_package(path: Path) -> set[str]:
    """Return the folders or root modules of this package that a module imports from."""
    return {name.split(".")[1] for name in imports(path) if name.startswith("analyzer.")}


def public_functions(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    """Return public functions, classes and methods of a module; a class that is private hides its methods."""
    found: list[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef] = []
    for node in tree(path).body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            found.append(node)
            if isinstance(node, ast.ClassDef):
                found += [n for n in node.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
    return found


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return how many lines a function has below its docstring."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    return (function.end_lineno or 0) - body[0].lineno + 1 if body else 0


def threshold_files() -> list[Path]:
    """Return the files of numbers that code reads by `analyzer.settings.thresholds`."""
    return sorted(PACKAGE.rglob("thresholds*.toml"))


def entries(path: Path) -> dict[str, dict[str, object]]:
    """Return the entries of a threshold file by ``group.key``."""
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    return {f"{group}.{key}": entry for group, members in content.items() for key, entry in members.items()}


@cache
def code_text() -> str:
    """Return all code of the package."""
    return "\n".join(p.read_text(encoding="utf-8") for p in MODULES)


@cache
def text_patterns() -> tuple[re.Pattern[str], ...]:
    """Return a pattern for each string with holes in the code, so that keys put together at run time are found."""
    found = set()
    for path in MODULES:
        for node in nodes(path):
            if isinstance(node, ast.JoinedStr):
                parts = [re.escape(str(v.value)) if isinstance(v, ast.Constant) else r"[\w]+" for v in node.values]
                whole = "".join(parts)
                if re.fullmatch(r"[\w\\.+\[\]]+", whole) and re.search(r"[a-z]{2}", "".join(
                        str(v.value) for v in node.values if isinstance(v, ast.Constant))):
                    found.add(whole)
    return tuple(re.compile(p) for p in sorted(found))


def used_in_code(key: str) -> bool:
    """Whether code names a key in quotes, whole or put together from a string with holes."""
    return f'"{key}"' in code_text() or f"'{key}'" in code_text() or any(p.fullmatch(key) for p in text_patterns())


# Imports


@pytest.mark.parametrize("folder", sorted(FORBIDDEN))
def test_imports_go_one_way(folder: str) -> None:
    wrong = [f"{name_of(p)} imports {n}" for p in sorted((PACKAGE / folder).rglob("*.py"))
             for n in sorted(in_package(p) & set(FORBIDDEN[folder]))]
    assert not wrong, wrong


def test_every_folder_has_its_rule() -> None:
    folders = {p.parent.name for p in PACKAGE.glob("*/__init__.py")}
    assert folders - {"cli"} == set(FORBIDDEN), "a new folder of the package needs its line in FORBIDDEN"


def test_the_foundation_rests_on_itself() -> None:
    for name in FOUNDATION:
        assert in_package(PACKAGE / f"{name}.py") <= set(FOUNDATION), name


def test_only_the_command_line_imports_the_command_line() -> None:
    own = [p for p in MODULES if p.parent.name == "cli" or p.name == "__main__.py"]
    wrong = [name_of(p) for p in MODULES if p not in own and "cli" in in_package(p)]
    assert not wrong, wrong


@pytest.mark.parametrize("folder", ["metrics", "evidence"])
def test_pure_functions_open_no_file(folder: str) -> None:
    """Package data by importlib.resources is allowed: it belongs to the code."""
    wrong = []
    for path in sorted((PACKAGE / folder).rglob("*.py")):
        for node in nodes(path):
            if isinstance(node, ast.Call):
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                if called in FILE_CALLS and "resources" not in ast.dump(node.func):
                    wrong.append(f"{name_of(path)}:{node.lineno} {called}")
    assert not wrong, wrong


def test_the_report_does_no_statistics() -> None:
    """Numbers come from metrics, evidence and verdict; the report rounds, words and draws them."""
    banned = re.compile(r"scipy|pyproj|analyzer\.geodesy|analyzer\.timebase|analyzer\.metrics\.(?!result\b|metric\b)")
    paths = sorted((PACKAGE / "report").rglob("*.py"))
    wrong = [f"{name_of(p)} imports {n}" for p in paths for n in sorted(imports(p)) if banned.match(n)]
    assert not wrong, wrong


def test_command_line_modules_start_light() -> None:
    heavy = re.compile(r"^(pandas|numpy|pyarrow|scipy|matplotlib|analyzer\.(?!cli|errors|__version__))")
    wrong = [f"{name_of(p)} imports {n} at its top" for p in sorted((PACKAGE / "cli").glob("*.py"))
             for n in sorted(imports(p, top_only=True)) if heavy.match(n)]
    assert not wrong, wrong


def test_there_is_no_circle() -> None:
    """Following imports at the top of modules never leads back."""
    names = {"analyzer." + name_of(p).removesuffix(".py").replace("/", ".").removesuffix(".__init__"): p for p in MODULES}
    edges = {n: {i for i in imports(p, top_only=True) if i in names and i != n} for n, p in names.items()}
    done: set[str] = set()

    def follow(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " → ".join((*way[way.index(name):], name)) if name in way else ""
        if name not in done:
            for following in sorted(edges[name]):
                follow(following, (*way, name))
            done.add(name)

    for name in sorted(names):
        follow(name, ())


# Sizes and docstrings


def test_modules_are_short() -> None:
    lines = {name_of(p): len(p.read_text(encoding="utf-8").splitlines()) for p in MODULES}
    long = {name: n for name, n in lines.items() if n > MOST_LINES}
    assert not long, long


def test_functions_are_short() -> None:
    long = {f"{name_of(p)} {n.name}" for p in MODULES for n in nodes(p)
            if isinstance(n, (ast.FunctionDef, ast.AsyncFunctionDef)) and body_lines(n) > MOST_BODY_LINES}
    assert not long - STILL_LONGER, sorted(long - STILL_LONGER)
    assert not STILL_LONGER - long, f"short by now, take them off the list: {sorted(STILL_LONGER - long)}"


def test_public_names_have_docstrings() -> None:
    lacking = [name_of(p) for p in MODULES if (p.name != "__init__.py" or tree(p).body) and not ast.get_docstring(tree(p))]
    lacking += [f"{name_of(p)}:{n.lineno} {n.name}" for p in MODULES for n in public_functions(p) if not ast.get_docstring(n)]
    assert not lacking, lacking


def test_calls_name_their_arguments() -> None:
    """More than four positional arguments of a public function are confused sooner or later."""
    wrong = []
    for path, node in ((p, n) for p in MODULES for n in public_functions(p)):
        if isinstance(node, ast.FunctionDef):
            names = [a.arg for a in (*node.args.posonlyargs, *node.args.args) if a.arg not in ("self", "cls")]
            if len(names) > 4 and not node.decorator_list:
                wrong.append(f"{name_of(path)}:{node.lineno} {node.name}({', '.join(names)})")
    assert not wrong, wrong


# Thresholds and codes


@pytest.mark.parametrize("path", threshold_files(), ids=name_of)
def test_every_threshold_says_why(path: Path) -> None:
    for key, entry in entries(path).items():
        assert isinstance(entry["value"], (int, float)) and not isinstance(entry["value"], bool), key
        for word in ("unit", "reason", "source"):
            assert isinstance(entry.get(word), str) and str(entry[word]).strip(), f"{key} has no {word}"


@pytest.mark.parametrize("path", threshold_files(), ids=name_of)
def test_every_threshold_is_used(path: Path) -> None:
    unused = [k for k in entries(path) if not used_in_code(k)]
    assert not unused, unused


def test_no_threshold_file_is_orphaned() -> None:
    for path in threshold_files():
        assert path.name == "thresholds.toml" or f'"{path.name}"' in code_text(), name_of(path)
        package = ".".join(path.parent.relative_to(ROOT).parts)
        assert f'"{package}"' in code_text(), name_of(path)


def test_reason_codes_are_published_and_used() -> None:
    codes = tomllib.loads((PACKAGE / "verdict" / "reasons.toml").read_text(encoding="utf-8"))
    judge = "".join((PACKAGE / "verdict" / f"{m}.py").read_text(encoding="utf-8") for m in ("judge", "accepted"))
    unused = [c for c in codes if f'"{c}"' not in judge]
    assert not unused, f"published but never given: {unused}"
    given = set(re.findall(r'reasons\["(\w+)"\]', judge))
    assert given <= set(codes), "given but not published"
    for code, entry in codes.items():
        assert entry["text"].strip() and not entry["text"].endswith("."), code


def test_every_cause_has_its_advice() -> None:
    from analyzer.tables import CAUSES

    advice = tomllib.loads((PACKAGE / "metrics" / "advice.toml").read_text(encoding="utf-8"))
    assert set(advice) == set(CAUSES) and all(advice.values())


def test_every_part_of_the_bound_has_a_reason_or_is_the_start() -> None:
    from analyzer.tables import BOUND_PARTS
    from analyzer.verdict.judge import PART_REASON, reason_texts

    assert set(BOUND_PARTS) - set(PART_REASON) == {"bound_claim_m", "bound_class_m", "bound_base_m"}
    assert set(PART_REASON.values()) <= set(reason_texts())


# Words


PLACES = ("analyzer/**/*", "tests/**/*", "notebooks/*", ".ci/*", "*.md", "*.toml", "data_demo/**/*")
WRITTEN = (".py", ".toml", ".md", ".json", ".ipynb", ".css", ".js", ".jinja", "")
TEXTS = sorted(
    p for place in PLACES for p in ROOT.glob(place)
    if p.is_file() and p.suffix in WRITTEN and p != Path(__file__).resolve() and "__pycache__" not in p.parts
)
#: What must not stand anywhere in the project: unfinished work, and how the work was organised.
UNWANTED = {
    "unfinished work": r"\bTODO\b|\bFIXME\b|\bXXX\b|\bNotImplementedError\b|\bHACK\b",
    "a number of a ticket": r"(?i)\bissue #?\d+|\bticket #?\d+|[( ]#[1-9]\d{0,3}\b(?! *[;,})])",
    "a folder outside the project": r"(?<![\w.])/work/|\.\./shared/(?!data)",
    "how the work was organised": r"(?i)\b(language model|previous session|this session|sub-?agent|helper session)\b",
    "a document beside the project": r"\b(contract|design|facts|style|BRIEF)\.md\b",
}


@pytest.mark.parametrize("what", sorted(UNWANTED))
def test_no_text_holds(what: str) -> None:
    pattern = re.compile(UNWANTED[what])
    found = []
    for path in TEXTS:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if pattern.search(line):
                found.append(f"{path.relative_to(ROOT).as_posix()}:{number}: {line.strip()[:100]}")
    assert not found, "\n".join(found)


def test_no_library_code_prints() -> None:
    wrong = [f"{name_of(p)}:{n.lineno}" for p in MODULES if p.parent.name != "cli"
             for n in nodes(p) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "print"]
    assert not wrong, wrong


def test_no_registry_host_stands_in_a_file() -> None:
    pattern = re.compile(r"https?://(?:[\w-]+\.)*(?:pypi|pythonhosted|npmjs|conda|anaconda)\.", re.I)
    wrong = [p.relative_to(ROOT).as_posix() for p in TEXTS if pattern.search(p.read_text(encoding="utf-8"))]
    assert not wrong, wrong


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_paths_that_the_guides_name_are_there(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:\.ci|analyzer|tests|data_demo|notebooks)/[\w./]*)`", text))
    named |= set(re.findall(r"\]\(([\w./]+)\)", text))
    places = {p for p in named if "NAME" not in p}
    assert places and not [p for p in sorted(places) if not (ROOT / p).exists()]


def test_basenames_of_tests_are_unique() -> None:
    names = [p.name for p in (ROOT / "tests").rglob("*.py") if p.name != "conftest.py"]
    assert len(names) == len(set(names)), sorted({n for n in names if names.count(n) > 1})


def test_the_top_level_holds_only_what_it_should() -> None:
    files = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    folders = {"analyzer", "notebooks", "tests", "data_demo"}
    left_by_tools = {"dist", "build", "venv"}
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith((".", "result", "out"))}
    assert found - left_by_tools <= files | folders
