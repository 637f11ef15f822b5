"""Figures: what they draw is what the tables hold, they can be read without sight, and a page of
them costs kilobytes.
"""

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from plotly.utils import PlotlyJSONEncoder
from scipy.stats import norm

from cmkit.assessment import Assessment
from cmkit.books.content import display as show
from cmkit.books.content.book import Book, open_book
from cmkit.books.content.compartment_data import (
    coming,
    family_limits_of,
    fresh_value,
    result_points,
    telling,
    with_hours,
    within_scatter,
)
from cmkit.books.content.figures.curves import cost_curves, sites_side_by_side
from cmkit.books.content.figures.panels import limit_line, line, rounded, stacked
from cmkit.books.content.figures.results import results_over_fluid, results_over_hours
from cmkit.books.content.figures.svg import as_svg
from cmkit.books.content.figures.wear_rate import forecast_fan, rate_over_time
from cmkit.books.content.sections.pages import compartment_page, compartment_pages
from cmkit.records.analytes import analyte_register

FAULTY = "WL-1/final drive/front right"


@pytest.fixture(scope="module")
def points(book: Book) -> pd.DataFrame:
    return result_points(book, FAULTY, telling(book, FAULTY))


def test_a_result_within_its_usual_scatter_is_not_called_above_or_below() -> None:
    """By the register: iron 0.5 ppm and a tenth, viscosity at 40 C 0.1 mm2/s and a fiftieth; a made-up result is never
    within.
    """
    rows = pd.DataFrame(
        [("Fe_ppm", 27.0, 28.2), ("Fe_ppm", 32.0, 28.2), ("visc40_cSt", 105.3, 111.0), ("visc40_cSt", 110.0, 111.0),
        ("own", 1.0, 1.0)],
        columns=["analyte", "value", "usual"],
    )  # fmt: skip
    assert within_scatter(rows).tolist() == [True, False, False, True, False]


def test_the_telling_results_are_those_that_fired(book: Book) -> None:
    """The invented fault raises iron and chromium most, copper a little."""
    assert set(telling(book, FAULTY)[:2]) == {"Fe_ppm", "Cr_ppm"}


def test_results_are_drawn_as_they_stand_in_the_samples(book: Book, points: pd.DataFrame) -> None:
    figure = results_over_hours(points, family_limits_of(book, FAULTY, "level"), "here")
    samples = book.tables.samples
    own = samples[samples["compartment"] == FAULTY].sort_values("drawn_on")
    lines = [t for t in figure.data if t.mode == "lines+markers"]
    for analyte, drawn in zip(dict.fromkeys(points["analyte"]), lines, strict=True):
        np.testing.assert_allclose(list(drawn.y), own[analyte].to_numpy(), rtol=1e-3)
        np.testing.assert_allclose(list(drawn.x), own["meter_h"].to_numpy(), rtol=1e-5)


def test_what_is_wrong_is_drawn_ahead_and_nothing_else(demo: Assessment) -> None:
    """Copper of a worn bush: by hand from the last two bottles on one charge, with scipy's normal interval."""
    book, place = open_book(demo, fleet=True), "WL-05/transmission"
    bronze = coming(book, place, result_points(book, place, ["Cu_ppm", "Pb_ppm", "Sn_ppm", "Fe_ppm"]))
    assert {"Cu_ppm"} <= set(bronze) <= {"Cu_ppm", "Pb_ppm", "Sn_ppm"}
    samples = demo.samples[demo.samples["compartment"] == place].sort_values("drawn_on").tail(2)
    step = demo.exposure.set_index("sample").loc[samples["sample"].iloc[-1]]
    before, value = samples["Cu_ppm"]
    hours = demo.forecast.set_index(["compartment", "analyte"]).loc[(place, "Cu_ppm"), "hours_ahead"]
    pace = (value - step["phi"] * before - step["chi"] * demo.numbers["fresh_ppm"].fillna(0).min()) / step["psi"]
    mean = value + 1.4 * pace * hours
    low, high = bronze["Cu_ppm"].low, bronze["Cu_ppm"].high
    assert (low + high) / 2 == pytest.approx(mean, rel=0.01)
    noise = analyte_register().loc["Cu_ppm", ["noise_floor", "noise_share"]].astype(float)
    now, then = (np.hypot(noise["noise_floor"], noise["noise_share"] * v) for v in (value, mean))
    spread = np.sqrt(then**2 + (now * (1 + 1.4 * hours / step["psi"])) ** 2 + (0.35 * pace * hours) ** 2)
    assert (high - low) / 2 == pytest.approx(norm.ppf(0.9) * spread, rel=0.01)
    points = result_points(book, place, ["Cu_ppm", "Fe_ppm"])
    figure = results_over_hours(points, family_limits_of(book, place, "level"), "here", ahead=bronze)
    (bar,) = [t for t in figure.data if t.mode == "lines" and t.line.width == 3]
    assert bar.y == pytest.approx([low, high], rel=1e-3)
    newest = points.loc[points["analyte"] == "Cu_ppm", "hours"].iloc[-1]
    assert bar.x == pytest.approx([newest + hours] * 2, rel=1e-4)
    assert "if nothing is done and the fluid stays in" in figure.layout.meta["caption"]
    quiet = set(demo.verdicts.loc[demo.verdicts["state"] == "clear", "compartment"]) - set(demo.evidence["compartment"])
    assert not any(coming(book, c, result_points(book, c, ["Fe_ppm", "Cu_ppm"])) for c in sorted(quiet)[:20])


