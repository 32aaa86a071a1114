"""What a chart writes can be read: labels stand apart, decimals align, and no line runs through a word."""

from __future__ import annotations

import re
from itertools import pairwise
from math import isclose

from django.template.loader import render_to_string
from hypothesis import given
from hypothesis import strategies as st

from grading.metrology.control import individuals_chart
from grading.plots import charts
from grading.plots.charts import Plot, PlotSeries
from stockroom.pure.written import decimals
from tests.instruments import STEADY

A_CHARACTER = 6.5  # px, of a date in 12 px as chromium draws it


def drawn(count: int, label: str = "02 Oct 08:45") -> Plot:
    values = [STEADY[i % len(STEADY)] for i in range(count)]
    series = PlotSeries(values, [label] * count, frozenset(), range(min(count, 20)), "mA")
    return charts.individuals_plot(series, individuals_chart(STEADY))


@given(st.integers(2, 300), st.text("0123456789 Oct:", min_size=1, max_size=24))
def test_two_labels_never_run_together(count: int, label: str) -> None:
    ticks = drawn(count, label).x_ticks
    assert ticks
    for left, right in pairwise(ticks):
        assert right.at - left.at > A_CHARACTER * len(label) + 5


def test_the_numbers_of_many_valves_stand_apart_as_well() -> None:
    plot = charts.study_plot([str(i) for i in range(60)], ["ada"], [[[1.0 + i / 100]] for i in range(60)], "gm", "mA/V")
    gaps = [right.at - left.at for left, right in pairwise(plot.x_ticks)]
    assert min(gaps) > 2 * A_CHARACTER + 5


def test_the_labels_of_an_axis_have_as_many_decimals_each() -> None:
    for plot in (drawn(30), charts.study_plot(["1"], ["ada"], [[[46.0, 47.5]]], "anode current", "mA")):
        assert len({len(tick.label.partition(".")[2]) for tick in plot.y_ticks}) == 1


def test_a_check_is_written_with_the_decimals_of_the_others() -> None:
    series = PlotSeries([1.2, 1.25], ["1 Oct", "2 Oct"], frozenset({0}), range(0), "mA")
    plot = charts.individuals_plot(series, None)
    assert "1 Oct (1.20 mA)" in plot.description
    assert [mark.says for mark in plot.marks] == ["1 Oct: 1.20 mA", "2 Oct: 1.25 mA"]


def test_the_name_of_the_baseline_stands_above_the_frame_where_no_line_is() -> None:
    plot = drawn(30)
    written = render_to_string("plots/_plot.html", {"plot": plot})
    found = re.search(r'class="band-name" x="[\d.]+" y="([\d.]+)" dx="[-\d.]+" dy="([-\d.]+)"', written)
    assert found
    foot = float(found[1]) + float(found[2])
    assert 9 <= foot < plot.top, "inside the drawing, and above the frame"
    assert all(rule.at >= plot.top for rule in plot.rules)


@given(st.lists(st.integers(-99999, 99999), min_size=1, max_size=8), st.integers(0, 4))
def test_written_with_these_decimals_no_value_loses_anything(values: list[int], places: int) -> None:
    found = [value / 10**places for value in values]
    assert decimals(found) <= places
    assert all(isclose(float(f"{value:.{decimals(found)}f}"), value) for value in found)


def test_nothing_to_write_needs_no_decimals() -> None:
    assert decimals([]) == decimals([None]) == decimals([120000.0]) == 0 and decimals([0.00001]) == 5
