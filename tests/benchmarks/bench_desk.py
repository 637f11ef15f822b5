"""How long the desk takes from a key press to the plot, and a tried limit; `--lab` measures in a real JupyterLab driven
in Chromium.

In this process: CPU and wall milliseconds of each callback, against pandas' own description of the table `history` by
analyte, in the same run. In JupyterLab: from the key press to the frame after the new plot stands in the page, and what
axe-core finds at 360 px. `--python` names the interpreter whose JupyterLab and kernel are used, such as that of an
environment with the wheel.
"""

import argparse
import secrets
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import nbformat
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, sync_playwright

import cmkit
from cmkit.assessment import Assessment
from cmkit.books.content.open_assessment import open_assessment

ROOT = Path(__file__).parents[2]
PLACE = "RH-02/final drive/left"
PANELS = {"fleet": "a", "interval": "a", "limits": "a", "compare": "a", "compartment": f"a, {PLACE!r}"}
NARROW = 360  # px
BOXES = ("delay to failure, h", "rate at failure, times the usual", "hours between defects", "turnaround, operating h",
    "a sample", "a planned repair", "a failure")  # fmt: skip


def line(*cells: object) -> None:
    """A row of the printed table."""
    print("| " + " | ".join(f"{c:.0f}" if isinstance(c, float) else str(c) for c in cells) + " |", flush=True)


