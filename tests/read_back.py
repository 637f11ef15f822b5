"""What a loaded fleet says of its reading, for tests."""

from cmkit.records.fleet import Fleet


def aside(fleet: Fleet) -> list[tuple]:
    return list(
        fleet.set_aside[["file", "row", "column", "value", "reason", "what"]].itertuples(index=False, name=None)
    )


def balanced(fleet: Fleet) -> bool:
    """Rows read = used + set aside for every file, with the lost rows counted a second time from the notes."""
    lost = fleet.set_aside[fleet.set_aside["what"] == "row"].drop_duplicates(["file", "row"])["file"].value_counts()
    counts = fleet.counts.set_index("file")
    same = counts["set_aside"].eq(lost.reindex(counts.index).fillna(0))
    return bool((counts["read"] == counts["used"] + counts["set_aside"]).all() and same.all())
