"""A figure as a still picture (SVG), drawn from plotly's own JSON: for every reader of notebooks that cannot run
plotly, and for paper.

It draws what our figures are made of: lines, markers, filled bands, horizontal bars, straight shapes and words, on
linear, logarithmic and category axes. Anything else of a figure is left out of the picture, never guessed.
"""

import html
import math
import re
from dataclasses import dataclass
from typing import Any

WIDTH = 720  # px; a layout may ask for another
NAMESPACE = "http:/" + "/www.w3.org/2000/svg"  # the name of a vocabulary; nothing is fetched there
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 20, 30, 46
_INK, _SOFT, _FAINT, _EDGE = "#16202b", "#5b6673", "#e9edf0", "#c9d0d7"
_Spot = tuple[float, float]
_DASHES = {"dash": "7 4", "dot": "2 3", "dashdot": "7 3 2 3", "solid": ""}
_TAG = re.compile(r"<[^>]*>")
_STEPS = (1, 2, 2.5, 5, 10)


@dataclass(frozen=True)
class _Axis:
    """One axis: where it runs on the picture (px), what it runs from and to, and its words."""

    first_px: float
    last_px: float
    low: float
    high: float
    log: bool
    words: tuple[str, ...]
    marks: tuple[float, ...] = ()  # where the figure itself says its ticks stand

    def px(self, value: Any) -> float | None:
        """Place of a value; None where it has none."""
        at = self._number(value)
        if at is None or not math.isfinite(at):
            return None
        share = (at - self.low) / (self.high - self.low)
        return self.first_px + share * (self.last_px - self.first_px)

    def _number(self, value: Any) -> float | None:
        if self.words:
            return float(self.words.index(str(value))) if str(value) in self.words else None
        if not isinstance(value, (int, float)) or isinstance(value, bool):
            return None
        return (math.log10(value) if value > 0 else None) if self.log else float(value)

    def ticks(self) -> list[tuple[float, str]]:
        """Places (px) and words of its ticks."""
        if self.words:
            return [(self.px(w) or 0.0, plain_words(w)) for w in self.words]
        values = _even(self.low, self.high) if not self.log else _decades(self.low, self.high)
        if self.marks:
            least, most = (10**self.low, 10**self.high) if self.log else (self.low, self.high)
            values = [v for v in self.marks if least <= v <= most]
        return [(self.px(v) or 0.0, f"{v:,.10g}") for v in values]


def as_svg(figure: dict[str, Any]) -> str:
    """The picture of a figure given as plotly's JSON; all its text is escaped. An empty frame where there is nothing to
    draw.
    """
    layout = figure.get("layout", {})
    traces = _stacked(list(figure.get("data", [])))
    width, height = size = float(layout.get("width") or WIDTH), float(layout.get("height") or 420)
    named = {(t.get("xaxis") or "x", t.get("yaxis") or "y") for t in traces} or {("x", "y")}
    pairs = sorted(named, key=lambda pair: int(pair[1][1:] or 1))
    axes = {name: _axis(layout, traces, name, size) for pair in pairs for name in pair}
    body = [part for pair in pairs for part in _frame(axes[pair[0]], axes[pair[1]], labelled=pair == pairs[-1])]
    for trace in traces:
        body += _trace(trace, axes[trace.get("xaxis") or "x"], axes[trace.get("yaxis") or "y"])
    body += [part for shape in layout.get("shapes") or [] for part in _shape(shape, axes, size)]
    body += [_note(note, axes, size) for note in layout.get("annotations") or []]
    title = ((layout.get(_key(pairs[-1][0])) or {}).get("title") or {}).get("text", "")
    body.append(_words(title, ((_LEFT + width - _RIGHT) / 2, height - 8), "middle", 12, _SOFT))
    meta = layout.get("meta") or {}
    alt = html.escape(str(meta.get("alt", "")))
    style = 'font-family="system-ui, Arial, sans-serif" style="max-width:100%;background:#fff"'
    head = (
        f'<svg xmlns="{NAMESPACE}" viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" role="img" '
        f"{style}>"
    )
    return f"{head}<title>{alt}</title>{''.join(body)}</svg>"