def shares(values: list[float]) -> tuple[float, float]:
    """Median, and what nine in ten stay under."""
    return statistics.median(values), sorted(values)[max(0, -(-9 * len(values) // 10) - 1)]


def timed(act: Callable[[int], Any], times: int) -> tuple[list[float], list[float]]:
    """(CPU, wall) milliseconds of act(0), act(1), ...; one call before them is not counted."""
    act(0)
    cpu, wall = [], []
    for n in range(1, times + 1):
        began, used = time.perf_counter(), time.process_time()
        act(n)
        wall.append(1e3 * (time.perf_counter() - began))
        cpu.append(1e3 * (time.process_time() - used))
    return cpu, wall


def named(panel: Any) -> dict[str, Any]:
    """A panel's controls by their labels."""
    found, open_boxes = {}, [panel.controls]
    while open_boxes:
        box = open_boxes.pop()
        open_boxes += getattr(box, "children", ())
        if getattr(box, "description", ""):
            found[box.description] = box
    return found


def presses(a: Assessment) -> dict[str, Callable[[int], Any]]:
    """A change of each control that redraws, by what it is."""

    def chosen(panel: Any, label: str) -> Callable[[int], Any]:
        box = named(panel)[label]
        return lambda n: setattr(box, "index", (n + 1) % len(box.options))

    def typed(box: Any) -> Callable[[int], Any]:
        start = box.value
        return lambda n: setattr(box, "value", start * (1 + 0.03 * (n + 1)))

    desk, boxes = cmkit.desk, named(cmkit.desk.interval(a))
    out = {"fleet: compartment": chosen(desk.fleet(a), "compartment"),
        "compartment: result": chosen(desk.compartment(a, PLACE), "result")}  # fmt: skip
    out |= {"compare: other": chosen(desk.compare(a), "other")}
    out |= {f"interval: {label}": typed(boxes[label]) for label in BOXES}
    return out | {"limits: alert": typed(named(desk.limits(a))["alert"])}


def in_this_process(a: Assessment, times: int) -> None:
    """The table of callbacks, and what_if."""
    peer, _ = timed(lambda _: a.history.groupby("analyte")[["rate", "level", "z"]].describe(), times)
    base = statistics.median(peer)
    line(
        "control", "CPU ms, median", "9 in 10", "wall ms, median", "9 in 10", f"CPU to pandas' describe ({base:.0f} ms)"
    )
    line(*["---"] * 6)
    every: list[float] = []
    for name, act in presses(a).items():
        cpu, wall = timed(act, times)
        every += cpu if not name.startswith("limits") else []
        line(name, *shares(cpu), *shares(wall), f"{statistics.median(cpu) / base:.1f}")
    line("all that draw a plot", *shares(every), "", "", f"{statistics.median(every) / base:.1f}")
    for words, tried in (
        ("a limit of one kind", lambda n: {"limits": {"engine": {"Cu_ppm": (20 + n, 40 + n)}}}),
        ("thresholds, all judged again", lambda n: {"thresholds": {"alarm": 0.5 + 0.01 * n}}),
    ):
        cpu, wall = timed(lambda n, tried=tried: cmkit.what_if(a, **tried(n)), times)
        line(
            f"what_if, {words}, {len(a.compartments)} compartments",
            *shares(cpu),
            *shares(wall),
            f"{statistics.median(cpu) / base:.1f}",
        )


@contextmanager
def lab(python: str, folder: Path) -> Iterator[str]:
    """A JupyterLab on loopback that serves `folder`; the address of desk.ipynb in it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token = secrets.token_hex(16)
    command = [python, "-m", "jupyterlab", "--no-browser", "--ServerApp.ip=127.0.0.1", f"--ServerApp.port={port}",
        f"--IdentityProvider.token={token}",
               f"--ServerApp.root_dir={folder}", "--LabApp.expose_app_in_browser=True", "--allow-root"]  # fmt: skip
    server = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(240):
            try:
                urlopen(f"http://127.0.0.1:{port}/api?token={token}", timeout=5).close()
                break
            except OSError:
                time.sleep(0.5)
        yield f"http://127.0.0.1:{port}/lab/tree/desk.ipynb?token={token}"
    finally:
        server.terminate()
        server.wait(timeout=30)


WATCH = """([box, key]) => new Promise((done) => {
  const input = document.querySelector(`[data-watched="${box}"]`);
  const cell = input.closest('.jp-OutputArea');
  let began = 0;
  for (const what of ['keydown', 'change']) input.addEventListener(what, () => { began ||= performance.now(); }, {capture: true});
  setTimeout(() => done(NaN), 30000);
  const seen = new MutationObserver(() => {
    if (!began || !cell.querySelector('svg[role=img], table')) return;
    seen.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began)));
  });
  cell.querySelectorAll('.jp-RenderedHTMLCommon, .jp-OutputArea-child').forEach((o) => seen.observe(o, {childList: true, subtree: true}));
  seen.observe(cell, {childList: true, subtree: true});
  window.ready = true;
})"""


def pressed(page: Page, label: str, text: str, at: int = 0) -> float:
    """Milliseconds from the key press that commits to the frame with the new plot. text: typed and entered; empty: the
    next choice of a list is taken. NaN after 30 s."""
    box = page.get_by_label(label, exact=True).nth(at)
    box.scroll_into_view_if_needed()
    box.evaluate(
        "(e) => { document.querySelectorAll('[data-watched]').forEach((o) => delete o.dataset.watched); "
        "e.dataset.watched = 'now'; }"
    )
    box.focus()
    if text:
        box.fill(text)
    page.evaluate("window.ready = false")
    waiting = page.evaluate_handle(f"({{wait: ({WATCH})(['now', ''])}})")
    if text:
        page.keyboard.press("Enter")
    else:  # JupyterLab keeps the arrow keys of a list in an output to itself
        options = box.evaluate("(e) => [e.options.length, e.selectedIndex]")
        box.select_option(index=(options[1] + 1) % options[0])
    took = float(page.evaluate("(h) => h.wait", waiting))
    page.wait_for_timeout(700)
    return took


def in_lab(a: Assessment, python: str, times: int, shots: Path) -> None:
    """Key press to plot in JupyterLab; axe and widths at 360 px; what a saved notebook shows without a kernel."""
    with tempfile.TemporaryDirectory() as place, sync_playwright() as driver:
        folder = Path(place)
        a.save(folder / "a")
        cells = [
            "import cmkit\na = cmkit.load_assessment('a')",
            *(f"cmkit.desk.{name}({given})" for name, given in PANELS.items()),
        ]
        nb = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(c) for c in cells])
        nb.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
        nbformat.write(nb, folder / "desk.ipynb")
        with lab(python, folder) as address:
            browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1200, "height": 900})
            page.set_default_timeout(180_000)
            opened(page, address)
            page.evaluate("window.jupyterapp.commands.execute('notebook:run-all-cells')")
            page.wait_for_function("document.querySelectorAll('.jp-OutputArea-output svg[role=img]').length >= 5")
            page.wait_for_timeout(3000)
            measured(page, times)
            narrow(page, shots)
            page.evaluate("window.jupyterapp.commands.execute('docmanager:save')")
            page.wait_for_timeout(3000)
            browser.close()
        saved = nbformat.read(folder / "desk.ipynb", as_version=4)
        kept = [
            sum("<svg" in "".join(o.get("data", {}).get("text/html", "")) for o in c.outputs)
            for c in saved.cells
            if c.cell_type == "code"
        ]
        line("figures in the saved notebook, by cell, no kernel", kept)


def opened(page: Page, address: str) -> None:
    """The notebook open, its kernel idle."""
    page.goto(address)
    page.wait_for_selector(".jp-Notebook .jp-CodeCell")
    page.wait_for_function("window.jupyterapp.shell.currentWidget?.sessionContext?.session?.kernel?.status === 'idle'")


def measured(page: Page, times: int) -> None:
    """The table of key presses."""
    line("control in JupyterLab", "key to plot, ms, median", "9 in 10")
    line(*["---"] * 3)
    every: list[float] = []
    cases: list[tuple[str, str, int, float]] = [
        ("compartment", "", 0, 0.0),
        ("result", "", 1, 0.0),
        ("other", "", 0, 0.0),
    ]
    cases += [(label, "typed", 0, 0.0) for label in BOXES]
    for label, how, at, _ in cases:
        start = float(page.get_by_label(label, exact=True).nth(at).input_value()) if how else 0.0
        took = [pressed(page, label, f"{start * (1 + 0.03 * (n + 1)):.6g}" if how else "", at) for n in range(times)]
        every += took
        line(label, *shares(took))
    line("all", *shares(every))
    alert = [pressed(page, "alert", f"{20 + n}.5") for n in range(times)]
    line("a limit tried (what_if)", *shares(alert))
    exact = page.get_by_label("a failure", exact=True)
    exact.fill("60000")
    exact.press("Enter")
    page.wait_for_timeout(1500)
    line("typed 60000 reads", exact.input_value())


SQUEEZE = """(px) => document.querySelectorAll('.jp-OutputArea').forEach((o) => { o.style.maxWidth = px + 'px'; o.style.minWidth = '0'; })"""
OUT_OF_PANE = """(px) => [...document.querySelectorAll('.jp-OutputArea-output :is(input, select, button, svg[role=img])')]
  .filter((e) => e.getBoundingClientRect().right > e.closest('.jp-OutputArea').getBoundingClientRect().left + px + 1).length"""
UNNAMED = """() => [...document.querySelectorAll('.jp-OutputArea-output :is(input, select)')]
  .filter((e) => !e.labels?.length && !e.getAttribute('aria-label')).length"""


def narrow(page: Page, shots: Path) -> None:
    """The desk in a pane of 360 px: axe-core's findings in the outputs, controls without a name, what runs out of the
    pane.
    """
    page.evaluate(SQUEEZE, NARROW)
    page.wait_for_timeout(1000)
    found = Axe().run(page, context={"include": [[".jp-OutputArea-output"]]})
    rules = found.response["violations"]
    line("axe-core", [(r["id"], len(r["nodes"]), r["nodes"][0]["html"][:120]) for r in rules] or "nothing found")
    wide, unnamed = page.evaluate(OUT_OF_PANE, NARROW), page.evaluate(UNNAMED)
    line(f"at {NARROW} px: controls or figures that run out of the pane", wide, f"without a label {unnamed}")
    for n, cell in enumerate(page.query_selector_all(".jp-CodeCell .jp-Cell-outputArea")[:6]):
        if cell.is_visible():
            cell.screenshot(path=shots / f"desk-{n}.png")


def main() -> None:
    """Print the tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--lab", action="store_true", help="measure in JupyterLab instead")
    options.add_argument("--python", default=sys.executable, help="interpreter whose JupyterLab is used")
    options.add_argument("--times", type=int, default=12, help="presses of each control")
    options.add_argument(
        "--assessment", default=str(ROOT / "sample_data"), help="a fleet's folder or a saved assessment's"
    )
    options.add_argument(
        "--shots", type=Path, default=Path(tempfile.gettempdir()), help="folder for pictures of the panels at 360 px"
    )
    given = options.parse_args()
    a = open_assessment(given.assessment)
    if given.lab:
        in_lab(a, given.python, given.times, given.shots)
    else:
        in_this_process(a, given.times)


if __name__ == "__main__":
    main()
