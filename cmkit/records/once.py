"""What follows from a view of the records alone is worked out once for each view, whichever steps ask for it."""

import weakref
from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

import pandas as pd

View = TypeVar("View")
Rest = ParamSpec("Rest")
Found = TypeVar("Found")
_MOST = 4  # own choice: answers kept of one function for one view


def once(ask: Callable[Concatenate[View, Rest], Found]) -> Callable[Concatenate[View, Rest], Found]:
    """`ask` of a view that never changes (`records.fleet.Fleet`), answered from memory where it was asked the same
    before.

    Other arguments must be hashable. Answers are kept as long as the view, the last few of them. A frame is handed out
    as a copy that shares its values, so that a caller may add columns; what holds frames must be left as it is.
    """
    kept: dict[int, dict[Any, Any]] = {}

    @wraps(ask)
    def answer(view: View, /, *args: Rest.args, **named: Rest.kwargs) -> Found:
        if id(view) not in kept:
            kept[id(view)] = {}
            weakref.finalize(view, kept.pop, id(view), None).atexit = False
        own, key = kept[id(view)], (args, tuple(sorted(named.items())))
        if key not in own:
            own[key] = ask(view, *args, **named)
            for oldest in list(own)[:-_MOST]:
                own.pop(oldest, None)
        found: Any = own.get(key)
        return cast(Found, found.copy(deep=False) if isinstance(found, (pd.DataFrame, pd.Series)) else found)

    return answer
