"""Tests that say more the longer they run: in `make test` short, in `make slow` at full length."""

from collections.abc import Sequence
from typing import Any

import pytest


def short_or_full(name: str, short: Any, full: Any) -> pytest.MarkDecorator:
    """A parameter of a test with two values; the second is for `pytest -m slow`."""
    return pytest.mark.parametrize(name, [short, pytest.param(full, marks=pytest.mark.slow)])


def some_or_all(name: str, values: Sequence[Any], first: int = 1) -> pytest.MarkDecorator:
    """A parameter of a test with these values; those after the first ones are for `pytest -m slow`."""
    slow = (pytest.param(v, marks=pytest.mark.slow) for v in values[first:])
    return pytest.mark.parametrize(name, [*values[:first], *slow])
