"""Judge the positions of a drive after the drive: is this run's position data trustworthy, and for what?

Public names are imported on first use, so that the command line starts quickly.
"""

from __future__ import annotations

from importlib import import_module

__version__ = "0.1.0"

TYPE_CHECKING = False  # known to type checkers; importing typing would lengthen every start
if TYPE_CHECKING:
    from analyzer.assessment import Assessment, Limit, Purpose, SetupItem, Verdict
    from analyzer.attaching.attach import Attached, attach
    from analyzer.attaching.checking import check_attached
    from analyzer.attaching.marker_windows import read_marker_windows
    from analyzer.batch.run import BatchResult, run_batch
    from analyzer.comparing.base_check import BaseCheck, check_base
    from analyzer.comparing.compare import compare
    from analyzer.comparing.result import Comparison
    from analyzer.errors import AnalyzerError, InputError, MissingExtraError, OutputError, RefusedError, UsageError
    from analyzer.judging import assess
    from analyzer.metrics.metric import Metric
    from analyzer.metrics.result import Metrics
    from analyzer.metrics.whole import measure_whole as measure
    from analyzer.parsers.reading import read
    from analyzer.recording import Finding, Ledger, Recording, Source
    from analyzer.results.load import load_result
    from analyzer.results.write import write_results
    from analyzer.userfiles.setup_sheet import Setup, load_setup
    from analyzer.userfiles.tabular import read_check_points, read_windows
    from analyzer.verdict.purposes import load_purpose

_HOME = {
    "AnalyzerError": "errors",
    "Assessment": "assessment",
    "Attached": "attaching.attach",
    "BaseCheck": "comparing.base_check",
    "BatchResult": "batch.run",
    "Comparison": "comparing.result",
    "Finding": "recording",
    "InputError": "errors",
    "Ledger": "recording",
    "Limit": "assessment",
    "Metric": "metrics.metric",
    "Metrics": "metrics.result",
    "MissingExtraError": "errors",
    "OutputError": "errors",
    "Purpose": "assessment",
    "Recording": "recording",
    "RefusedError": "errors",
    "Setup": "userfiles.setup_sheet",
    "SetupItem": "assessment",
    "Source": "recording",
    "UsageError": "errors",
    "Verdict": "assessment",
    "assess": "judging",
    "attach": "attaching.attach",
    "check_attached": "attaching.checking",
    "check_base": "comparing.base_check",
    "compare": "comparing.compare",
    "load_purpose": "verdict.purposes",
    "load_result": "results.load",
    "load_setup": "userfiles.setup_sheet",
    "measure": "metrics.whole:measure_whole",
    "read": "parsers.reading",
    "read_check_points": "userfiles.tabular",
    "read_marker_windows": "attaching.marker_windows",
    "read_windows": "userfiles.tabular",
    "run_batch": "batch.run",
    "write_results": "results.write",
}

__all__ = [
    "AnalyzerError",
    "Assessment",
    "Attached",
    "BaseCheck",
    "BatchResult",
    "Comparison",
    "Finding",
    "InputError",
    "Ledger",
    "Limit",
    "Metric",
    "Metrics",
    "MissingExtraError",
    "OutputError",
    "Purpose",
    "Recording",
    "RefusedError",
    "Setup",
    "SetupItem",
    "Source",
    "UsageError",
    "Verdict",
    "assess",
    "attach",
    "check_attached",
    "check_base",
    "compare",
    "load_purpose",
    "load_result",
    "load_setup",
    "measure",
    "read",
    "read_check_points",
    "read_marker_windows",
    "read_windows",
    "run_batch",
    "write_results",
]


def __getattr__(name: str) -> object:
    """Import a public name from its module on first use."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, own = _HOME[name].partition(":")
    value = getattr(import_module(f"{__name__}.{module}"), own or name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME])