def plain_words(text: Any) -> str:
    """A figure's text without its tags, entities resolved."""
    return html.unescape(_TAG.sub("", str(text)))


def _key(name: str) -> str:
    """`x2` -> `xaxis2`."""
    return f"{name[0]}axis{name[1:]}"


def _axis(layout: dict[str, Any], traces: list[dict[str, Any]], name: str, size: _Spot) -> _Axis:
    given = layout.get(_key(name)) or {}
    along = name[0]
    values = [v for t in traces if (t.get(f"{along}axis") or along) == name for v in _values(t, along)]
    if given.get("matches") or (along == "x" and name != "x"):
        values = [v for t in traces for v in _values(t, "x")]
    if along == "x":
        first, end = float(_LEFT), size[0] - _RIGHT
    else:
        low, high = given.get("domain") or (0.0, 1.0)
        first, end = _down(low, size[1]), _down(high, size[1])
    words = tuple(dict.fromkeys(str(v) for v in values if isinstance(v, str)))
    if words or given.get("type") == "category":
        turned = along == "y" and given.get("autorange") == "reversed"
        return _Axis(end if turned else first, first if turned else end, -0.5, max(len(words), 1) - 0.5, False, words)
    log = given.get("type") == "log"
    own = [float(v) for v in values if isinstance(v, (int, float)) and math.isfinite(v) and (v > 0 or not log)]
    if given.get("range") and not log:
        low, high = (float(v) for v in given["range"])
        return _Axis(first, end, low, high, log, (), tuple(given.get("tickvals") or ()))
    low, high = _range(own, log, zero=along == "y" and given.get("rangemode") != "normal")
    return _Axis(first, end, low, high, log, (), tuple(given.get("tickvals") or ()))


def _down(share: float, height: float) -> float:
    """Height on the picture (px from its top) of a share of the plot's height."""
    return _TOP + (1 - share) * (height - _TOP - _BOTTOM)


def _values(trace: dict[str, Any], along: str) -> list[Any]:
    values = [v for v in trace.get(along) or [] if v is not None]
    if trace.get("type") == "bar" and along == "x":
        values = [0, *(b + v for b, v in zip(trace["base"], trace["x"], strict=True))]
    return values


