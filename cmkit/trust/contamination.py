"""Dirt in the sample or dirt in the machine, and bottles drawn in a way that cannot be trusted.

Dirt that entered the machine has company: aluminium comes with the silicon, wear metals follow, and the next bottle
shows it again. Dirt that entered the bottle comes alone and once. Silicon without aluminium is more often sealant,
grease or an anti-foam additive than dirt (common practice, from memory). None of it hides an alarm: a doubtful bottle
is repeated, a real one is looked into.
"""

import numpy as np
import pandas as pd

from cmkit.records.settings import Trust
from cmkit.trust.bottle_arrays import Panel, doubt_rows

_WEAR = ("Fe_ppm", "Cr_ppm", "Ni_ppm", "Cu_ppm", "Pb_ppm", "Sn_ppm")


def silicon_doubts(panel: Panel, rule: Trust) -> pd.DataFrame:
    """Doubts `dirt in the sample`: silicon jumped, no wear metal moved, and the bottle before showed nothing of it."""
    z = dict(zip(panel.analytes, panel.z.T, strict=True))
    if "Si_ppm" not in z:
        return doubt_rows(
            panel.bottles.iloc[:0],
            "dirt in the sample",
            "",
            np.array([]),
            threshold=np.nan,
            probability=np.nan,
            reason=[],
            todo=[],
        )
    metals = [z[a] for a in _WEAR if a in z]
    seen = np.array(metals) if metals else np.zeros((0, len(panel.bottles)))
    quiet = np.all(~(seen > rule.quiet_z), axis=0) & (np.isfinite(seen).sum(axis=0) >= 2)
    silicon = z["Si_ppm"]
    raised_before = panel.before(silicon >= rule.quiet_z)  # then it is in the machine, not in this bottle
    hit = (silicon >= rule.silicon_z) & quiet & ~raised_before
    aluminium = z.get("Al_ppm", np.full(len(silicon), np.nan))
    with_aluminium = aluminium >= rule.aluminium_z
    rows = np.flatnonzero(hit)
    reason = [_silicon_reason(panel, int(i), with_aluminium[i], rule) for i in rows]
    todo = [_REQUEST_DIRT if with_aluminium[i] else _REQUEST_SILICON for i in rows]
    chance = np.where(with_aluminium[rows], rule.dirt_probability, rule.silicon_probability)
    return doubt_rows(
        panel.bottles.iloc[rows],
        "dirt in the sample",
        "silicon departure, sd",
        silicon[rows],
        threshold=rule.silicon_z,
        probability=chance,
        reason=reason,
        todo=todo,
    )


_REQUEST_DIRT = (
    "Take a repeat bottle with clean tubing, cap off for seconds only. If it shows the same, look for where dirt gets "
    "in: "
    "air filter and hoses, breather, seals, filling gear."
)
_REQUEST_SILICON = (
    "Take a repeat bottle with clean tubing. If it stays, ask about sealant, grease or assembly work "
    "before looking for dirt."
)


def _silicon_reason(panel: Panel, i: int, with_aluminium: bool, rule: Trust) -> str:
    at = panel.analytes.index("Si_ppm")
    value, usual = panel.value[i, at], panel.expected[i, at]
    words = f"silicon {value:.0f} ppm where {usual:.0f} was expected, and no wear metal moved"
    if not with_aluminium:
        return f"{words}, nor aluminium: dirt in the bottle, or sealant, grease or anti-foam in the fluid"
    k = panel.analytes.index("Al_ppm")
    excess = (value - usual) / max(panel.value[i, k] - panel.expected[i, k], 0.1)
    like = rule.dirt_ratio_low <= excess <= rule.dirt_ratio_high
    return (
        f"{words} but aluminium ({excess:.0f} parts silicon to one{', as in dirt' if like else ''}): dirt in the "
        f"bottle, or the first of dirt in the machine"
    )


def method_doubts(samples: pd.DataFrame, rule: Trust) -> pd.DataFrame:
    """Doubts `method`: bottles said to be drawn from the drain stream, or some other way than by pump or probe."""
    hit = samples[samples["method"].isin(["drain stream", "other"])]
    drain = (hit["method"] == "drain stream").to_numpy()
    reason = np.where(
        drain,
        "drawn from the drain stream, which carries what lay at the bottom",
        "drawn some other way than by pump at mid-depth or probe at a valve",
    )
    chance = np.where(drain, rule.drain_stream_probability, rule.other_method_probability)
    return doubt_rows(
        hit,
        "method",
        "method as recorded",
        np.ones(len(hit)),
        threshold=1.0,
        probability=chance,
        reason=list(reason),
        todo="Next time draw warm fluid by pump from mid-depth, or by probe at the valve; repeat this bottle if "
        "anything in it is out of line.",
    )


def stale_doubts(samples: pd.DataFrame, rule: Trust) -> pd.DataFrame:
    """Doubts `stale`: bottles long under way to the laboratory, and dates that cannot be."""
    days = (samples["received_on"] - samples["drawn_on"]).dt.days
    late = samples[days > rule.stale_days]
    wrong = samples[days < 0]
    return pd.concat(
        [
            doubt_rows(
                late,
                "stale",
                "days to the laboratory",
                days[late.index].to_numpy(),
                threshold=rule.stale_days,
                probability=rule.stale_probability,
                reason=[
                    f"reached the laboratory {d:.0f} days after it was drawn: water, particles and base number "
                    f"may have changed"
                    for d in days[late.index]
                ],
                todo="Send bottles on the day they are drawn; repeat this one if a condition result matters.",
            ),
            doubt_rows(
                wrong,
                "stale",
                "days to the laboratory",
                days[wrong.index].to_numpy(),
                threshold=0.0,
                probability=rule.dates_probability,
                reason=[f"dates cannot be: received {-d:.0f} days before it was drawn" for d in days[wrong.index]],
                todo="Ask for the day it was drawn and record a correction.",
            ),
        ],
        ignore_index=True,
    )
