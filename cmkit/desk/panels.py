"""The fleet, one compartment, a limit that is tried, and two compartments side by side."""

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets
import pandas as pd
import plotly.graph_objects as go

from cmkit.analyst import plot
from cmkit.analyst.asked import place_of
from cmkit.analyst.explain import explain
from cmkit.analyst.what_if import what_if
from cmkit.assessment import Assessment
from cmkit.desk.shown import WRAPPED, Panel, Shown, choice, number_box, picture, redrawn, table, words
from cmkit.errors import ParameterError

_ALL = "all"
_SAID = {"state": "state", "reason": "why", "todo": "what to do", "how_sure": "how sure"}
_RANK = {"alarm": 0, "alert": 1, "not known": 2, "clear": 3}


def chosen_rows(a: Assessment, site: str = _ALL, state: str = _ALL) -> pd.DataFrame:
    """Compartments of a site and state, the most urgent first: compartment, state, chance, cause, reason, todo."""
    own = a.verdicts
    own = own[(own["site"] == site) | (site == _ALL)]
    own = own[(own["state"] == state) | (state == _ALL)]
    order = own["state"].map(_RANK)
    ranked = own.assign(_rank=order).sort_values(["_rank", "chance"], ascending=[True, False], kind="stable")
    return ranked[["compartment", "state", "chance", "cause", "reason", "todo"]].reset_index(drop=True)


def fleet(a: Assessment) -> Panel:
    """Which compartments need a look: a list by site and state, and the one chosen from it below.

    Raises ParameterError for a fleet without a compartment of a working machine.

    >>> panel = cmkit.desk.fleet(a)
    >>> [control.description for control in panel.controls.children[0].children]
    ['site', 'state', 'compartment']
    """
    site = choice("site", [_ALL, *a.sites["site"]])
    state = choice("state", [_ALL, *_RANK])
    names = chosen_rows(a)["compartment"].tolist()
    if not names:
        raise ParameterError("this fleet has no compartment of a working machine; nothing to show.")
    which = choice("compartment", names)
    listed = Shown()

    def narrow(_: object = None) -> None:
        rows = chosen_rows(a, site.value, state.value)
        which.options = rows["compartment"].tolist() or names
        listed.value = table(rows.head(12), "the most urgent compartments") + words(
            f"{len(rows)} compartments; the twelve most urgent are listed"
        )

    for control in (site, state):
        control.observe(narrow, names="value")
    narrow()
    story, rate, weighed = (Shown() for _ in range(3))
    redrawn(
        [which],
        lambda: str(which.value),
        (story, lambda name: story_html(a, name)),
        (rate, lambda name: drawn(plot.rate, a, name)),
        (weighed, lambda name: weighed_html(a, name, "of the one chosen")),
    )
    return Panel([widgets.Box([site, state, which], layout=WRAPPED)], [listed, story, rate, weighed])


def story_html(a: Assessment, name: str, analyte: str | None = None) -> str:
    """One compartment's state and work in words, and its results."""
    place_of(a, name)
    own = a.verdicts[a.verdicts["compartment"] == name]
    said = [f"{label}: {own[c].iloc[0]}" for c, label in _SAID.items() if len(own) and own[c].iloc[0]]
    return words(*(said or ["machine retired"])) + drawn(plot.results, a, name, analyte)


def drawn(draw: Callable[..., go.Figure], *given: Any) -> str:
    """A figure as a picture, or why there is none."""
    try:
        return picture(draw(*given))
    except ParameterError as error:
        return words(str(error))


def weighed_html(a: Assessment, name: str, whose: str) -> str:
    """Everything that was weighed for a compartment: what spoke, and folded away what did not. whose: which panel's
    table it is, for a screen reader.
    """
    weighed = explain(a, name)
    spoke = table(weighed[weighed["spoke"]].drop(columns="spoke"), f"what spoke, {whose}")
    silent = table(weighed[~weighed["spoke"]].drop(columns="spoke"), f"what did not speak, {whose}")
    return f"<h4>What spoke</h4>{spoke}<details><summary>What was weighed and did not speak</summary>{silent}</details>"


def compartment(a: Assessment, name: str) -> Panel:
    """One compartment by itself, with a choice of the result that is drawn.

    Raises ParameterError for a name that is not known.

    >>> cmkit.desk.compartment(a, "WL-04/engine").controls.children[0].description
    'result'
    """
    place_of(a, name)
    measured = a.history[a.history["compartment"] == name]["analyte"].unique().tolist()
    which = choice("result", [("those that tell the story", None), *((m, m) for m in measured)])
    story, rate = Shown(), Shown()
    redrawn(
        [which],
        lambda: which.value,
        (story, lambda analyte: story_html(a, name, analyte)),
        (rate, lambda analyte: drawn(plot.rate, a, name, analyte)),
    )
    return Panel([which], [story, rate, Shown(weighed_html(a, name, name))])


def limits(a: Assessment) -> Panel:
    """A fixed limit (alert, alarm; in the unit of the result) tried on the fleet's own past: what it would have raised,
    and what that led to. Nothing is written.

    A value that cannot be is shown as a message where the table would be. Raises nothing.

    >>> [control.description for control in cmkit.desk.limits(a).controls.children[0].children]
    ['kind', 'result', 'alert', 'alarm']
    """
    kind = choice("kind", sorted(a.compartments["kind"].unique()))
    analyte = choice("result", sorted(a.limits["analyte"].unique()))
    alert, alarm = number_box("alert", 20.0), number_box("alarm", 40.0)
    out = Shown()

    def tried() -> pd.DataFrame:
        return what_if(a, limits={kind.value: {analyte.value: (alert.value, alarm.value)}})

    def draw(found: pd.DataFrame) -> str:
        return (
            table(found.reset_index(), "the limit tried")
            + f'<pre>[limits."{kind.value}"]\n{analyte.value} = {{ alert = {alert.value:g}, alarm = {alarm.value:g} '
            f"}}</pre>" + words("To accept it, write these lines into fleet.toml.")
        )

    redrawn([kind, analyte, alert, alarm], tried, (out, draw))
    return Panel([widgets.Box([kind, analyte, alert, alarm], layout=WRAPPED)], [out])


def compare(a: Assessment) -> Panel:
    """Two compartments side by side: the ratio of their wear rates with its interval.

    Raises ParameterError for a fleet with fewer than two compartments that have a wear rate.

    >>> [control.description for control in cmkit.desk.compare(a).controls.children[0].children]
    ['one', 'other']
    """
    names = sorted(a.wear["compartment"].unique())
    if len(names) < 2:
        raise ParameterError(f"compare: {len(names)} compartment(s) with a wear rate; wanted two or more.")
    one, other = choice("one", names), choice("other", names, names[1])
    out = Shown()
    metals = ("Fe_ppm", "Cu_ppm", "Cr_ppm")

    def shared() -> list[str]:
        both = [set(a.wear.loc[a.wear["compartment"] == c.value, "analyte"]) for c in (one, other)]
        found = [m for m in metals if all(m in b for b in both)]
        if not found:
            raise ParameterError("these two share no wear metal; choose another.")
        return found

    redrawn([one, other], shared, (out, lambda found: picture(plot.compare(a, one.value, other.value, found))))
    return Panel([widgets.Box([one, other], layout=WRAPPED)], [out])
