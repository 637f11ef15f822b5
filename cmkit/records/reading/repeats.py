"""Rows that stand for the same thing: in order, one row a key, and why another is not used."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from cmkit.records.fleet import has_result
from cmkit.tables.column import Table
from cmkit.tables.records import EVENTS

_COMPARED = 64  # bytes of a text that enter its code


def in_order(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Rows by key, then by the day they became known, then by their place in the files.

    Of registers the fleet's own tables stand before what came in with a planner's sheet.
    """
    if len(table.key) == 1 and _rising(frame[table.key[0]]):
        return frame.reset_index(drop=True)
    known = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us]")
    for name in table.known_on:
        known = known.fillna(frame[name])
    came_in = frame["file"].str.startswith("inbox/") & (table.name not in EVENTS)
    order = frame.assign(_known=known, _came_in=came_in)
    order = order.sort_values([*table.key, "_came_in", "_known", "file", "row"], kind="stable").index
    return frame.loc[order].reset_index(drop=True)


def shared_keys(frame: pd.DataFrame, key: list[str]) -> np.ndarray:
    """True for rows whose key another row has too."""
    if len(key) > 1:
        return np.asarray(frame.duplicated(key, keep=False).to_numpy())
    keys, shared = frame[key[0]].array, np.zeros(len(frame), dtype=bool)
    at = np.flatnonzero(_perhaps_shared(keys))
    codes = pd.factorize(keys[at], use_na_sentinel=False)[0]
    shared[at] = (np.bincount(codes) > 1)[codes]
    return shared


def _perhaps_shared(keys: pd.api.extensions.ExtensionArray) -> np.ndarray:
    """False for rows whose text has a code no other row's has. A million numbers of bottles take a quarter of the time
    of a hash table.
    """
    codes = _text_codes(pa.chunked_array(pa.array(keys)).combine_chunks())
    ordered = np.sort(codes)
    again = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    return np.asarray(pc.is_in(pa.array(codes), value_set=pa.array(again)).to_numpy(zero_copy_only=False))


def _text_codes(texts: pa.Array) -> np.ndarray:
    """A 64-bit code of each text, from its length and first bytes, eight at a time: the same for the same text, seldom
    for another.
    """
    texts = texts.cast(pa.large_string())
    _, offsets, data = texts.buffers()
    ends = np.frombuffer(offsets, dtype=np.int64)[texts.offset : texts.offset + len(texts) + 1]
    held = np.frombuffer(data or b"", dtype=np.uint8)
    padded = np.concatenate([held[ends[0] : ends[-1]], np.zeros(8, dtype=np.uint8)])
    eight = np.ndarray((len(padded) - 7,), dtype="<u8", buffer=padded, strides=(1,))
    mask = np.array([2 ** (8 * k) - 1 for k in range(9)], dtype=np.uint64)
    start, length = ends[:-1] - ends[0], np.diff(ends)
    codes = length.astype(np.uint64)
    for k in range(0, min(int(length.max(initial=0)), _COMPARED), 8):
        codes ^= eight[np.minimum(start + k, len(eight) - 1)] & mask[np.clip(length - k, 0, 8)]
        codes *= np.uint64(0x9E3779B97F4A7C15)
        codes ^= codes >> np.uint64(29)
    if texts.null_count:
        codes[texts.is_null().to_numpy(zero_copy_only=False)] = 0
    return codes


def _rising(keys: pd.Series) -> bool:
    """True where every key is greater than the one before it, as numbered bottles often are: in
    order, and none twice.
    """
    return bool((keys.array[1:] > keys.array[:-1]).all())


def without_repeats(frame: pd.DataFrame, table: Table) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(rows kept, rows lost with `reason`) of rows in order: one row a key, the first one.

    Samples may hold several issues of one bottle's result, each with its own date of report, and a row that says how it
    was drawn.
    """
    key = [*table.key, "new_meter"] if table.name == "meters" else list(table.key)
    shared = shared_keys(frame, key)
    if not shared.any():
        return frame, frame.iloc[:0].assign(reason="")
    reason = _why_repeated(frame[shared], key, table)
    reason = reason[reason != ""]
    return frame[~frame.index.isin(reason.index)], frame.loc[reason.index].assign(reason=reason)


def _why_repeated(frame: pd.DataFrame, key: list[str], table: Table) -> pd.Series:
    """Why a row whose key other rows have too is not used; '' for the one that is."""
    content = [c for c in frame.columns if c not in ("file", "row")]
    first = frame.drop_duplicates(key).set_index(key, drop=False)
    twin = frame.duplicated(content)
    again = frame.duplicated(key) & ~twin
    reason = pd.Series("", index=frame.index, dtype=object)
    reason[twin] = "the same row once more"
    if table.name == "samples":
        base = first.loc[frame["sample"]].set_index(frame.index)
        other = again & ((frame["compartment"] != base["compartment"]) | (frame["drawn_on"] != base["drawn_on"]))
        reason[other] = _two_bottles(base[other])
        rest = frame[~twin & ~other].assign(_reported=has_result)
        same_day = (
            again
            & ~other
            & rest.duplicated(["sample", "reported_on", "_reported"]).reindex(frame.index, fill_value=False)
        )
        reason[same_day] = (
            "another result of this bottle with the same reported_on; which one is newer is not known: the first is "
            "used"
        )
    else:
        reason[again] = f"another row has the same {' and '.join(table.key)}; the one known first is used"
    return reason


def _two_bottles(base: pd.DataFrame) -> pd.Series:
    """The reason a second bottle with a number already used is set aside."""
    day = base["drawn_on"].dt.strftime("%Y-%m-%d")
    return (
        "two bottles with one number; "
        + base["file"].astype(str)
        + " row "
        + base["row"].astype(str)
        + " has it for "
        + base["compartment"].astype(str)
        + " on "
        + day.astype(str)
        + "; give one a number of its own, or put a "
        "label right in corrections"
    )
