"""What a file in a folder of drives is, by its name alone; DEVELOPERS.md, Batch, holds the same list for people."""

from __future__ import annotations

from pathlib import Path

PACKED = (".gz", ".bz2", ".xz")
#: Suffixes that can be nothing but a log of sentences, so that a faulty one is a drive that fails, not a file unseen.
SENTENCES = (".nmea", ".nma")
#: Files of the user by their whole name.
USER_FILES = {"setup.toml": "setup", "windows.csv": "windows", "check_points.csv": "check_points", "accept.toml": "accept"}
#: Files of the user that serve every log of a folder of logs; the others belong to one drive only.
SHARED = ("setup", "check_points", "columns", "bus")
#: Recordings by how their name begins; the first that fits counts.
BEGINNINGS = (
    ("second_rover", "second_rover"),
    ("corrections_rover", "corrections@rover"),
    ("corrections_base", "corrections@base"),
    ("corrections", "corrections@unknown"),
    ("inertial", "inertial"),
    ("measurement", "measurement"),
    ("base_log", "base_log"),
    ("rover", "rover"),
)
#: Files that come with drives of known truth, and words for people.
IGNORED = ("truth.", "faults.", "readme", "made_with.")
#: Of one recording in several formats the first one is taken.
FORMATS = (".parquet", ".csv", ".txt", ".mf4")


def role_of(name: str) -> str | None:
    """Return what a file is by its name: a role of `DriveFiles`, ``rover``, ``ignored``, or None where it is open.

    Examples
    --------
    >>> role_of("rover_2.nmea.gz"), role_of("corrections_base.rtcm3"), role_of("inertial_columns.toml")
    ('rover', 'corrections@base', 'columns')
    """
    lower = name.lower()
    if lower in USER_FILES:
        return USER_FILES[lower]
    if lower.endswith(".toml"):
        return "columns" if lower.endswith("columns.toml") else "ignored"
    if lower.startswith(IGNORED):
        return "ignored"
    stem = stem_of(lower)
    if stem == "bus":
        return "bus"
    if stem == "base" or stem.endswith(("_base", "-base")):
        return "corrections@base" if stem.startswith("corrections") else "base_log"
    return next((role for beginning, role in BEGINNINGS if stem == beginning or stem.startswith((f"{beginning}_", f"{beginning}-"))), None)


def is_file(path: Path) -> bool:
    """Whether a path is a file or leads to one; no where it cannot be reached."""
    try:
        return path.is_file()
    except OSError:
        return False


def is_folder(path: Path) -> bool:
    """Whether a path is a folder or leads to one; no where it cannot be reached."""
    try:
        return path.is_dir()
    except OSError:
        return False


def like_a_log(name: str) -> bool:
    """Whether a name is that of a log of sentences or of a rover log with a suffix."""
    return suffix_of(name) in SENTENCES or (role_of(name) == "rover" and bool(suffix_of(name)))


def own_role(name: str, stem: str) -> str | None:
    """Return what ``STEM.setup.toml`` is for the log of that stem, None where the file is not for it."""
    prefix = f"{stem}."
    if not name.startswith(prefix):
        return None
    role = role_of(name[len(prefix):])
    return role if role not in (None, "ignored", "rover") else None


def stem_of(name: str) -> str:
    """Return a file name without its folder, its suffix and a suffix of packing."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return Path(unpacked(last)).stem


def suffix_of(name: str) -> str:
    """Return the suffix of a file name in lower case, that of packing left out."""
    return Path(unpacked(name)).suffix.lower()


def unpacked(name: str) -> str:
    """Return a name without a suffix of packing."""
    for suffix in PACKED:
        if name.lower().endswith(suffix):
            return name[: -len(suffix)]
    return name


def one_format(paths: list[Path]) -> tuple[list[Path], list[Path]]:
    """Return of each stem the path of the preferred format, and the others; several stems are several recordings."""
    kept: dict[str, Path] = {}
    for path in sorted(paths, key=lambda p: (_rank(p), p.name)):
        kept.setdefault(stem_of(path.name), path)
    chosen = sorted(kept.values(), key=lambda p: p.name)
    return chosen, [p for p in paths if p not in chosen]


def _rank(path: Path) -> int:
    suffix = suffix_of(path.name)
    return FORMATS.index(suffix) if suffix in FORMATS else len(FORMATS)
