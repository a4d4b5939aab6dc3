"""Logs of other receivers beside the drive: refused where they are the drive itself, named where they say nothing on it."""

from __future__ import annotations

from analyzer.errors import InputError
from analyzer.recording import Finding, Recording

#: What the log of another receiver is called, and the flag by which it is given.
_FURTHER = {"base log": "--base-log", "second rover": "--second-rover"}


def refuse_same(recording: Recording, *, base_log: Recording | None, second_rover: Recording | None) -> None:
    """Raise where the log of another receiver is the log of the drive: it would agree with itself.

    Raises
    ------
    InputError : content of the same SHA-256 was given twice.
    """
    own = {source.sha256: source.name for source in recording.sources if source.place == "rover"}
    for (what, flag), log in zip(_FURTHER.items(), (base_log, second_rover), strict=True):
        for source in log.sources if log is not None else ():
            if source.sha256 in own:
                raise InputError(f"{flag} {source.name}: its content is that of {own[source.sha256]}, the log of this drive; "
                                 f"expected the log of another receiver, or leave the {what} out.")


def about_further(recording: Recording, *, base_log: Recording | None, second_rover: Recording | None) -> tuple[Finding, ...]:
    """Return per further log what was read, and a warning where it shares no time with the drive."""
    out = []
    for what, log in zip(_FURTHER, (base_log, second_rover), strict=True):
        if log is not None and len(log.fixes):
            out.append(_about(what, log, recording))
    return tuple(out)


def _about(what: str, log: Recording, recording: Recording) -> Finding:
    """Return the finding on one further log."""
    first, last = log.fixes.index[0], log.fixes.index[-1]
    names = ", ".join(source.name for source in log.sources)
    evidence = {"sources": [{"name": s.name, "sha256": s.sha256} for s in log.sources], "epochs": len(log.fixes),
                "start_utc": first, "end_utc": last}
    span = f"{names}, {len(log.fixes)} epochs from {first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} UTC"
    if last < recording.fixes.index[0] or first > recording.fixes.index[-1]:
        text = f"The {what} ({span}) shares no time with the drive, so it says nothing on why corrections were lost; give the log of the same time."
        return Finding("further_log_other_time", "warning", text, evidence)
    return Finding("further_log", "note", f"The {what} was read for why corrections were lost: {span}.", evidence)
