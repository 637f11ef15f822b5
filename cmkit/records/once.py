"""What follows from a view of the records alone is worked out once for each view, whichever steps ask for it."""

import weakref
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast

import pandas as pd

Ask = TypeVar("Ask", bound=Callable[..., Any])
_MOST = 4  # own choice: answers kept of one function for one view


def once(ask: Ask) -> Ask:
    """`ask` of a view that never changes (`records.fleet.Fleet`), answered from memory where it was asked the same
    before.

    Other arguments must be hashable. Answers are kept as long as the view, the last few of them. A frame is handed out
    as a copy that shares its values, so that a caller may add columns; what holds frames must be left as it is.
    """
    kept: dict[int, dict[Any, Any]] = {}

    @wraps(ask)
    def answer(view: Any, *args: Any, **named: Any) -> Any:
        if id(view) not in kept:
            kept[id(view)] = {}
            weakref.finalize(view, kept.pop, id(view), None).atexit = False
        own, key = kept[id(view)], (args, tuple(sorted(named.items())))
        if key not in own:
            own[key] = ask(view, *args, **named)
            for oldest in list(own)[:-_MOST]:
                own.pop(oldest, None)
        found = own.get(key)
        return found.copy(deep=False) if isinstance(found, (pd.DataFrame, pd.Series)) else found

    return cast(Ask, answer)
