"""Read a TOML file that a user wrote and check it against its schema; errors name file, line, key and the remedy."""

from __future__ import annotations

import json
import math
import re
import sys
import tomllib
from collections.abc import Sequence
from functools import cache
from importlib import import_module, resources
from pathlib import Path
from typing import Any

from analyzer.errors import UsageError


@cache
def schema(name: str, package: str = "analyzer.userfiles") -> dict[str, Any]:
    """Return the JSON Schema `name` that ships with `package`."""
    text = resources.files(package).joinpath("schemas", f"{name}.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


#: What shows every key of a kind of file that users write.
_SHOWN_BY = {
    "purpose": "postdrive purposes --blank shows what is allowed", "setup": "postdrive setup shows what is allowed",
    "column_map": "postdrive columns FILE proposes a whole map", "accept": "postdrive assess --help shows what is allowed",
}


def read_toml(path: Path, *, schema_name: str, what: str, package: str = "analyzer.userfiles") -> dict[str, Any]:
    """Return the content of the TOML file at `path`, valid by the schema `schema_name`.

    Raises
    ------
    UsageError : missing or unreadable file, TOML fault (with its line), or a value the schema refuses.
    """
    return parse_toml(
        read_user_text(path, what=what), name=str(path), schema_name=schema_name, what=what, package=package
    )


def read_user_text(path: Path, *, what: str) -> str:
    """Return the UTF-8 text of a user's file, or raise UsageError in one sentence."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(f"{what} {path}: there is no such file; check the path.") from None
    except IsADirectoryError:
        raise UsageError(f"{what} {path}: this is a folder; name the file itself.") from None
    except UnicodeDecodeError as error:
        raise UsageError(f"{what} {path}: byte {error.start} is not UTF-8 text; save the file as UTF-8.") from None
    except OSError as error:
        raise UsageError(f"{what} {path}: cannot be read ({error.strerror}); check its permissions.") from None


def parse_toml(
    text: str, *, name: str, schema_name: str, what: str, package: str = "analyzer.userfiles"
) -> dict[str, Any]:
    """Return the content of TOML `text`; `name` is what errors call the file."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{what} {name}: not valid TOML ({error}); correct that line.") from None
    endless = _no_number(content)
    if endless is not None:
        line = line_of_key(text, endless)
        raise UsageError(f"{what} {name}: {f'line {line}, ' if line else ''}key '{key_in_words(endless)}': expected a finite number.")
    errors = sorted(
        _validators().Draft202012Validator(schema(schema_name, package)).iter_errors(content),
        key=lambda e: list(map(str, e.path)),
    )
    if errors:
        first = errors[0]
        path = list(first.absolute_path)
        key = key_in_words(path) or _named_key(first.message)
        line = line_of_key(text, path or [_named_key(first.message)])
        place = f"line {line}, " if line else ""
        if first.validator == "additionalProperties":
            allowed = ", ".join(sorted(first.schema.get("properties", {})))
            where = f" in '{key}'" if first.absolute_path else ""
            unknown = _named_key(first.message)
            line = line_of_key(text, [*path, unknown])
            raise UsageError(f"{what} {name}: {f'line {line}, ' if line else ''}key '{unknown}' is not known{where}; allowed are {allowed}.")
        raise UsageError(f"{what} {name}: {place}key '{key}': {_wrong(first)}; {_SHOWN_BY.get(schema_name, 'correct it')}.")
    return content


def _wrong(error: Any) -> str:
    """Return what is wrong; where a table is expected and a plain value stands, what such a table looks like."""
    needed = error.schema.get("required", []) if isinstance(error.schema, dict) and error.validator == "type" else []
    if not needed or error.validator_value != "object":
        return _expected(error)
    value = f'"{error.instance}"' if isinstance(error.instance, str) else "…"
    return f"expected a table, such as {{ {needed[0]} = {value} }}"


def _expected(error: Any) -> str:
    """Return the message of the schema, one value that is expected together with what stands there."""
    return f"{error.instance!r} is not {error.validator_value!r}, the only one that is right" if error.validator == "const" else str(error.message)


def _validators() -> Any:
    """Return the package of validators, loaded without an optional grammar of one text format.

    Where that is installed for other purposes it takes a second to load; no schema here uses it.
    """
    grammar = "rfc3987_syntax"
    if "jsonschema" in sys.modules or grammar in sys.modules:
        return import_module("jsonschema")
    sys.modules[grammar] = None  # type: ignore[assignment]
    try:
        return import_module("jsonschema")
    finally:
        del sys.modules[grammar]


def _named_key(message: str) -> str:
    """Return the key that a schema message quotes first."""
    found = re.search(r"'([^']+)'", message)
    return found.group(1) if found else "?"


def key_in_words(path: Sequence[str | int]) -> str:
    """Return ``limit 2.value`` for the key value of the second [[limit]]: entries are counted from 1, as a reader counts."""
    words = ""
    for part in path:
        words += f" {part + 1}" if isinstance(part, int) else f"{'.' if words else ''}{part}"
    return words


def line_of_key(text: str, keys: Sequence[str | int]) -> int | None:
    """Return the 1-based line on which the last of `keys` is set below the others' tables, or None.

    A number behind a key names its entry, counted from 0: the table that stands there so often.
    """
    position = 0
    line = None
    for at, key in enumerate(keys):
        if isinstance(key, int):
            continue
        number = keys[at + 1] if at + 1 < len(keys) else 0
        table = rf"(?:[\w.-]+\.)?{re.escape(key)}\s*\]"
        entries = list(re.compile(rf"^\s*\[\[\s*{table}\]", re.M).finditer(text, position))
        any_place = re.compile(rf"^\s*(?:\[+\s*{table}+|[\"']?{re.escape(key)}[\"']?\s*=)", re.M)
        found = entries[number] if isinstance(number, int) and number < len(entries) else any_place.search(text, position)
        if found:
            line = text.count("\n", 0, found.start() + len(found.group(0)) - len(found.group(0).lstrip())) + 1
            position = found.end()
    return line


def _no_number(content: object, path: tuple[str | int, ...] = ()) -> tuple[str | int, ...] | None:
    """Return the path of the first number that is not finite, None where all are."""
    if isinstance(content, float) and not math.isfinite(content):
        return path
    parts = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    return next((found for key, value in parts if (found := _no_number(value, (*path, key))) is not None), None)
