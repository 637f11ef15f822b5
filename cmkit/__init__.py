"""cmkit: fluid-sample condition monitoring for mobile-equipment fleets.

    import cmkit

    fleet = cmkit.load_fleet("my_fleet")
    result = cmkit.assess_fleet(fleet, "2026-06-30")        # learn, assess and combine in one
    result.verdicts
    cmkit.explain(result, "WL-04/engine")                   # everything that was weighed
    cmkit.plot.results(result, "WL-04/engine")              # a figure

In the examples of the docstrings `fleet` is `cmkit.load_fleet("sample_data")`, the demo fleet; `learnt` is what
`cmkit.learn` makes of it as of 2026-06-30; `a` is `cmkit.open_assessment("sample_data")`; files are written to
`folder`, an empty one. The tests run every example.

Names load when they are first used, so that `import cmkit` costs next to nothing.
"""

import importlib
import sys
import types

TYPE_CHECKING = False
if TYPE_CHECKING:
    from cmkit import desk as desk
    from cmkit.analyst import plot as plot
    from cmkit.analyst.compare import compare as compare
    from cmkit.analyst.explain import explain as explain
    from cmkit.analyst.fits import refit as refit
    from cmkit.analyst.one_series import series as series
    from cmkit.analyst.onset import onset as onset
    from cmkit.analyst.query import query as query
    from cmkit.analyst.what_if import what_if as what_if
    from cmkit.assess import assess as assess
    from cmkit.assess import assess_fleet as assess_fleet
    from cmkit.assessment import Assessment as Assessment
    from cmkit.assessment import load_assessment as load_assessment
    from cmkit.books.content.open_assessment import open_assessment as open_assessment
    from cmkit.combine import combine as combine
    from cmkit.errors import BookError as BookError
    from cmkit.errors import CmkitError as CmkitError
    from cmkit.errors import MissingTable as MissingTable
    from cmkit.errors import ParameterError as ParameterError
    from cmkit.errors import RecordsError as RecordsError
    from cmkit.errors import SettingsError as SettingsError
    from cmkit.errors import StoreError as StoreError
    from cmkit.errors import TableError as TableError
    from cmkit.errors import UnknownColumn as UnknownColumn
    from cmkit.errors import WriteError as WriteError
    from cmkit.errors import WrongFile as WrongFile
    from cmkit.learn import learn as learn
    from cmkit.learnt import Learnt as Learnt
    from cmkit.records.fleet import Fleet as Fleet
    from cmkit.records.reading.load import load_fleet as load_fleet

_ERRORS = (
    "CmkitError",
    "RecordsError",
    "MissingTable",
    "WrongFile",
    "UnknownColumn",
    "SettingsError",
    "ParameterError",
    "BookError",
    "StoreError",
    "TableError",
    "WriteError",
)
_HOME = {
    "load_fleet": "cmkit.records.reading.load",
    "learn": "cmkit.learn",
    "assess": "cmkit.assess",
    "combine": "cmkit.combine",
    "assess_fleet": "cmkit.assess",
    "load_assessment": "cmkit.assessment",
    "Fleet": "cmkit.records.fleet",
    "Learnt": "cmkit.learnt",
    "Assessment": "cmkit.assessment",
    "open_assessment": "cmkit.books.content.open_assessment",
    "series": "cmkit.analyst.one_series",
    "refit": "cmkit.analyst.fits",
    "onset": "cmkit.analyst.onset",
    "explain": "cmkit.analyst.explain",
    "compare": "cmkit.analyst.compare",
    "what_if": "cmkit.analyst.what_if",
    "query": "cmkit.analyst.query",
    "plot": "cmkit.analyst.plot",
    "desk": "cmkit.desk",
    **dict.fromkeys(_ERRORS, "cmkit.errors"),
}
_MODULES = ("plot", "desk")  # names that are modules of functions
__all__ = list(_HOME)


def __getattr__(name: str) -> object:
    """A public name, from the module it lives in."""
    if name not in _HOME:
        raise AttributeError(f"module 'cmkit' has no attribute {name!r}")
    home = importlib.import_module(_HOME[name])
    return home if name in _MODULES else getattr(home, name)


def __dir__() -> list[str]:
    """The public names."""
    return sorted([*__all__, "__doc__", "__file__", "__name__", "__path__"])


class _Face(types.ModuleType):
    """The package: where a module has the name of its function (`cmkit.assess`), the name means the function, whoever
    imported it first.
    """

    def __setattr__(self, name: str, value: object) -> None:
        same_name = isinstance(value, types.ModuleType) and name in _HOME and name not in _MODULES
        super().__setattr__(name, getattr(value, name) if same_name else value)


sys.modules[__name__].__class__ = _Face
