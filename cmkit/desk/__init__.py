"""The analyst's desk: widgets for a notebook. What they show is computed by plain functions (`cmkit.analyst`), so that
a test reads it without a screen.

    cmkit.desk.fleet(a)                        which compartments need a look; choose one
    cmkit.desk.compartment(a, "WL-04/engine")  its results, its rate, and everything that was weighed
    cmkit.desk.review(a, "my_fleet")           a finding or a correction: previewed, written, taken back
    cmkit.desk.limits(a)                       a limit tried on the fleet's own past
    cmkit.desk.interval(a)                     how often one compartment is worth sampling, with your own costs
    cmkit.desk.compare(a)                      two compartments side by side

Each needs ipywidgets (`pip install cmkit[lab]`).
"""

import importlib

TYPE_CHECKING = False
if TYPE_CHECKING:
    from cmkit.desk.intervals import interval as interval
    from cmkit.desk.intervals import interval_desk as interval_desk
    from cmkit.desk.intervals import interval_view as interval_view
    from cmkit.desk.panels import compare as compare
    from cmkit.desk.panels import compartment as compartment
    from cmkit.desk.panels import fleet as fleet
    from cmkit.desk.panels import limits as limits
    from cmkit.desk.reviewing import review as review

_HOME = {
    **dict.fromkeys(("fleet", "compartment", "limits", "compare"), "cmkit.desk.panels"),
    **dict.fromkeys(("interval", "interval_desk", "interval_view"), "cmkit.desk.intervals"),
    "review": "cmkit.desk.reviewing",
}
__all__ = list(_HOME)


def __getattr__(name: str) -> object:
    """A widget, from the module it lives in."""
    if name not in _HOME:
        raise AttributeError(f"module 'cmkit.desk' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    """The widgets there are."""
    return sorted([*__all__, "__doc__", "__name__"])
