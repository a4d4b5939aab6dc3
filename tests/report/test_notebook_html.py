"""A judged run shown by a notebook: the same words as the report, escaped, short, and on its own."""

from __future__ import annotations

from dataclasses import replace

import report_builders as builders
from report_reader import Page


def test_the_assessment_says_what_the_report_says_first() -> None:
    page = Page(builders.assessment()._repr_html_())
    for words in ("Run 07", "12 of 14 manoeuvres usable. Drive again: M05, M11", "Good to", "Corrections lost 3 times",
                  "of the recorded time", "Cannot be shown: A constant offset", "correction outage"):
        assert words in page.text, words
    assert page.scripts == 0 and page.links == []


def test_the_figures_come_with_unit_and_reason() -> None:
    page = Page(builders.assessment().metrics._repr_html_())
    assert "age_p50_s 1.5 s" in page.text and "Not evaluated: 1" in page.text and "no GSV sentences" in page.text


def test_names_from_a_log_stay_text() -> None:
    full = builders.assessment()
    html = replace(full, setup={**full.setup, "run": "<script>alert(1)</script>"})._repr_html_()
    assert "<script>" not in html and "&lt;script&gt;" in html


def test_further_dropouts_are_counted_and_an_empty_run_still_shows() -> None:
    full = builders.assessment()
    many = full.dropouts.loc[full.dropouts.index.repeat(4)].reset_index(drop=True)
    assert "12 further dropouts in .dropouts" in replace(full, dropouts=many)._repr_html_()
    assert "Not evaluated" in builders.empty()._repr_html_()
