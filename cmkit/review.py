"""What a review of the fleet settled, kept in its folder and used until the next one: family numbers and statistical
limits.

    FLEET/review/numbers.csv, FLEET/review/limits.csv   written by `cmkit assess FLEET --freeze`
    FLEET/review/manifest.json                          rows and SHA-256 of both: a review that is not whole is refused

Remove the folder to estimate anew. Estimated anew each month, both would follow a fleet that slowly wears out, and
nothing would ever look unusual.
"""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from cmkit.assessment import Assessment
from cmkit.errors import WrongFile
from cmkit.files import checked_rows, seal, written_folder
from cmkit.learnt import Learnt
from cmkit.wear.family import COLUMNS, drift, drift_report
from cmkit.wear.limits import FIXED, LIMITS, limits_drift, limits_drift_report


@dataclass(frozen=True)
class Review:
    """Tables of an earlier review: `numbers` (columns of wear.family), `limits` (columns of wear.limits); None where
    there is none.
    """

    numbers: pd.DataFrame | None = None
    limits: pd.DataFrame | None = None

    def of_families(self, families: set[str]) -> "Review":
        """What it holds of some families."""
        own = (t if t is None else t[t["family"].isin(families)] for t in (self.numbers, self.limits))
        return Review(*own)


NO_REVIEW = Review()
KIND = "review"  # in the manifest of its folder


def read_review(folder: Path) -> Review:
    """The review kept in a fleet folder, where there is one. WrongFile where it is not whole or a file of it lacks a
    column.
    """
    place = folder / "review"
    if not place.exists():
        return NO_REVIEW
    rows = checked_rows(place, KIND, f"Remove {place} to estimate anew, or freeze again with `cmkit assess --freeze`.")
    return Review(_table(place, "numbers", COLUMNS, rows), _table(place, "limits", LIMITS, rows))


def _table(place: Path, name: str, columns: list[str], rows: dict[str, int]) -> pd.DataFrame:
    path = place / f"{name}.csv"
    if path.name not in rows:
        raise WrongFile(f"{path}: not named in the manifest beside it. Remove {place} to estimate anew.")
    found = pd.read_csv(path, keep_default_na=False, na_values=[""])
    if len(found) != rows[path.name]:
        raise WrongFile(
            f"{path}: found {len(found)} rows, {rows[path.name]} were written. Remove {place} and freeze again."
        )
    missing = [c for c in columns if c not in found]
    if missing:
        raise WrongFile(
            f"{path}: found no column {', '.join(missing)}; wanted the table as `cmkit assess --freeze` wrote it. "
            f"Remove it to estimate anew."
        )
    return found.assign(frozen_on=pd.to_datetime(found["frozen_on"]).astype("datetime64[us]"))


def freeze(result: Assessment, folder: Path) -> Path:
    """Write the numbers and limits an assessment used to the fleet folder, those not frozen yet dated by its day; the
    review's folder.

    A limit that could not be judged is left out: it is estimated until the next review. So are limits of the maker and
    of practice.
    """
    limits = result.limits[result.limits["alarm"].notna() & ~result.limits["method"].isin(FIXED)]
    place = folder / "review"
    tables = {"numbers.csv": result.numbers, "limits.csv": limits}
    with written_folder(place, KIND) as aside:
        for name, table in tables.items():
            dated = table.assign(frozen_on=table["frozen_on"].fillna(result.as_of))
            dated.to_csv(aside / name, index=False, date_format="%Y-%m-%d")
        seal(aside, KIND, {name: len(table) for name, table in tables.items()})
    return place


def review_drift(now: Learnt, used: Assessment) -> tuple[pd.DataFrame, pd.DataFrame]:
    """How far today's estimates lie from the frozen (numbers, limits) of `used`, furthest first; empty where none is
    frozen.

    now: learnt of the same day without a review. Rows of :func:`cmkit.wear.family.drift` and
    :func:`cmkit.wear.limits.limits_drift`.
    """
    numbers, limits = (t[t["frozen_on"].notna()] for t in (used.numbers, used.limits))
    moved = drift(now.numbers, numbers)
    moved = moved.sort_values("sds", key=abs, ascending=False, kind="stable", ignore_index=True)
    return moved, limits_drift(now.limits, limits, used.about["alarm"]["confidence"])


def review_words(now: Learnt, result: Assessment) -> list[str]:
    """What to say of the review in use: how far numbers and limits drifted since; nothing where none is in use.

    now: learnt of the same day without a review.
    """
    frozen = [t["frozen_on"].dropna() for t in (result.numbers, result.limits)]
    if not any(map(len, frozen)):
        return []
    days = [" and ".join(sorted({f"{d:%Y-%m-%d}" for d in t})) for t in frozen]
    late = any((t > result.as_of).any() for t in frozen)
    said = (
        [f"The review is of a day after {result.as_of:%Y-%m-%d}: this view knows more than that day did."]
        if late
        else []
    )
    reports = (drift_report, limits_drift_report)
    return said + [
        f(m, d) for f, m, d, t in zip(reports, review_drift(now, result), days, frozen, strict=True) if len(t)
    ]
