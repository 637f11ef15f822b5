"""The guides and a page of all names, copied out of an installed package into a folder of the user's own."""

import inspect
from html import escape
from pathlib import Path
from types import ModuleType

import cmkit
from cmkit.books.publishing.fleet_month import shipped
from cmkit.files import written_folder
from cmkit.records.reading.files import refuse_record_place
from cmkit.tables.describe import describe
from cmkit.tables.dictionary import GROUPS, table

NAMES = "names.html"
_LOOK = (
    "body{font:16px/1.5 system-ui,Arial,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#16202b}"
    "pre{white-space:pre-wrap;background:#f4f6f8;padding:.8rem}table{border-collapse:collapse;font-size:14px}"
    "th,td{text-align:left;padding:.2rem .6rem;border-bottom:1px solid #c9d0d7;vertical-align:top}nav "
    "a{margin-right:1rem}"
    ".wide{overflow-x:auto}"
)
_PLOT, _DESK = "plot", "desk"


def copy_guides(folder: str | Path) -> list[Path]:
    """Copy guides and book templates into `folder` and write names.html there; the files written, the page last.

    All of them or none: WriteError where the folder is not new or empty, or is a fleet's.
    """
    place = Path(folder)
    refuse_record_place(place)
    found = sorted(shipped("notebooks").glob("*.ipynb"))
    with written_folder(place) as aside:
        for notebook in found:
            (aside / notebook.name).write_bytes(notebook.read_bytes())
        (aside / NAMES).write_text(names_page(), encoding="utf-8")
    return [*(place / n.name for n in found), place / NAMES]


def guides_words(written: list[Path]) -> str:
    """What was copied, and the line that opens JupyterLab on it."""
    place, page = written[-1].parent, written[-1].name
    return (
        f"{len(written) - 1} notebooks written to {place}, and {page} with every name and table.\n"
        f"For the demo fleet beside them: cmkit demo {place / 'sample_data'}\nThen: jupyter lab "
        f"{place / 'guide_01_own_data.ipynb'}"
    )


def names_page() -> str:
    """Every public name and every table as one page, from the docstrings and the dictionary as they are; it asks
    nothing of any network.
    """
    plain = [n for n in cmkit.__all__ if n not in (_PLOT, _DESK)]
    errors = [n for n in plain if inspect.isclass(getattr(cmkit, n)) and issubclass(getattr(cmkit, n), Exception)]
    bundles = [n for n in plain if inspect.isclass(getattr(cmkit, n)) and n not in errors]
    chapters = {
        "Functions": [_entry(n, getattr(cmkit, n)) for n in plain if inspect.isfunction(getattr(cmkit, n))],
        "Figures": _members(cmkit.plot, "plot"),
        "Desk": _members(cmkit.desk, "desk"),
        "Bundles": [_entry(n, getattr(cmkit, n)) + "".join(_methods(n, getattr(cmkit, n))) for n in bundles],
        "Errors": [_entry(n, getattr(cmkit, n)) for n in errors],
        "Tables": [_table(n) for names in GROUPS.values() for n in names],
    }
    links = "".join(f'<a href="#{escape(name)}">{escape(name)}</a>' for name in chapters)
    body = "".join(f'<h2 id="{escape(name)}">{escape(name)}</h2>{"".join(parts)}' for name, parts in chapters.items())
    head = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width"><title>Names of cmkit</title><style>{_LOOK}</style>'
    )
    return (
        f"{head}<main><h1>Names of cmkit</h1><p>Worked examples of each stand in the guides beside this "
        f"page.</p><nav>{links}</nav>{body}</main></html>\n"
    )


def _members(module: ModuleType, prefix: str) -> list[str]:
    return [_entry(f"{prefix}.{n}", getattr(module, n)) for n in module.__all__]


def _methods(owner: str, kind: type) -> list[str]:
    own = [(n, f) for n, f in vars(kind).items() if inspect.isfunction(f) and not n.startswith("_")]
    return [_entry(f"{owner}.{n}", f) for n, f in own]


def _entry(name: str, thing: object) -> str:
    """A name with its parameters and its docstring."""
    called = str(inspect.signature(thing)) if inspect.isfunction(thing) else ""
    shown = (
        called.replace("cmkit.assessment.", "").replace("pandas.", "pd.").replace("plotly.graph_objs._figure.", "go.")
    )
    words = inspect.getdoc(thing) or ""
    return (
        f'<section id="{escape(name)}"><h3><code>cmkit.{escape(name)}</code></h3>'
        f"<pre>{escape(name + shown)}\n\n{escape(words)}</pre></section>"
    )


def _table(name: str) -> str:
    rows = describe(name)[["column", "dtype", "unit", "meaning", "one_of"]]
    inside = rows.to_html(index=False, border=0, escape=True)
    return (
        f"<details id='table-{escape(name)}'><summary><code>{escape(name)}</code>: one row is "
        f"{escape(table(name).one_row_is)}</summary><div class='wide'>{inside}</div></details>"
    )