def _stacked(traces: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The traces, each bar with the value it begins at: the bars before it in its row, added up."""
    ends: dict[str, float] = {}
    out = []
    for trace in traces:
        if trace.get("type") == "bar":
            base = [ends.get(str(name), 0) for name in trace["y"]]
            ends |= {str(n): b + v for n, b, v in zip(trace["y"], base, trace["x"], strict=True)}
            trace = trace | {"base": base}
        out.append(trace)
    return out


def _range(values: list[float], log: bool, *, zero: bool) -> tuple[float, float]:
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    if log:
        return math.log10(low) - 0.05, math.log10(high) + 0.05
    if zero and low >= 0:
        low = 0.0
    room = 0.04 * ((high - low) or abs(high) or 1.0)
    return (low if zero and low == 0 else low - room), high + room


def _even(low: float, high: float) -> list[float]:
    """Four to seven even values within a range."""
    rough = (high - low) / 5
    scale = 10 ** math.floor(math.log10(rough))
    step = next(s * scale for s in _STEPS if s * scale >= rough)
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 12) for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _decades(low: float, high: float) -> list[float]:
    return [
        m * 10.0**d
        for d in range(math.floor(low), math.ceil(high) + 1)
        for m in (1, 2, 5)
        if low <= math.log10(m * 10.0**d) <= high
    ]


def _frame(x: _Axis, y: _Axis, *, labelled: bool) -> list[str]:
    """Grid, frame and ticks of one panel."""
    top, bottom, parts = min(y.first_px, y.last_px), max(y.first_px, y.last_px), []
    for at, words in y.ticks():
        parts += [
            _line((x.first_px, at), (x.last_px, at), _FAINT),
            _words(words, (x.first_px - 6, at + 4), "end", 11, _SOFT),
        ]
    for at, words in x.ticks():
        parts.append(_line((at, top), (at, bottom), _FAINT))
        if labelled:
            parts.append(_words(words, (at, bottom + 16), "middle", 11, _SOFT))
    return [
        *parts,
        _line((x.first_px, bottom), (x.last_px, bottom), _EDGE),
        _line((x.first_px, top), (x.first_px, bottom), _EDGE),
    ]


def _line(one: _Spot, other: _Spot, colour: str, dash: str = "", width: float = 1) -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="M{one[0]:.1f},{one[1]:.1f}L{other[0]:.1f},{other[1]:.1f}" stroke="{_attr(colour)}" '
        f'stroke-width="{width:g}" fill="none"{dashed}/>'
    )


def _attr(value: Any) -> str:
    return html.escape(str(value), quote=True)


def _words(text: Any, at: _Spot, anchor: str, size: float, colour: str) -> str:
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" text-anchor="{anchor}" font-size="{size:g}" '
        f'fill="{_attr(colour)}">{html.escape(plain_words(text))}</text>'
    )


def _trace(trace: dict[str, Any], x: _Axis, y: _Axis) -> list[str]:
    if trace.get("type") == "bar":
        return _bars(trace, x, y)
    if trace.get("type", "scatter") != "scatter":
        return []
    places = [(x.px(a), y.px(b)) for a, b in zip(trace.get("x") or [], trace.get("y") or [], strict=False)]
    mode = trace.get("mode") or "lines+markers"
    parts = []
    if trace.get("fill") == "toself":
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in places if a is not None and b is not None)
        parts.append(f'<polygon points="{points}" fill="{_attr(trace.get("fillcolor", _FAINT))}"/>')
    width = float((trace.get("line") or {}).get("width", 1.4))
    if "lines" in mode and width > 0:
        parts.append(_path(places, trace.get("line") or {}, width))
    return parts + (_markers(places, trace.get("marker") or {}) if "markers" in mode else [])


def _path(places: list[tuple[float | None, float | None]], style: dict[str, Any], width: float) -> str:
    """A line with gaps where a point is missing."""
    steps, pen = [], "M"
    for a, b in places:
        if a is None or b is None:
            pen = "M"
        else:
            steps.append(f"{pen}{a:.1f},{b:.1f}")
            pen = "L"
    dash = _DASHES.get(style.get("dash") or "solid", "")
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="{"".join(steps)}" fill="none" stroke="{_attr(style.get("color", _INK))}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def _markers(places: list[tuple[float | None, float | None]], style: dict[str, Any]) -> list[str]:
    size, colour, symbols = (
        float(style.get("size", 6)) / 2,
        _attr(style.get("color", _INK)),
        style.get("symbol", "circle"),
    )
    edge = style.get("line") or {}
    stroke = (
        f' stroke="{_attr(edge.get("color", _INK))}" stroke-width="{float(edge.get("width", 0)):g}"' if edge else ""
    )
    parts = []
    for i, (a, b) in enumerate(places):
        if a is None or b is None:
            continue
        symbol = symbols[i] if isinstance(symbols, (list, tuple)) and i < len(symbols) else symbols
        parts.append(_mark(str(symbol), a, b, size) + f' fill="{colour}"{stroke}/>')
    return parts


def _mark(symbol: str, a: float, b: float, r: float) -> str:
    """An open tag that draws one marker."""
    if symbol == "x":
        return (
            f"<path "
            f'd="M{a - r:.1f},{b - r:.1f}L{a + r:.1f},{b + r:.1f}M{a - r:.1f},{b + r:.1f}L{a + r:.1f},{b - r:.1f}" '
            f'stroke="{_INK}" stroke-width="2"'
        )
    if symbol == "line-ew":
        return f'<path d="M{a - r:.1f},{b:.1f}h{2 * r:g}"'
    if symbol == "triangle-down":
        return f'<path d="M{a - r:.1f},{b - r:.1f}L{a + r:.1f},{b - r:.1f}L{a:.1f},{b + r:.1f}Z"'
    return f'<circle cx="{a:.1f}" cy="{b:.1f}" r="{r:g}"'


def _bars(trace: dict[str, Any], x: _Axis, y: _Axis) -> list[str]:
    """Horizontal bars, each from its base (`_stacked`)."""
    parts = []
    bases = trace["base"]
    texts = trace.get("text") or [""] * len(bases)
    colour = (trace.get("marker") or {}).get("color", _SOFT)
    ink = (trace.get("textfont") or {}).get("color", _INK)
    for value, name, base, text in zip(trace["x"], trace["y"], bases, texts, strict=True):
        left, right, middle = x.px(base), x.px(base + value), y.px(name)
        if left is None or right is None or middle is None or not value:
            continue
        parts.append(
            f'<rect x="{left:.1f}" y="{middle - 13:.1f}" width="{right - left:.1f}" height="26" '
            f'fill="{_attr(colour)}" stroke="{_INK}"/>'
        )
        parts.append(_words(text, ((left + right) / 2, middle + 4), "middle", 11, ink))
    return parts


def _place(ref: Any, value: Any, axes: dict[str, _Axis], size: _Spot, along: str) -> float | None:
    """Where a shape's or note's coordinate lies: in an axis' values, a share of its length, or a share of the plot."""
    name, _, domain = str(ref or along).partition(" ")
    if name == "paper" or name not in axes:
        share = float(value or 0)
        return _LEFT + share * (size[0] - _LEFT - _RIGHT) if along == "x" else _down(share, size[1])
    axis = axes[name]
    if domain:
        return axis.first_px + float(value) * (axis.last_px - axis.first_px)
    at, ends = axis.px(value), sorted((axis.first_px, axis.last_px))
    return at if at is not None and ends[0] - 1 <= at <= ends[1] + 1 else None  # plotly too draws nothing beyond


def _shape(shape: dict[str, Any], axes: dict[str, _Axis], size: _Spot) -> list[str]:
    if shape.get("type") != "line":
        return []
    ends = [_place(shape.get(f"{k[0]}ref"), shape.get(k), axes, size, k[0]) for k in ("x0", "y0", "x1", "y1")]
    if None in ends:
        return []
    style = shape.get("line") or {}
    x0, y0, x1, y1 = (float(e or 0) for e in ends)
    return [
        _line(
            (x0, y0),
            (x1, y1),
            style.get("color", _SOFT),
            _DASHES.get(style.get("dash") or "solid", ""),
            float(style.get("width", 1)),
        )
    ]


_ANCHORS = {"left": "start", "right": "end", "center": "middle"}


def _spot(note: dict[str, Any], along: str, axes: dict[str, _Axis]) -> Any:
    """A note's place as a value: plotly gives it as a logarithm on a logarithmic axis."""
    axis = axes.get(str(note.get(f"{along}ref")))
    at = note.get(along)
    return 10**at if axis is not None and axis.log and isinstance(at, (int, float)) else at


def _note(note: dict[str, Any], axes: dict[str, _Axis], size: _Spot) -> str:
    x, y = (_place(note.get(f"{k}ref"), _spot(note, k, axes), axes, size, k) for k in ("x", "y"))
    if x is None or y is None:
        return ""
    font = note.get("font") or {}
    lift = {"bottom": -4, "top": 12}.get(str(note.get("yanchor")), 4)
    anchor = _ANCHORS.get(str(note.get("xanchor", "left")), "start")
    return _words(
        note.get("text", ""),
        (x + float(note.get("xshift", 0)), y + lift),
        anchor,
        float(font.get("size", 12)),
        font.get("color", _INK),
    )