def test_a_still_picture_keeps_to_its_panels() -> None:
    """The hours stand under the last panel whichever trace comes first; a line beyond a panel's scale is not drawn."""
    layout = stacked(["one", "two"], "hours")
    layout["yaxis"]["range"] = [7, 9]
    limit_line(layout, 0, 11.0, "alarm", 9.0)
    data = [line([1, 2], [5, 6], 1), line([1, 2], [8, 8.5], 0)]
    picture = as_svg({"data": data, "layout": layout})
    assert "alarm 11" not in picture
    height = float(re.search(r'viewBox="0 0 720 ([\d.]+)"', picture)[1])
    ticks = [float(y) for y in re.findall(r'y="([\d.]+)" text-anchor="middle" font-size="11"', picture)]
    assert min(ticks) > 0.8 * height


def test_the_change_of_fluid_stands_where_it_was_made(book: Book, points: pd.DataFrame) -> None:
    """Invented: every fluid was changed at 5,660 h on the meter."""
    figure = results_over_hours(points, family_limits_of(book, FAULTY, "level"), "here")
    lines = [t for t in figure.data if t.mode == "lines" and t.fill is None]
    assert len(lines) == len(set(points["analyte"]))
    for trace in lines:
        np.testing.assert_allclose([x for x in trace.x if x is not None], [5660, 5660], atol=1)


