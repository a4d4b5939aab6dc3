"""The last parts of a report: the account of bytes, methods with sources, cautions and versions."""

from __future__ import annotations

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.metrics.metric import Metric
from analyzer.recording import Ledger, Source
from analyzer.report import figure_names, figure_words
from analyzer.report.model import Section, Table

CAUTIONS = (
    "This judges a recording after the drive. It is no integrity monitor, and nothing may steer or brake on it.",
    "Positions relative to a base that was surveyed by itself are not survey-grade absolute coordinates. For legal "
    "boundaries, control surveys or type approval follow the local rules and a licensed or accredited body.",
    "Scatter at rest is repeatability, not accuracy. Accuracy needs a reference.",
    "Driving tests follow the safety rules of the site.",
)
KINDS = {
    "accepted": "accepted",
    "checksum": "wrong checksum",
    "no_checksum": "no checksum",
    "truncated": "cut short",
    "field": "wrong or missing field",
    "unknown_sentence": "sentence not known",
    "proprietary": "maker's own sentence",
    "other_text": "other text",
    "binary": "binary",
    "rtcm": "RTCM 3 frames",
    "duplicate_epoch": "epoch given twice",
    "leap_second": "leap second",
}
_LEVELS = {"problem": "Prevents an answer: ", "warning": "Weakens an answer: ", "note": ""}


def figures(assessment: Assessment) -> Section:
    """Return every figure by family, with samples, interval and method; then those that could not be had, and why."""
    metrics = assessment.metrics.values
    if not metrics:
        return Section("figures", "Figures and methods", ("No figure could be made from this recording.",))
    titles = [title for title, _ in figure_words.FAMILIES] + ["Other figures"]
    groups = {title: [m for m in metrics if m.evaluated and figure_words.family(m.key) == title] for title in titles}
    tables = [_figures(title, found) for title, found in groups.items() if found]
    lacking = tuple(
        (figure_names.name(m.key), f"not evaluated: {m.not_evaluated}", m.method) for m in metrics if not m.evaluated
    )
    if lacking:
        tables.append(Table("Not evaluated", ("figure", "why", "method"), lacking, wide=frozenset({0, 1, 2})))
    return Section("figures", "Figures and methods", tables=tuple(tables))


def _figures(title: str, found: list[Metric]) -> Table:
    """Return the table of one family; the column of intervals stands only where there is one."""
    with_interval = any(m.interval is not None for m in found)
    head = ("figure", "value", *(["95 % interval"] if with_interval else []), "samples", "method")
    rows = tuple(
        (
            figure_names.name(m.key),
            figure_words.metric_value(m),
            *([figure_words.metric_interval(m)] if with_interval else []),
            wording.size(m.n),
            m.method,
        )
        for m in found
    )
    last = len(head) - 1
    return Table(title, head, rows, frozenset({1, last - 1}), wide=frozenset({0, last}))


def purpose(assessment: Assessment) -> Section:
    """Return what the purpose asks for, why, and by which source."""
    wanted = assessment.purpose
    rows = tuple(
        (x.quantity if x.axis == x.quantity else f"{x.quantity}, {x.axis}", f"{x.value:g} {x.unit}", _read_as(x.read_as), x.reason, x.source)
        for x in wanted.limits
    )
    lines = [
        f"An epoch is trusted where its 95 % bound times {wanted.margin:g} stays within the limit and no evidence "
        "contradicts it."
    ]
    asked = (
        (wanted.largest_age_s, "corrections at most {} s old"),
        (wanted.least_rate_hz, "at least {} Hz"),
        (wanted.least_satellites, "at least {} satellites"),
    )
    also = [form.format(f"{value:g}") for value, form in asked if value is not None]
    also += [f"the channel {name}" for name in wanted.required_channels]
    if also:
        lines.append(f"The purpose also asks for {wording.listing(also)}.")
    table = Table(
        f"Limits of the purpose: {wanted.title}",
        ("quantity", "limit", "read as", "reason", "source"),
        rows,
        frozenset({1}),
        wide=frozenset({3, 4}),
    )
    return Section("purpose", "What the purpose asks for", tuple(lines), tables=(table,) if rows else ())


def _read_as(code: str) -> str:
    """Return how a limit is read."""
    return {"95": "95 %", "sigma": "1σ", "rms": "RMS"}.get(code, code)


def ledger(assessment: Assessment) -> Section:
    """Return the account of every byte of every source."""
    sources = assessment.recording.sources
    if not sources:
        return Section("ledger", "Account of the files", ("No file was read.",))
    return Section(
        "ledger",
        "Account of the files",
        ("Every byte is either used or set aside for a stated reason.",),
        tables=tuple(map(_account, sources)),
    )


def _account(source: Source) -> Table:
    """Return the account of one source."""
    book = source.ledger
    total = (
        "sum" if book.balanced else "sum (does not balance)",
        "",
        "",
        wording.size(sum(e.size for e in book.entries)),
        "",
        f"of {wording.size(book.size)} {book.unit}s",
    )
    unused = f"; columns not used: {', '.join(book.unused)}" if book.unused else ""
    note = f"Read as {source.format}, recorded at: {source.place}, {wording.size(source.unpacked_size)} bytes unpacked"
    head = ("kind", "tag", "pieces", f"{book.unit}s", "share", "first case")
    return Table(
        f"Account of {source.name}",
        head,
        (*_entries(book), total),
        frozenset({2, 3, 4}),
        wide=frozenset({5}),
        note=f"{note}, SHA-256 {source.sha256}{unused}.",
    )


def _entries(book: Ledger) -> tuple[tuple[str, ...], ...]:
    """Return one row per entry of a ledger: what was accepted first, then the largest."""
    return tuple(
        (
            KINDS.get(e.kind, wording.words(e.kind)),
            e.tag or wording.ABSENT,
            wording.size(e.count),
            wording.size(e.size),
            wording.share(e.size / book.size if book.size else None),
            _first_case(e.cases, book.unit),
        )
        for e in sorted(book.entries, key=lambda e: (e.kind != "accepted", -e.size))
    )


def _first_case(cases: tuple[object, ...], unit: str) -> str:
    """Return where the first case stands and what it reads."""
    if not cases:
        return wording.ABSENT
    first = cases[0]
    return f"{unit} {wording.size(first.start)}: {first.excerpt}"  # type: ignore[attr-defined]


def findings(assessment: Assessment) -> Section:
    """Return what a reader must know of this run, gravest first."""
    found = (*assessment.findings, *assessment.recording.findings, *assessment.metrics.findings)
    unique = list(dict.fromkeys((f.level, f.text) for f in found))
    order = list(_LEVELS)
    unique.sort(key=lambda pair: order.index(pair[0]) if pair[0] in order else len(order))
    items = tuple(wording.sentence(f"{_LEVELS.get(level, '')}{text}") for level, text in unique)
    return Section("findings", "What else was found", () if items else ("Nothing else.",), items)


def cautions() -> Section:
    """Return the cautions that every report carries."""
    return Section("cautions", "Cautions", items=CAUTIONS)


def versions(assessment: Assessment) -> Section:
    """Return what made this report, so that it can be made again."""
    rows = [
        *assessment.versions.items(),
        ("rules", assessment.verdict.rules_version),
        ("purpose, SHA-256", assessment.purpose.sha256),
    ]
    table = Table("Versions", ("what", "version"), tuple((str(k), str(v)) for k, v in rows))
    return Section("versions", "Versions", tables=(table,))
