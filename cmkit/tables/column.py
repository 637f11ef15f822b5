"""What a column and a table are: the two words the dictionary is written in."""

from collections.abc import Iterable
from dataclasses import dataclass

KINDS = {
    "str": "text",
    "float64": "number",
    "int64": "number",
    "Int64": "number",
    "datetime64[us]": "date",
    "bool": "flag",
    "boolean": "flag",
}


@dataclass(frozen=True)
class Column:
    """One column.

    dtype: of pandas, one of KINDS (`Int64` and `boolean` may be missing, `int64` and `bool` never are). unit: empty
    where there is none, `1` for a share, ratio or chance. one_of: the allowed words, empty for any. required: a file
    that is read must fill it.
    """

    name: str
    dtype: str
    unit: str
    meaning: str
    one_of: tuple[str, ...] = ()
    required: bool = False

    @property
    def kind(self) -> str:
        """What a person writes into it: text, number, date or flag."""
        return KINDS[self.dtype]


@dataclass(frozen=True)
class Table:
    """One table.

    key: columns that name a row, no two rows alike; empty where rows have no name. known_on: columns, in order of
    preference, that say when a
    row reached the office. required: a fleet must have it. added: columns cmkit adds to those a file may hold; they may
    be absent. results: it also has each analyte of the register (float64) and flags `<analyte>_below` and
    `<analyte>_above` (bool).
    """

    name: str
    one_row_is: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    known_on: tuple[str, ...] = ()
    required: bool = True
    added: tuple[Column, ...] = ()
    results: bool = False

    @property
    def names(self) -> list[str]:
        """Names of the columns in their order, without those that are added."""
        return [c.name for c in self.columns]

    def column(self, name: str) -> Column:
        """The column of this name; KeyError naming the table where it has none."""
        found = next((c for c in (*self.columns, *self.added) if c.name == name), None)
        if found is None:
            raise KeyError(f"the table '{self.name}' has no column '{name}'")
        return found


def text(name: str, meaning: str, one_of: tuple[str, ...] = (), required: bool = False) -> Column:
    """A column of text."""
    return Column(name, "str", "", meaning, one_of, required)


def number(name: str, unit: str, meaning: str, required: bool = False) -> Column:
    """A column of numbers that may be missing (NaN)."""
    return Column(name, "float64", unit, meaning, (), required)


def whole(name: str, unit: str, meaning: str) -> Column:
    """A column of whole numbers, never missing."""
    return Column(name, "int64", unit, meaning)


def date(name: str, meaning: str, required: bool = False) -> Column:
    """A column of days that may be missing (NaT)."""
    return Column(name, "datetime64[us]", "", meaning, (), required)


def flag(name: str, meaning: str) -> Column:
    """A column that is true or false, never missing."""
    return Column(name, "bool", "", meaning)


def by_name(tables: Iterable[Table]) -> dict[str, Table]:
    """Tables by their names, in their order."""
    return {table.name: table for table in tables}
