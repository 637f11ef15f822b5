"""Settings with anything in them: taken, or refused in words; and what is taken is a fixed point of writing and
reading.
"""

import tomllib
from contextlib import suppress
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cmkit.errors import SettingsError
from cmkit.records.settings import (
    Alarm,
    FixedLimit,
    Intervals,
    Judge,
    Kind,
    Sampling,
    Settings,
    Trust,
    parse_settings,
    read_settings,
)

BLOCKS: dict[str, type] = {
    "sampling": Sampling,
    "alarm": Alarm,
    "trust": Trust,
    "intervals": Intervals,
    "judge": Judge,
}
_NUMBERS = st.one_of(
    st.integers(-3, 3), st.floats(), st.just(10**400), st.sampled_from([0.5, 250, 1e-9, -0.0, 1e308, True])
)
_VALUES = st.recursive(
    st.one_of(_NUMBERS, st.text(max_size=8), st.just("x" * 5000)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(["alert", "alarm", "direction", "z", ""]), inner,
        max_size=3)
    ),
    max_leaves=5,
)  # fmt: skip


def _block(cls: type) -> st.SearchStrategy[dict[str, Any]]:
    return st.dictionaries(st.sampled_from([*(f.name for f in fields(cls)), "alrm", ""]), _VALUES, max_size=3)


_NAMED = st.sampled_from(["engine", "final drive", "no such", "", "=1+1", "<b>"])
ANYTHING = st.fixed_dictionaries(
    {},
    optional={
        "name": st.one_of(st.just("F"), _VALUES),
        "currency": _VALUES,
        "curency": _VALUES,
        **{name: st.one_of(_block(cls), _VALUES) for name, cls in BLOCKS.items()},
        "kinds": st.one_of(st.dictionaries(_NAMED, _block(Kind), max_size=2), _VALUES),
        "limits": st.dictionaries(_NAMED,
        st.dictionaries(st.sampled_from(["Fe_ppm", "Fe_pm"]), st.one_of(_block(FixedLimit), _VALUES), max_size=2),
        max_size=2),
        "accepted_intervals": st.one_of(st.dictionaries(_NAMED, _VALUES, max_size=3), _VALUES),
        "analytes": _VALUES,
        "costs": _VALUES,
    },
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(ANYTHING)
def test_any_settings_are_taken_or_refused_in_words(raw: dict[str, Any]) -> None:
    try:
        found = parse_settings(raw, "fleet.toml")
    except SettingsError as error:
        lines = str(error).splitlines()
        assert lines
        assert all(line.startswith(("fleet.toml", "... and ")) for line in lines), lines
        assert max(map(len, lines)) < 2000
    else:
        assert isinstance(found, Settings)
        assert isinstance(found.name, str)
        assert all(1 <= hours <= 100_000 for hours in found.accepted_intervals.values())


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=200) | st.binary(max_size=200))
def test_any_file_is_read_or_refused_in_words(folder: Path, content: str | bytes) -> None:
    """The standard library's parser is the peer: what it refuses is refused, in words that name the file."""
    raw = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    (folder / "fleet.toml").write_bytes(raw)
    try:
        tomllib.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        with pytest.raises(SettingsError, match=r"fleet\.toml"):
            read_settings(folder / "fleet.toml")
    else:
        with suppress(SettingsError):
            read_settings(folder / "fleet.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("settings")


@settings(max_examples=40, deadline=None)
@given(st.dictionaries(st.sampled_from([f.name for f in fields(Alarm)]), st.floats(0, 1), max_size=4))
def test_what_is_taken_is_taken_again(block: dict[str, float]) -> None:
    try:
        once = parse_settings({"name": "F", "alarm": block}, "fleet.toml")
    except SettingsError:
        return
    assert parse_settings({"name": "F", "alarm": asdict(once.alarm)}, "fleet.toml") == once
