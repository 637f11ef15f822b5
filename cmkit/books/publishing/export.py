"""An executed notebook to one self-contained page that asks nothing of any network.

Charts travel as plotly's own JSON and are drawn by the page's boot script with plotly's cartesian bundle, packed
inside. All other markup passes a sanitiser with an explicit list, and the page's content security policy lets only our
two scripts run.
"""

import base64
import gzip
import hashlib
import html
import json
import re
from collections import Counter
from collections.abc import Sequence
from functools import cache
from html.parser import HTMLParser
from importlib.metadata import version
from pathlib import Path
from typing import Any

import nh3
from markupsafe import Markup, escape
from nbconvert.exporters import HTMLExporter
from nbconvert.exporters.templateexporter import TemplateExporter
from nbformat import NotebookNode
from traitlets import default
from traitlets.config import Config

from cmkit.books.content.mime import CHART, END, OPENING
from cmkit.books.publishing.labels import with_headings
from cmkit.errors import BookError

TEMPLATE = Path(__file__).parent / "template"
READY = "application/x-cmkit-markup"  # an output whose markup is made and clean
PAGE_BYTES = (
    950_000  # past this, closed parts of a page travel packed (see `fitted`), so that a book stays well under 1 MB
)
_WIDGET = "application/vnd.jupyter.widget-view+json"
_DRAWN_HERE = '<script type="text/plain" id="charts-gz">'

_SVG_LOOK = {"fill", "stroke", "stroke-width", "stroke-dasharray", "fill-opacity", "opacity", "transform"}
_SVG = {
    "svg": {"viewBox", "width", "height", "preserveAspectRatio", "focusable"},
    "g": _SVG_LOOK,
    "path": {"d", *_SVG_LOOK},
    "rect": {"x", "y", "width", "height", "rx", *_SVG_LOOK},
    "circle": {"cx", "cy", "r", *_SVG_LOOK},
    "line": {"x1", "y1", "x2", "y2", *_SVG_LOOK},
    "polyline": {"points", *_SVG_LOOK},
    "polygon": {"points", *_SVG_LOOK},
    "text": {"x", "y", "dx", "dy", "text-anchor", "font-size", "dominant-baseline", *_SVG_LOOK},
    "tspan": {"x", "y", "dx", "dy"},
    "title": set(),
    "desc": set(),
}
_ATTRIBUTES = {
    "*": {"class", "id", "lang", "dir", "title", "role", "tabindex", "hidden", "style"},
    "a": {"href"},
    "col": {"span"},
    "colgroup": {"span"},
    "details": {"open", "name"},
    "img": {"src", "alt", "width", "height"},
    "li": {"value"},
    "meter": {"value", "min", "max", "low", "high", "optimum"},
    "ol": {"start", "type"},
    "progress": {"value", "max"},
    "td": {"colspan", "rowspan", "headers"},
    "th": {"colspan", "rowspan", "headers", "scope", "abbr"},
    "time": {"datetime"},
    **_SVG,
}
_WORDS = (
    "a abbr article aside b bdi blockquote br caption cite code col colgroup dd del details dfn div dl dt em "
    "figcaption figure "
    "h2 h3 h4 h5 h6 hr i img ins kbd li mark meter nav ol p pre progress q s samp section small span strong sub "
    "summary sup "
    "table tbody td tfoot th thead time tr u ul var wbr"
)
_TAGS = {*_WORDS.split(), *_SVG}
_STYLES = {"width", "height", "min-width", "max-width", "min-height", "text-align", "--share", "--shade"}
_PICTURE = re.compile(r"data:image/(png|jpeg|svg\+xml);base64,[A-Za-z0-9+/=]*")


def clean_html(text: str) -> str:
    """Markup with everything taken out that is not on the list: no script, no handler, no form, no request to anywhere.

    Pictures must be data URIs; links may be relative, http(s) or mailto. Everything else is dropped, its text kept.
    """
    return nh3.clean(
        text,
        tags=_TAGS,
        attributes=_ATTRIBUTES,
        attribute_filter=_allowed_value,
        generic_attribute_prefixes={"aria-", "data-"},
        url_schemes={"http", "https", "mailto", "data"},
        filter_style_properties=_STYLES,
        link_rel=None,  # no link opens a window of its own, and the page sends no referrer
    )