def viscosity(points: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invented: twelve results of a viscosity near 106 mm2/s, and limits of a tenth and a fifth either side of it."""
    own = points[points["analyte"] == "Fe_ppm"].assign(
        analyte="visc40_cSt", value=np.linspace(108.0, 100.0, 12), unit="mm²/s", expected=np.nan, expected_sd=np.nan
    )
    limits = [("down", 95.4, 84.8), ("up", 116.6, 127.2)]
    frame = pd.DataFrame(limits, columns=["direction", "alert", "alarm"])
    return own, frame.assign(analyte="visc40_cSt", named="alarm")


def test_a_viscosity_is_drawn_about_the_fresh_fluid_and_not_from_nothing(points: pd.DataFrame) -> None:
    own, limits = viscosity(points)
    for draw in (results_over_hours, results_over_fluid):
        figure = draw(own, limits, "here", {"visc40_cSt": 106.0})
        low, high = figure.layout.yaxis.range
        assert 90 < low < 95.4 < 116.6 < high < 120
        across = {s.y0 for s in figure.layout.shapes}
        assert across == {106.0, 95.4, 116.6}  # the far alarms would flatten it
        assert "fresh 106" in [a.text for a in figure.layout.annotations]
    past = results_over_hours(own.assign(value=np.linspace(108.0, 92.0, 12)), limits, "here", {"visc40_cSt": 106.0})
    assert 84.8 in {s.y0 for s in past.layout.shapes}  # past its alert the alarm is on the scale
    assert "fresh" in past.layout.meta["caption"]


def test_a_viscosity_whose_fresh_fluid_is_not_known_has_a_scale_of_its_own(points: pd.DataFrame) -> None:
    own, limits = viscosity(points)
    figure = results_over_hours(own, limits.iloc[:0], "here", {"visc40_cSt": np.nan})
    low, high = figure.layout.yaxis.range
    assert 98 < low < 100 < 108 < high < 110
    assert not figure.layout.shapes


def test_limits_against_the_fresh_fluid_are_drawn_in_the_results_unit(book: Book) -> None:
    """Invented: 106 mm2/s when fresh; the usual limits of practice, a share of that, stand there as levels."""
    place = book.places.loc["WL-2/engine"]
    fresh = pd.DataFrame(
        [
            {
                "site": place["site"],
                "fluid": place["fluid"],
                "grade": place["grade"],
                "analyte": "visc40_cSt",
                "fresh": 106.0,
            }
        ]
    )
    known = replace(book, tables=replace(book.tables, fresh=fresh))
    assert fresh_value(known, "WL-2/engine", "visc40_cSt") == 106.0
    assert np.isnan(fresh_value(known, "WL-2/engine", "visc100_cSt"))
    whole = book.tables.limits
    shares = whole[
        (whole["family"] == place["family"]) & (whole["analyte"] == "visc40_cSt") & (whole["measure"] == "change")
    ]
    levels = family_limits_of(known, "WL-2/engine", "level")
    levels = levels[levels["analyte"] == "visc40_cSt"]
    np.testing.assert_allclose(sorted(levels["alert"]), sorted(106 * (1 + shares["alert"])))
    assert len(levels) == 2
    other = known.tables.fresh.assign(site="south quarry")
    elsewhere = replace(book, tables=replace(book.tables, fresh=other))
    assert "visc40_cSt" not in set(family_limits_of(elsewhere, "WL-2/engine", "level")["analyte"])


def test_cost_is_drawn_over_the_logarithm_of_the_interval() -> None:
    """Doublings of the interval lie at equal distances; plotly takes a note's place there as a logarithm and a line's
    as the value.
    """
    hours = [125.0, 250.0, 500.0, 1000.0, 2000.0]
    curve = pd.DataFrame(
        {
            "name": "engines",
            "every_h": hours,
            "cost_per_1000h": [5, 4, 3, 4, 5],
            "low": [4, 3, 2, 3, 4],
            "high": [6, 5, 4, 5, 6],
        }
    )
    advice = pd.DataFrame(
        [{"name": "engines", "today_h": 250.0, "advised_h": 500.0, "flat_low_h": 250.0, "flat_high_h": 1000.0}]
    )
    figure = cost_curves(curve, advice, "EUR")
    assert figure.layout.xaxis.type == "log"
    assert set(hours) <= set(figure.layout.xaxis.tickvals)
    assert [s.x0 for s in figure.layout.shapes] == [250.0, 500.0]
    notes = {a.text.strip(): a.x for a in figure.layout.annotations if a.xref == "x"}
    np.testing.assert_allclose([10 ** notes["today 250 h"], 10 ** notes["advised 500 h"]], [250, 500])
    picture = as_svg(figure.to_plotly_json())
    at = {words: float(x) for x, words in re.findall(r'<text x="([\d.]+)"[^>]*>([\d,]+)</text>', picture)}
    steps = np.diff([at[f"{h:,.0f}"] for h in hours])
    np.testing.assert_allclose(steps, steps[0], atol=0.2)
    (note,) = [
        float(x) for x, words in re.findall(r'<text x="([\d.]+)"[^>]*>([^<]*)</text>', picture) if "advised" in words
    ]
    assert abs(note - at["500"]) < 8


def test_the_present_charge_is_told_from_the_earlier_one(book: Book, points: pd.DataFrame) -> None:
    figure = results_over_fluid(points, family_limits_of(book, FAULTY, "level"), "here")
    assert len(figure.data) == 2 * len(set(points["analyte"]))
    for earlier, now in zip(figure.data[::2], figure.data[1::2], strict=True):
        assert len([x for x in earlier.x if x is not None]) + len(now.x) == 12
        assert earlier.x[-1] is None
        assert np.all(np.diff([*now.x]) > 0)


def test_rates_are_per_thousand_hours_with_a_ninety_per_cent_band(book: Book) -> None:
    own = book.tables.history[
        (book.tables.history["compartment"] == FAULTY) & (book.tables.history["analyte"] == "Fe_ppm")
    ]
    figure = rate_over_time(with_hours(book, own, FAULTY), family_limits_of(book, FAULTY, "rate"), "here")
    shade, line = figure.data
    np.testing.assert_allclose(list(line.y), 1000 * own["rate"], rtol=1e-3)
    upper = np.array(shade.y[: len(own)], float)
    np.testing.assert_allclose(
        upper, 1000 * (own["rate"] + 1.645 * own["rate_sd"]), rtol=5e-3
    )  # drawn to three figures


def test_the_fan_ends_at_the_forecast(book: Book) -> None:
    own = book.tables.history[book.tables.history["compartment"] == FAULTY]
    ahead = book.tables.forecast[
        (book.tables.forecast["compartment"] == FAULTY) & (book.tables.forecast["analyte"] == "Fe_ppm")
    ]
    figure = forecast_fan(with_hours(book, own, FAULTY), ahead, "here")
    row = ahead.iloc[0]
    middle = figure.data[2]
    assert middle.y[1] == pytest.approx(row["next_mean"], rel=1e-3)
    assert max(figure.data[0].y) == pytest.approx(row["next_mean"] + 1.645 * row["next_sd"], rel=1e-3)
    assert "chance of passing" in figure.layout.meta["caption"]


def test_a_page_has_one_set_of_limits_and_they_are_those_that_act(book: Book) -> None:
    """Where a limit of the family was passed, the bound in the evidence is the limit that the page draws and lists."""
    passed = book.tables.evidence[book.tables.evidence["rule"].isin(["level limit", "maker limit"])]
    assert len(passed) >= 3
    for row in passed.itertuples():
        limits = family_limits_of(book, row.compartment, "level")
        own = limits[(limits["analyte"] == row.analyte) & (limits["direction"] == "up")]
        assert row.threshold in [pytest.approx(v) for v in (*own["alarm"], *own["alert"].dropna())]
        assert own["alert"].notna().tolist() == (own["named"] == "alarm").tolist()


def test_a_limit_far_away_is_named_and_does_not_flatten_the_results() -> None:
    far, near = stacked(["a"], "h"), stacked(["a"], "h")
    limit_line(far, 0, 500.0, "alarm", biggest=20.0)
    limit_line(near, 0, 30.0, "alarm", biggest=20.0)
    assert far["shapes"] == []
    assert "500" in far["annotations"][-1]["text"]
    assert near["shapes"][0]["y0"] == 30.0
    limit_line(near, 0, float("nan"), "alarm", biggest=20.0)
    assert len(near["shapes"]) == 1


def test_rounding_keeps_gaps() -> None:
    assert rounded([1.23456, np.nan, np.inf, 0]) == [1.235, None, None, 0.0]


def test_every_figure_can_be_read_without_sight_and_is_small(book: Book) -> None:
    figures = compartment_pages(book).figures
    assert len(figures) >= 8
    for figure in figures:
        assert len(figure.layout.meta["caption"]) > 40
        assert any(c.isdigit() for c in figure.layout.meta["alt"])
        assert len(json.dumps(figure.to_plotly_json(), cls=PlotlyJSONEncoder)) < 16_000
    page = compartment_page(book, FAULTY)
    whole = sum(
        len(json.dumps(f.to_plotly_json(), cls=PlotlyJSONEncoder)) for f in page.items if isinstance(f, go.Figure)
    )
    assert whole < 40_000


def test_plotly_accepts_every_figure_though_none_is_checked_as_it_is_made(book: Book) -> None:
    for figure in compartment_pages(book).figures:
        assert len(go.Figure(figure.to_plotly_json()).data) == len(figure.data)  # raises for what it does not know


def test_names_are_text_in_figures_too() -> None:
    sites = pd.DataFrame(
        {
            "name": ["<b>x</b><a href='https://e.example'>y</a>"],
            "alarm": [1],
            "alert": [0],
            "not known": [0],
            "clear": [2],
        }
    )
    figure = sites_side_by_side(sites)
    assert "<" not in figure.data[0].y[0]


def test_a_figure_travels_as_plotly_json_first(book: Book) -> None:
    bundle = show.figure_bundle(compartment_pages(book).figures[0])
    assert next(iter(bundle)) == "application/vnd.plotly.v1+json"
    assert not any("javascript" in kind for kind in bundle)
