"""Colours by role, for a light and a dark page, and the marks that carry the same meaning without colour.

Fix states stand on one scale of lightness, the better the further from the page: dark on a light page, light on a dark one; trust has three hues that differ in lightness too,
so that they stay apart for colour-blind readers and in grey print, where a hatch is added.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from analyzer import tables


@dataclass(frozen=True)
class Ink:
    """One role: its colour on a light page and on a dark page."""

    light: str
    dark: str


def _states() -> dict[str, Ink]:
    """Return the fix-state scale: even steps of lightness from the best state to the worst, which is nearest to the page."""
    light = ("#123f5e", "#265673", "#3b6c89", "#55849f", "#7199b1", "#8fafc2", "#adc5d3", "#cadae3", "#e6eef2")
    dark = ("#eff4f7", "#d8e4eb", "#c2d4de", "#acc4d2", "#96b4c6", "#81a5ba", "#6c95ae", "#5786a0", "#467692")
    return {f"state-{name}": Ink(*pair) for name, *pair in zip(tables.FIX_STATES, light, dark, strict=True)}


#: Every role that a figure may use. Each light colour is unique: it is the key by which a figure follows the page.
INKS: Mapping[str, Ink] = MappingProxyType(
    {
        "ink": Ink("#1d2227", "#e4e1da"),
        "ink-soft": Ink("#59626b", "#a4abb1"),
        "rule": Ink("#d9d5cc", "#3c4349"),
        "paper": Ink("#fbfaf6", "#16191c"),
        "panel": Ink("#f3f1ea", "#1f2429"),
        "limit": Ink("#a3241c", "#ff8d7e"),
        "cursor": Ink("#b0186b", "#ff86c8"),
        "line": Ink("#2b4a60", "#9cc3dc"),
        "selected": Ink("#e3c9da", "#57304a"),
        "trust-trusted": Ink("#4b8fce", "#6fb2ee"),
        "trust-doubtful": Ink("#c79d3f", "#e6c66e"),
        "trust-rejected": Ink("#5c1c74", "#a564c1"),
        "trust-not_evaluated": Ink("#9aa0a6", "#6f777e"),
        **_states(),
    }
)

#: Hatches for print, dashes and widths for lines, by trust.
HATCH: Mapping[str, str] = MappingProxyType(
    {"trusted": "", "doubtful": "////", "rejected": "xxxx", "not_evaluated": "...."}
)
DASH: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {"trusted": (), "doubtful": (7, 3), "rejected": (4, 2), "not_evaluated": (1, 3)}
)
WIDTH: Mapping[str, float] = MappingProxyType({"trusted": 2.2, "doubtful": 3.2, "rejected": 4.6, "not_evaluated": 1.6})


def colour(role: str) -> str:
    """Return the light-page colour of `role`, the one that static figures are drawn with."""
    return INKS[role].light


def css_variables(*, dark: bool) -> str:
    """Return the declarations ``--role: colour;`` of one page."""
    return " ".join(f"--{role}: {ink.dark if dark else ink.light};" for role, ink in INKS.items())


def follow_page(svg: str) -> str:
    """Return `svg` with each role's colour replaced by the page's variable of that role."""
    for role, ink in INKS.items():
        svg = svg.replace(ink.light, f"var(--{role})")
    return svg
