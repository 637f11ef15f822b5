"""The analyst's figures: plain plotly, each with caption and alternative text, and a still picture that shows the same
numbers.
"""

import re
import xml.etree.ElementTree as ET

import plotly.graph_objects as go
import pytest

import cmkit
from cmkit.books.content.figures.svg import NAMESPACE, as_svg
from cmkit.books.content.theme import figure, figure_bundle
from cmkit.errors import ParameterError

SITE = "RH-02/final drive/left"
SVG = "{" + NAMESPACE + "}"


@pytest.fixture(scope="module")
def figures(demo) -> dict[str, go.Figure]:
    plot, fits = cmkit.plot, [cmkit.refit(demo, SITE, method=m) for m in ("wls", "huber", "theil-sen", "filter")]
    return {
        "results": plot.results(demo, SITE), "fluid": plot.fluid(demo, SITE, "Fe_ppm"), "rate": plot.rate(demo, SITE),
        "forecast": plot.forecast(demo, SITE),
        "fit": plot.fit(fits), "residuals": plot.residuals(fits[0]), "cost": plot.cost(demo),
        "limits": plot.limits(demo, demo.compartments["family"].iloc[0]),
        "compare": plot.compare(demo, SITE, "RH-02/final drive/right"),
    }  # fmt: skip


def test_every_name_draws_a_valid_plotly_figure_with_its_words(figures) -> None:
    assert set(figures) == set(cmkit.plot.__all__)
    for drawn in figures.values():
        go.Figure(drawn.to_plotly_json())  # plotly checks every name and value
        assert drawn.layout.meta["caption"]
        assert drawn.layout.meta["alt"]


def test_every_figure_travels_in_three_forms(figures) -> None:
    for drawn in figures.values():
        forms = figure_bundle(drawn)
        assert set(forms) == {"application/vnd.plotly.v1+json", "image/svg+xml", "text/plain"}
        assert drawn._repr_mimebundle_() == forms
        picture = ET.fromstring(forms["image/svg+xml"])
        assert not {e.tag for e in picture.iter()} & {f"{SVG}script", f"{SVG}image", f"{SVG}foreignObject", f"{SVG}a"}
        assert "http" not in re.sub('xmlns="[^"]*"', "", forms["image/svg+xml"])


def test_a_point_stands_where_its_numbers_say() -> None:
    """Three points by hand: the first at the axes' corner, the last at the far end, the middle one half-way."""
    data = [{"type": "scatter", "mode": "markers", "x": [0, 50, 100], "y": [0.0, 5.0, 10.0]}]
    picture = ET.fromstring(as_svg({"data": data, "layout": {"height": 376}}))
    spots = [(float(c.get("cx")), float(c.get("cy"))) for c in picture.iter(f"{SVG}circle")]
    assert spots[1][0] == pytest.approx((spots[0][0] + spots[2][0]) / 2, abs=0.11)
    assert spots[1][1] == pytest.approx((spots[0][1] + spots[2][1]) / 2, abs=0.11)
    assert spots[0][1] > spots[2][1]


def test_text_of_a_figure_stays_text() -> None:
    drawn = figure(
        [{"type": "scatter", "x": [1], "y": [2]}],
        {"annotations": [{"text": "<script>x</script>&lt;b&gt;", "x": 1, "y": 2}]},
        "c",
        '"><script>',
    )
    text = figure_bundle(drawn)["image/svg+xml"]
    assert "<script" not in text
    assert "&lt;b&gt;" in text


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda a: cmkit.plot.rate(a, SITE, "visc40_cSt"), "no wear rate of visc40_cSt"),
        (lambda a: cmkit.plot.results(a, "nowhere"), "compartment: found 'nowhere'"),
        (lambda a: cmkit.plot.limits(a, "none"), "family: found 'none'"),
        (lambda a: cmkit.plot.cost(a, "nowhere"), "compartment: found 'nowhere'"),
        (
            lambda a: cmkit.plot.fit([cmkit.refit(a, SITE), cmkit.refit(a, "RH-02/engine")]),
            "wanted one or more fits of one series",
        ),
    ],
)
def test_what_cannot_be_drawn_is_said(demo, call, said) -> None:
    with pytest.raises(ParameterError, match=said):
        call(demo)
