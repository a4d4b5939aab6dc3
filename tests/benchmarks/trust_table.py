"""How honest the judgement is over rates, noise and missing sentences, on simulated drives of one seed.

usage: python tests/benchmarks/trust_table.py [--seed S] [--rates HZ …] [--noise F …] [--variants V …] [--family NAME …]
       [--rotate N] [--families] [--jobs N] [--cache DIR] [--list]

A cell is one rate, one noise factor and one variant. So that the whole table is light to make, each cell holds a subset of
the families: a clean drive, one that loses corrections and one with wrong fixes, and `--rotate` further families that change from
cell to cell, so that over the table every family is met. The same family is the same drive in every cell but for what the cell
says. What was scored is kept per drive under `--cache`, named by the drive and by the code that judged it: a table that was broken off
goes on where it stopped, and a change of the package starts anew.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

import trust_bench  # noqa: E402
import trust_score  # noqa: E402

from analyzer.demo import DriveSpec, bench_specs, families, make_drive  # noqa: E402

RATES_HZ = (1.0, 5.0, 10.0, 20.0, 50.0, 100.0)
NOISE = (0.5, 1.0, 2.0, 3.0)
#: What is logged and what the solution is made of.
VARIANTS: dict[str, dict[str, Any]] = {
    "all sentences": {"solution_kind": "gnss", "gst": True, "rmc": True, "outputs": ()},
    "no GST": {"solution_kind": "gnss", "gst": False, "rmc": True, "outputs": ()},
    "no RMC": {"solution_kind": "gnss", "gst": True, "rmc": False, "outputs": ()},
    "fused, no inertial": {"solution_kind": "fused", "gst": True, "rmc": True, "outputs": ()},
    "fused, with inertial": {"solution_kind": "fused", "gst": True, "rmc": True, "outputs": ("inertial",)},
}
ALWAYS = {"gnss": ("clean", "radio_loss", "wrong_fix"), "fused": ("clean", "radio_loss", "wrong_fix_fused")}
ONLY = {"gnss": ("not_aligned", "wrong_fix_fused"), "fused": ("wrong_fix", "spikes")}
#: As in `bench_specs`: long enough for the slow faults, short enough at high rates.
DURATION_S = {1.0: 900.0, 50.0: 420.0, 100.0: 360.0}
#: What is asked at noise x0.5 and x1; the figures of the rest are printed.
ASKED = "asked at noise x0.5 and x1: misleading <= 0.001, useful >= 0.95, coverage >= 0.95, vertical >= 0.95, width <= 2.5, first_fix_s 0"


@dataclass(frozen=True)
class Task:
    """One drive of one cell."""

    cell: tuple[float, float, str]
    family: str
    spec: DriveSpec


def tasks(options: argparse.Namespace) -> Iterator[Task]:
    """Yield the drives of every cell."""
    turn = 0
    for variant in options.variants:
        common = VARIANTS[variant]
        kind = common["solution_kind"]
        for rate in options.rates:
            for noise in options.noise:
                given = common | {"rate_hz": rate, "noise_factor": noise, "duration_s": DURATION_S.get(rate, 600.0)}
                drives = by_family(options.seed, tuple(sorted(given.items())))
                fixed = list(options.family or ALWAYS[kind])
                spare = [] if options.family else [f for f in drives if f not in (*fixed, *ONLY[kind])]
                more = [spare[(turn + k) % len(spare)] for k in range(options.rotate)] if spare else []
                turn += len(more)
                yield from (Task((rate, noise, variant), f, drives[f]) for f in dict.fromkeys((*fixed, *more)) if f in drives)


@cache
def by_family(seed: int, given: tuple[tuple[str, Any], ...]) -> dict[str, DriveSpec]:
    """Return the first drive of every family, with what a cell gives."""
    out: dict[str, DriveSpec] = {}
    for spec in bench_specs(60, seed=seed, **dict(given)):
        out.setdefault(spec.family_name, spec)
    return out


@cache
def code_digest() -> str:
    """Return a digest of everything that makes, judges and scores a drive."""
    digest = hashlib.sha256()
    for path in sorted([*(ROOT / "analyzer").rglob("*.py"), *(ROOT / "analyzer").rglob("*.toml"), Path(trust_score.__file__),
                        Path(trust_bench.__file__)]):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def kept_at(place: Path, spec: DriveSpec) -> Path:
    """Return where the score of a drive is kept."""
    return place / f"{hashlib.sha256((code_digest() + repr(spec)).encode()).hexdigest()[:32]}.score"


def scored(spec: DriveSpec, kept: Path) -> trust_score.Score:
    """Make, judge and score one drive, and keep the score."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = make_drive(Path(scratch) / "drive", spec)
        score = trust_score.score_drive(folder, *trust_bench.judged(folder, write=False))
    beside = kept.with_suffix(".building")
    beside.write_bytes(pickle.dumps(score))
    beside.replace(kept)
    return score


