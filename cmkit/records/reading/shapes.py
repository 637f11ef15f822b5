"""The sections of a layout file that say how rows of the file become rows of a table."""

from typing import Any

from cmkit.errors import SettingsError
from cmkit.records.reading.clean import normal
from cmkit.records.reading.reshape import ComponentColumn, Shape, Unpivot
from cmkit.records.typed_reader import checked, read_block, refuse_unknown, section
from cmkit.tables.records import COMPARTMENTS

SHAPE_SECTIONS = ("fixed", "phrases", "quantity", "components", "unpivot")
GIVES = (
    "there",
    *(c.name for c in COMPARTMENTS.columns if c.name not in ("compartment", "machine", "kind", "position")),
)


def read_shape(
    raw: dict[str, Any], known: dict[str, str], where: str, fill_down: tuple[str, ...], gallon: str
) -> Shape:
    """The shape a layout file names. Raises SettingsError with the section and line, what was found
    and what is known.
    """
    fixed = {k: checked(v, str, f"{where}: [fixed] {k}") for k, v in section(raw, "fixed", where).items()}
    quantity = {k: checked(v, str, f"{where}: [quantity] {k}") for k, v in section(raw, "quantity", where).items()}
    phrases = section(raw, "phrases", where, deep=True)
    for name, block in (("fixed", fixed), ("quantity", quantity), ("phrases", phrases)):
        refuse_unknown(block, list(known), f"{where}: [{name}]")
    unpivot = read_block(Unpivot, raw["unpivot"], f"{where}: [unpivot]") if "unpivot" in raw else None
    if unpivot:
        refuse_unknown([unpivot.heading, unpivot.cell], list(known), f"{where}: [unpivot]")
        if unpivot.columns != "dates":
            raise SettingsError(f"{where}: [unpivot] columns = {unpivot.columns!r}; wanted 'dates'.")
    return Shape(
        fill_down=tuple(normal(h) for h in fill_down),
        fixed=fixed,
        phrases={
            k: tuple((p, checked(o, str, f"{where}: [phrases.{k}] {p}")) for p, o in v.items())
            for k, v in phrases.items()
        },
        quantity=quantity,
        components={h: _component(h, v, where) for h, v in section(raw, "components", where, deep=True).items()},
        unpivot=unpivot,
        gallon={"US": "usgal", "imperial": "impgal"}.get(gallon, ""),
    )


def _component(heading: str, block: dict[str, Any], where: str) -> ComponentColumn:
    spot = f"{where}: [components] {heading!r}"
    column: ComponentColumn = read_block(ComponentColumn, block, spot)
    if column.gives not in GIVES:
        raise SettingsError(f"{spot}: gives {column.gives!r}; wanted one of {', '.join(GIVES)}.")
    return column


def gallons_named(raw: dict[str, Any], gallon: str) -> dict[str, Any]:
    """The layout with its gallons named, where it says which they are."""
    which = {"US": "US gal", "imperial": "imp gal"}.get(gallon)
    if not which:
        return raw
    named = dict(raw)
    for name in ("columns", "tests", "components"):
        block = raw.get(name)
        if isinstance(block, dict):
            named[name] = {
                h: {**v, "unit": which} if isinstance(v, dict) and is_gallon(v.get("unit")) else v
                for h, v in block.items()
            }
    return named


def is_gallon(unit: object) -> bool:
    """True for gallons of which is not said whether they are US or imperial."""
    return isinstance(unit, str) and unit.strip(" .").casefold() in ("gal", "gals", "gallon", "gallons", "galls")


def component_units(shape: Shape, where: str) -> dict[str, str]:
    """Column -> unit of what the component columns give. SettingsError where one thing is given in two units."""
    if not shape.components:
        return {}
    units = {"kind": "", "position": ""}
    for heading, c in shape.components.items():
        if c.gives != "there" and units.setdefault(c.gives, c.unit) != c.unit:
            raise SettingsError(
                f"{where}: [components] {heading!r}: {c.gives} in {c.unit!r}, and in {units[c.gives]!r} in another "
                f"line. Wanted one unit for all."
            )
    return units
