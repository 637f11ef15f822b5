"""Numbers behind the doubts (reference/trust.csv), each with its unit, meaning, basis and source."""

from functools import partial

from cmkit.records import constants

constant = partial(constants.constant, "trust")
"""One number by name, such as `bottle_factor_sd`; KeyError when there is none."""
