"""Every public function shows how it is used and says what it raises; its example is run on the demo fleet."""

import doctest
import inspect
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd
import pytest

import cmkit
from cmkit.assessment import Assessment
from cmkit.learnt import Learnt
from cmkit.records.fleet import Fleet

RAISE_NOTHING = {
    "Fleet.days", "Fleet.tables", "Fleet.for_site", "Fleet.for_machines", "Learnt.of_families", "Assessment.for_site",
}  # fmt: skip


def public() -> Iterator[tuple[str, Callable]]:
    """Functions of `cmkit`, `cmkit.plot` and `cmkit.desk`, and methods of the bundles."""
    for name in cmkit.__all__:
        thing = getattr(cmkit, name)
        if inspect.isfunction(thing):
            yield name, thing
        elif inspect.ismodule(thing):
            yield from ((f"{name}.{n}", getattr(thing, n)) for n in thing.__all__)
        elif not issubclass(thing, Exception):
            own = vars(thing).items()
            yield from ((f"{name}.{n}", f) for n, f in own if inspect.isfunction(f) and not n.startswith("_"))


FUNCTIONS = dict(public())


@pytest.fixture(scope="module")
def given(demo_fleet: Fleet, demo: Assessment, small_learnt: Callable[[str], Learnt]) -> dict[str, object]:
    """The names the examples use (docstring of `cmkit`); `learnt` of five machines, which is quicker."""
    return {"cmkit": cmkit, "pd": pd, "fleet": demo_fleet, "a": demo, "learnt": small_learnt("2026-06-30")}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_an_example_gives_what_it_shows(
    name: str, given: dict[str, object], root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(root)
    words = inspect.getdoc(FUNCTIONS[name]) or ""
    example = doctest.DocTestParser().get_doctest(words, given | {"folder": tmp_path}, name, None, None)
    assert example.examples
    said: list[str] = []
    ran = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    assert ran.run(example, out=said.append).failed == 0, "".join(said)


def test_every_function_says_what_it_raises() -> None:
    silent = {n for n, f in FUNCTIONS.items() if not re.search("Raises|ParameterError", f.__doc__ or "")}
    assert silent == RAISE_NOTHING
