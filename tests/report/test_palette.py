"""The order and separation of the colours, by CIE 1976 lightness of sRGB (IEC 61966-2-1, from memory, not re-read)."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest

from analyzer import tables
from analyzer.report import palette


def luminance(colour: str) -> float:
    """Return the relative luminance Y (0 to 1) of an sRGB colour."""
    channels = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ np.array([0.2126, 0.7152, 0.0722]))


def lightness(colour: str) -> float:
    """Return CIE 1976 L* of an sRGB colour."""
    y = luminance(colour)
    return 116 * y ** (1 / 3) - 16 if y > 216 / 24389 else y * 24389 / 27


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2 (success criterion 1.4.3)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_white_and_black_have_the_published_values() -> None:
    assert lightness("#ffffff") == pytest.approx(100, abs=0.01)
    assert lightness("#000000") == 0
    assert contrast("#ffffff", "#000000") == pytest.approx(21)


@pytest.mark.parametrize(("page", "towards"), [("light", 1), ("dark", -1)])
def test_a_better_fix_state_is_further_from_the_page_in_even_steps(page: str, towards: int) -> None:
    """Lightness alone tells neighbours apart, which readers of every colour vision see."""
    steps = towards * np.diff([lightness(getattr(palette.INKS[f"state-{name}"], page)) for name in tables.FIX_STATES])
    assert (steps > 5).all()
    assert steps.max() < 2 * steps.min()


@pytest.mark.parametrize("ground", ["paper", "panel"])
@pytest.mark.parametrize("role", [*(f"state-{name}" for name in tables.FIX_STATES), *(f"trust-{name}" for name in tables.TRUST)])
def test_marks_stand_out_from_a_dark_page(role: str, ground: str) -> None:
    """WCAG 2.1, success criterion 1.4.11: parts of a drawing that carry meaning have a contrast of at least 3 to what they lie on."""
    assert contrast(palette.INKS[role].dark, palette.INKS[ground].dark) >= 3.0


@pytest.mark.parametrize("page", ["light", "dark"])
def test_trust_differs_in_lightness_too(page: str) -> None:
    shades = [lightness(getattr(palette.INKS[f"trust-{name}"], page)) for name in ("trusted", "doubtful", "rejected")]
    assert all(abs(a - b) > 7 for a, b in itertools.combinations(shades, 2))


@pytest.mark.parametrize("page", ["light", "dark"])
@pytest.mark.parametrize(
    ("role", "least"), [("ink", 7.0), ("ink-soft", 4.5), ("limit", 4.5), ("cursor", 4.5), ("line", 4.5)]
)
def test_words_and_lines_stand_out_from_the_page(page: str, role: str, least: float) -> None:
    assert contrast(getattr(palette.INKS[role], page), getattr(palette.INKS["paper"], page)) >= least


def test_every_light_colour_is_its_own_key() -> None:
    colours = [ink.light for ink in palette.INKS.values()]
    assert len(set(colours)) == len(colours)
    assert all(re.fullmatch("#[0-9a-f]{6}", colour) for colour in colours)


def test_every_state_and_trust_has_its_marks() -> None:
    assert {f"trust-{name}" for name in tables.TRUST} | {f"state-{name}" for name in tables.FIX_STATES} <= set(
        palette.INKS
    )
    assert set(palette.HATCH) == set(palette.DASH) == set(palette.WIDTH) == set(tables.TRUST)
