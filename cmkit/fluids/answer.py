"""An answer that may be "undefined, because": a property formula never makes up a number outside its range."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Answer:
    """A number, or NaN with the reason why there is none."""

    value: float
    reason: str = ""

    @property
    def known(self) -> bool:
        return not math.isnan(self.value)


def undefined(reason: str) -> Answer:
    """No number, and why."""
    return Answer(math.nan, reason)


def not_positive(**values: float) -> str:
    """Reason naming the first value that is missing, infinite or not above zero; empty when all are good."""
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            return f"{name.replace('_', ' ')} is {value:g}; wanted a number above zero"
    return ""
