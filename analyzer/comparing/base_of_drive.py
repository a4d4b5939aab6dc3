"""What the log at the base says of the base during a drive, as findings: an antenna that moved moves all positions with it."""

from __future__ import annotations

from analyzer.comparing.base_check import BaseCheck, check_base
from analyzer.comparing.base_move_words import all_moves
from analyzer.errors import InputError
from analyzer.metrics.base_site_shift import limits
from analyzer.recording import Finding, Recording


def base_of_drive(base_log: Recording | None) -> tuple[Finding, ...]:
    """Return what a log at the base says of the base: a warning where it moved, had not settled or saw few satellites, else a note."""
    if base_log is None:
        return ()
    try:
        check = check_base(base_log)
    except InputError as error:
        return (Finding("base_log_unfit", "warning", f"Whether the base stood still is not evaluated from its log: {error}", {}),)
    faults = _faults(check)
    evidence = {"settled": check.settled, "moves": len(check.settling.moves), "share_ge_12_satellites": check.satellites["share_ge_12"]}
    if faults:
        text = f"By its own log the base {'; it '.join(faults)}: the trust of positions does not show that; postdrive base tells more."
        return (Finding("base_log_unfit", "warning", text, evidence),)
    return (Finding("base_log_judged", "note", f"The base by its own log: {check.sentences[0]}", evidence),)


def _faults(check: BaseCheck) -> list[str]:
    """Return what speaks against the base by its log, each to be read behind "the base"."""
    out, moves = list[str](), check.settling.moves
    if moves:
        out.append(f"{all_moves(moves, check.start_utc)}; where its antenna moved, all positions moved with it")
    if check.settled is False and not set(check.answer.by) <= {move.kind for move in moves}:
        out.append("had not settled when its log began")
    if check.few:
        out.append(f"had fewer than {limits()['sky.least_satellites']:.0f} satellites for {100 * (1 - check.satellites['share_ge_12']):.0f} % of the time")
    return out