def _allowed_value(tag: str, attribute: str, value: str) -> str | None:
    """No picture but a data URI, and no link to one (nh3's list of schemes is one for all attributes)."""
    if attribute == "src":
        return value if _PICTURE.fullmatch(value) else None
    if attribute == "href" and value.strip().lower().startswith("data:"):
        return None
    return value


@cache
def boot_script() -> str:
    """The page's own script, exactly as it stands between its tags (the security policy holds its hash)."""
    return (TEMPLATE / "boot.js").read_text(encoding="utf-8")


@cache
def plotly_library() -> tuple[str, str]:
    """plotly's cartesian bundle: gzip as base64, and the policy's hash of the unpacked text
    (computed once a process).
    """
    packed = (TEMPLATE / "plotly-cartesian.min.js.gz").read_bytes()
    return base64.b64encode(packed).decode("ascii"), _sha256_source(gzip.decompress(packed))


@cache
def chart_licences() -> str:
    """The licences of that bundle and of the libraries inside it: whoever passes on a page passes on these."""
    return (TEMPLATE / "plotly-cartesian.LICENSE.txt").read_text(encoding="utf-8")


def _sha256_source(data: bytes) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(data).digest()).decode('ascii')}'"


def security_policy(charts: bool) -> str:
    """The content security policy of a page: nothing may be fetched or sent; scripts run by their
    hash or not at all.
    """
    scripts = f"{_sha256_source(boot_script().encode())} {plotly_library()[1]}" if charts else "'none'"
    return (
        f"default-src 'none'; script-src {scripts}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


class BookExporter(HTMLExporter):
    """nbconvert's exporter of a book (`jupyter nbconvert --to cmkit-book`); a subclass because nbconvert asks for one.

    `resources["book"]` may hold: kind (css class of the page), title, site, month, as_of, version, nav (list of {href,
    text}) and anything else the header and footer templates use. All its text is escaped here. Keeps state: one a
    thread.
    """

    export_from_notebook = "Fleet book (one HTML file)"

    @default("template_name")
    def _template_name_default(self) -> str:
        return TEMPLATE.name

    @default("extra_template_basedirs")
    def _extra_template_basedirs_default(self) -> list[str]:
        return [str(TEMPLATE.parent)]

    @property
    def default_config(self) -> Config:
        """Charts and marks before any other form of an output, no code, no prompts, no links beside headings."""
        types = [READY, END, "text/html", "text/markdown", "image/svg+xml", "image/png", "image/jpeg", "text/plain"]
        ours = {
            "NbConvertBase": {"display_data_priority": types},
            "HTMLExporter": {"exclude_anchor_links": True, "sanitize_html": True},
            "TemplateExporter": {"exclude_input": True, "exclude_input_prompt": True, "exclude_output_prompt": True},
        }
        settings: Config = super().default_config.copy()
        settings.merge(Config(ours))
        return settings

    def default_filters(self) -> Any:
        """nbconvert's filters, with our sanitiser in place of its own (which drops table heads)."""
        yield from super().default_filters()  # type: ignore[no-untyped-call]
        yield from (("clean_html", clean_html), ("contents", with_contents))

    def from_notebook_node(  # type: ignore[override]  # nbconvert annotates it loosely
        self, nb: NotebookNode, resources: dict[str, Any] | None = None, **kw: Any
    ) -> tuple[str, dict[str, Any]]:
        """The page and nbconvert's resources; raises BookError when the page is not what the notebook holds.

        HTMLExporter's own method is passed by: it parses and prints the whole page again.
        """
        nb, figures = prepare_outputs(nb)
        title = taken_title(nb)
        charts = len(figures)
        resources = self._init_resources(resources)
        book = {"kind": "book", "title": title, "version": version("cmkit"), **resources.get("book", {})}
        resources.update(
            book=_escaped(book),
            mime={"ready": READY, "end": END},
            charts=charts,
            security_policy=security_policy(charts > 0),
            boot_script=boot_script(),
            plotly_gz=plotly_library()[0],
            chart_licences=chart_licences(),
        )
        page, resources = TemplateExporter.from_notebook_node(self, nb, resources, **kw)
        check_page(page, charts)
        return fitted(with_headings(page), figures, PAGE_BYTES), resources


def _escaped(value: Any) -> Any:
    """Text in any depth of lists and dictionaries, escaped once for HTML."""
    if isinstance(value, dict):
        return {key: _escaped(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_escaped(item) for item in value]
    return escape(value) if isinstance(value, str) else value


def prepare_outputs(nb: NotebookNode) -> tuple[NotebookNode, list[dict[str, Any]]]:
    """A copy with charts and folds as markup, and the charts' figures.

    Raises BookError for a chart without alternative text or caption and for folds that do not match.
    """
    nb = with_own_outputs(nb)
    outputs = [o for cell in nb.cells for o in cell.get("outputs", []) if "data" in o]
    charts = [o for o in outputs if CHART in o["data"]]
    figures = [o["data"][CHART] for o in charts]
    for output in outputs:
        if OPENING in output["data"]:
            output["data"] = {READY: ""}
        if _WIDGET in output["data"]:
            output["data"] = {
                READY: '<p class="empty">Here the notebook has something to try out; open it in JupyterLab.</p>'
            }
    for number, output in enumerate(charts, start=1):
        output["data"] = {READY: chart_markup(output["data"][CHART], number)}
    depth = 0
    for output in outputs:
        fold = output.get("metadata", {}).get("cmkit", {}).get("fold")
        if fold:
            depth += 1 if fold == "open" else -1
            output["data"] = {READY: fold_markup(output) if fold == "open" else "</div></details>"}
        if depth < 0:
            raise BookError("a fold is closed that was never opened")
    if depth:
        raise BookError(f"{depth} fold(s) still open at the end of the notebook: did a cell fail inside one?")
    return nb, figures


def taken_title(nb: NotebookNode) -> str:
    """The notebook's own title, its first line of markdown if that is a `# title`, taken out of it (a page has one h1);
    else `Book`.
    """
    first = next((cell for cell in nb.cells if cell.cell_type == "markdown"), None)
    if first is None or not first.source.startswith("# "):
        return "Book"
    title, _, first["source"] = first.source.partition("\n")
    return str(title[2:].strip())


def with_own_outputs(nb: NotebookNode) -> NotebookNode:
    """The notebook with outputs whose data can be exchanged without touching the given one (a deep copy costs more than
    the export).
    """
    own = NotebookNode(nb)
    own["cells"] = [NotebookNode(cell) for cell in nb.cells]
    for cell in own.cells:
        if "outputs" in cell:
            cell["outputs"] = [NotebookNode(output) for output in cell.outputs]
    return own


def fitted(page: str, figures: list[dict[str, Any]], most: int) -> str:
    """The page with its charts put in; where it would pass `most` bytes, closed parts (the last first: the least urgent
    compartments stand last) travel packed with the charts and are unpacked by the page's script, so that a bad month
    still fits a mail.
    """
    packed = packed_charts(figures)
    over = len(page.encode("utf-8")) + len(packed) - most
    if packed and over > 0:
        page, parts = taken_out(page, over)
        packed = packed_charts(figures, parts)
    return page.replace(_DRAWN_HERE, _DRAWN_HERE + packed, 1)


_DETAILS = re.compile(r"<details\b[^>]*>|</summary>|</details>")
_PACKED = '<div class="packed" data-part="{}">This part is shown once the script in this page has run.</div>'
_WORTH = 1500  # bytes: what is smaller stays where it is
_SAVED = 0.8  # of a part's bytes, once it is packed


def taken_out(page: str, over: int) -> tuple[str, list[str]]:
    """The page without the insides of as many closed parts as spare it `over` bytes, the last ones, and those insides
    in their order.
    """
    chosen: list[tuple[int, int]] = []
    for start, end in reversed(closed_parts(page)):
        if over > 0 and end - start > _WORTH:
            chosen.insert(0, (start, end))
            over -= int(_SAVED * len(page[start:end].encode("utf-8")))
    ends = [0, *(end for _, end in chosen)]
    kept = [page[a:start] + _PACKED.format(n) for n, (a, (start, _)) in enumerate(zip(ends, chosen, strict=False))]
    return "".join(kept) + page[ends[-1] :], [page[start:end] for start, end in chosen]


def closed_parts(page: str) -> list[tuple[int, int]]:
    """Where the inside of each `details` of the page begins and ends (from after its summary), outermost ones only."""
    parts, depth, begin = [], 0, 0
    for mark in _DETAILS.finditer(page, page.find("<main"), page.find("</main>")):
        if mark[0] == "</summary>":
            begin = mark.end() if depth == 1 else begin
        elif mark[0] == "</details>":
            depth -= 1
            if depth == 0:
                parts.append((begin, mark.start()))
        else:
            depth += 1
    return parts


def packed_charts(figures: list[dict[str, Any]], parts: Sequence[str] = ()) -> str:
    """Every chart's data and layout, the layout template most of them carry (6 kB a chart) once, and parts of the page
    taken out of it: gzip as base64, '' without charts.

    Packed, a chart costs about a sixth of its JSON, and none of its text can end a script element. Raises ValueError
    for NaN and infinity.
    """
    if not figures:
        return ""
    template = common_template(figures)
    drawn = {"template": template, "charts": [_drawn(figure, template) for figure in figures], "parts": [*parts]}
    text = json.dumps(drawn, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return base64.b64encode(gzip.compress(text.encode("utf-8"), compresslevel=9, mtime=0)).decode("ascii")


def common_template(figures: list[dict[str, Any]]) -> dict[str, Any]:
    """The layout template most figures carry; empty if most have none."""
    templates = [f.get("layout", {}).get("template") or {} for f in figures]
    texts = [json.dumps(t, sort_keys=True) for t in templates]
    return templates[texts.index(Counter(texts).most_common(1)[0][0])]


def _drawn(figure: dict[str, Any], template: dict[str, Any]) -> dict[str, Any]:
    """What the page's script needs of a chart: data, layout without the common template, its own small table of numbers
    if it has one.
    """
    layout = figure.get("layout", {})
    table = (layout.get("meta") or {}).get("table")
    left_out = {"meta"} | ({"template"} if (layout.get("template") or {}) == template else set())
    plain = {"data": figure.get("data", []), "layout": {k: v for k, v in layout.items() if k not in left_out}}
    return plain | ({"table": table} if table else {})


def chart_markup(figure: dict[str, Any], number: int) -> str:
    """One chart: its place, caption, alternative text, and where its numbers are written when asked for.

    Raises BookError if it cannot be read without sight.
    """
    layout = figure.get("layout", {})
    meta = layout.get("meta") or {}
    for wanted in ("caption", "alt"):
        if not str(meta.get(wanted, "")).strip():
            raise BookError(
                f"chart {number} of the book has no {wanted}: set layout.meta = {{'caption': ..., 'alt': ...}}"
            )
    height = int(layout.get("height") or 420)
    return (
        f'<figure class="chart" id="chart-{number}" aria-describedby="chart-{number}-alt">'
        f'<div class="plot" style="min-height:{height}px"></div>'
        f"<figcaption>{html.escape(meta['caption'])}</figcaption>"
        f'<p class="alt" id="chart-{number}-alt">{html.escape(meta["alt"])}</p>'
        '<details class="numbers"><summary>Numbers in this figure</summary></details></figure>'
    )


def fold_markup(output: dict[str, Any]) -> str:
    """The opening markup of a fold: its closed line is the output's own HTML, its address the metadata's id. Raises
    BookError.
    """
    anchor = output["metadata"]["cmkit"].get("id", "")
    if not re.fullmatch(r"[\w.-]*", anchor):
        raise BookError(f"a fold's id is {anchor!r}; wanted letters, digits, '-', '_' and '.' only")
    about = output["metadata"]["cmkit"]
    own = f' id="{anchor}"' if anchor else ""
    own += f' data-machine="{html.escape(about["machine"])}"' if about.get("machine") else ""
    kind = "fold prints" if about.get("prints") else "fold"
    return (
        f'<details class="{kind}"{own}><summary>{clean_html(output["data"].get("text/html", ""))}</summary><div '
        f'class="folded">'
    )


_HEADING = re.compile(r"<h([23])((?:\s[^>]*)?)>(.*?)</h\1>", re.DOTALL)


def with_contents(page: str) -> dict[str, Any]:
    """The page with an id on every h2 and h3, and its contents: [{level, id, text}] in order (text escaped)."""
    taken = set(re.findall(r'\sid="([^"]*)"', page))
    contents: list[dict[str, Any]] = []

    def mark(match: re.Match[str]) -> str:
        level, attributes, inner = match.groups()
        text = Markup(inner).striptags()
        own = re.search(r'\sid="([^"]*)"', attributes)
        anchor = html.unescape(own[1]) if own else _free_anchor(text, taken)
        taken.add(anchor)
        contents.append({"level": int(level), "id": escape(anchor), "text": escape(text)})
        return match[0] if own else f'<h{level}{attributes} id="{html.escape(anchor)}">{inner}</h{level}>'

    marked = _HEADING.sub(mark, page)
    return {"html": Markup(marked), "contents": contents}


def _free_anchor(text: str, taken: set[str]) -> str:
    """A heading's words as an id that nothing else has."""
    plain = re.sub(r"\W+", "-", text.lower()).strip("-") or "part"
    return next(a for a in (plain, *(f"{plain}-{n}" for n in range(2, len(taken) + 3))) if a not in taken)


class PageFacts(HTMLParser):
    """What a page holds, for the check after export and for tests: ids, links, sources, charts,
    pictures without words.
    """

    def __init__(self) -> None:
        super().__init__()
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.sources: list[str] = []
        self.charts = 0
        self.wordless = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Called for each element by the parser."""
        found = dict(attrs)
        if found.get("id"):
            self.ids[str(found["id"])] += 1
        if tag == "a" and found.get("href"):
            self.links.append(str(found["href"]))
        if tag != "a":
            self.sources += [str(found[name]) for name in ("src", "href", "srcset", "data") if found.get(name)]
        self.charts += tag == "figure" and "chart" in (found.get("class") or "").split()
        self.wordless += tag == "img" and not (found.get("alt") or "").strip()


_SCRIPT = re.compile(
    r"(<script[^>]*>)[^<]*"
)  # its text: packed data and our own script, slow to parse and holding no element


def page_facts(page: str) -> PageFacts:
    """Read a page's text once."""
    facts = PageFacts()
    facts.feed(_SCRIPT.sub(r"\1", page))
    facts.close()
    return facts


def check_page(page: str, charts: int) -> None:
    """Raises BookError naming every fault: a chart lost, an outside source, a dead link inside, an id twice, a picture
    without words.
    """
    facts = page_facts(page)
    faults = []
    if facts.charts != charts:
        faults.append(f"{charts} charts in the notebook but {facts.charts} in the page")
    if facts.wordless:
        faults.append(f"{facts.wordless} picture(s) without alternative text")
    faults += [f"loads {s[:80]!r} from outside" for s in facts.sources if not s.startswith("data:")]
    faults += [f"id {i!r} stands {n} times" for i, n in facts.ids.items() if n > 1]
    faults += [
        f"link {k!r} leads nowhere" for k in sorted(set(facts.links)) if k.startswith("#") and k[1:] not in facts.ids
    ]
    if faults:
        raise BookError("the page is not sound: " + "; ".join(faults[:10]))
