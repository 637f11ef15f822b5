"""What a card says, step by step: one text a method and kind (reference/cards.csv, common practice throughout)."""

from collections.abc import Mapping
from functools import cache
from importlib.resources import files

import pandas as pd

ANY, OIL, COOLANT = "any", "oil", "coolant"
STOP = "Stop"
STEPS = ["phase", "point", "words"]


@cache
def card_table() -> pd.DataFrame:
    """reference/cards.csv: step (order), phase, point, method, kinds (any, oil, coolant, or kinds parted by ;), words,
    basis, source.
    """
    with files("cmkit.reference").joinpath("cards.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle, keep_default_na=False)


@cache
def card_steps(method: str, kind: str, coolant: bool) -> pd.DataFrame:
    """The steps (STEPS) of a card in order: for each point the text that is made most closely for this method and kind.

    method: pump, probe or none (`practice.drawing`). A kind that is not in the table has the texts for any oil, or for
    coolant.
    """
    table = card_table()
    group = COOLANT if coolant else OIL
    near = {ANY: 1, group: 2} | ({} if coolant else {kind: 3})
    fit = table["kinds"].map(lambda kinds: max(near.get(k, 0) for k in kinds.split(";")))
    how = table["method"].map({ANY: 0.25 if method != "none" else -9.0, method: 0.5}).fillna(-9.0)
    best = table.assign(fit=(fit + how).where((fit > 0) & (how > 0)))
    best = best.dropna(subset="fit").sort_values(["step", "fit"], kind="stable").drop_duplicates("point", keep="last")
    return best[STEPS].reset_index(drop=True)


def card_words(method: str, kind: str, coolant: bool, values: Mapping[str, object]) -> list[tuple[str, str, str]]:
    """(phase, point, words) of a card with `values` put in: where, tool, tube, purge_ml, times and dead_ml, as far as
    its steps want them.
    """
    steps = card_steps(method, kind, coolant)
    return [(r.phase, r.point, str(r.words).format(**values)) for r in steps.itertuples()]