def known(kept: Path) -> trust_score.Score | None:
    """Return a score that was kept by an earlier run of this script, None without."""
    if not kept.exists():
        return None
    score: trust_score.Score = pickle.loads(kept.read_bytes())
    return score


def run(wanted: list[Task], place: Path, jobs: int) -> dict[Task, trust_score.Score]:
    """Return the score of every drive, those kept before first."""
    done = {t: s for t in wanted if (s := known(kept_at(place, t.spec))) is not None}
    left = [t for t in wanted if t not in done]
    print(f"{len(wanted)} drives, {len(done)} of them scored before", file=sys.stderr)
    began = time.perf_counter()

    def told(task: Task, score: trust_score.Score) -> None:
        done[task] = score
        rate, noise, variant = task.cell
        print(f"{len(done)}/{len(wanted)} {rate:g} Hz x{noise:g} {variant}: {task.family}, {time.perf_counter() - began:.0f} s", file=sys.stderr)

    if jobs == 1:
        for task in left:
            told(task, scored(task.spec, kept_at(place, task.spec)))
        return done
    with ProcessPoolExecutor(jobs) as pool:
        futures = {pool.submit(scored, t.spec, kept_at(place, t.spec)): t for t in left}
        for future in as_completed(futures):
            told(futures[future], future.result())
    return done


def summed(name: str, scores: list[trust_score.Score]) -> dict[str, object]:
    """Return the figures of several drives as one row."""
    total = trust_score.Score(name)
    for score in scores:
        total += score
    return {"drives": len(scores)} | total.row()


def grouped(done: dict[Task, trust_score.Score], names: tuple[str, ...], key: Any) -> pd.DataFrame:
    """Return one row per group of drives."""
    groups: dict[tuple[Any, ...], list[trust_score.Score]] = defaultdict(list)
    for task, score in done.items():
        groups[key(task)].append(score)
    rows = [dict(zip(names, group, strict=True)) | summed(str(group), scores) for group, scores in groups.items()]
    return pd.DataFrame(rows).sort_values(list(names)).set_index(list(names))


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--rates", nargs="+", type=float, default=list(RATES_HZ), choices=RATES_HZ)
    parser.add_argument("--noise", nargs="+", type=float, default=list(NOISE))
    parser.add_argument("--variants", nargs="+", default=list(VARIANTS), choices=list(VARIANTS))
    parser.add_argument("--family", nargs="+", default=[], choices=list(families()), metavar="NAME", help="only these families in every cell")
    parser.add_argument("--rotate", type=int, default=1, help="further families per cell, other ones in each")
    parser.add_argument("--families", action="store_true", help="print every family by itself as well")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--cache", type=Path, default=ROOT / "build" / "trust_table")
    parser.add_argument("--list", action="store_true", help="only say which drives the table would hold")
    options = parser.parse_args()
    wanted = list(tasks(options))
    if options.list:
        print(pd.DataFrame([(*t.cell, t.family) for t in wanted], columns=["rate_hz", "noise", "variant", "family"]).to_string())
        return
    options.cache.mkdir(parents=True, exist_ok=True)
    done = run(wanted, options.cache, options.jobs)
    order = {v: k for k, v in enumerate(VARIANTS)}
    views: list[tuple[str, tuple[str, ...], Any]] = [
        ("per cell", ("variant", "rate_hz", "noise"), lambda t: (f"{order[t.cell[2]] + 1} {t.cell[2]}", t.cell[0], t.cell[1])),
        ("per rate", ("rate_hz",), lambda t: (t.cell[0],)), ("per noise factor", ("noise",), lambda t: (t.cell[1],)),
        ("per variant", ("variant",), lambda t: (f"{order[t.cell[2]] + 1} {t.cell[2]}",)),
    ]
    if options.families:
        views.append(("per family", ("family",), lambda t: (t.family,)))
    print(ASKED)
    for title, names, key in [*views, ("all drives", ("all",), lambda t: ("ALL",))]:
        print(f"\n{title}\n{grouped(done, names, key).round(4).to_string()}")
    for text in (m for s in done.values() for m in s.missed):
        print("missed:", text)


if __name__ == "__main__":
    main()
