"""The rules of the house, read from the syntax tree: imports run downwards, functions stay short, nothing hides an
import.
"""

import ast
import functools
import re
from pathlib import Path

import pytest

from cmkit.assess import assess, assess_fleet, assess_known

LAYERS = [
    "errors",
    "files",
    "engine",
    "tables",
    "records",
    "learnt",
    "fluids",
    "trust",
    "wear",
    "judge",
    "intervals",
    "practice",
    "assessment",
    "site_parts",
    "review",
    "learn",
    "combine",
    "assess",
    "by_site",
    "books",
    "analyst",
    "desk",
    "command_group",
    "cli",
]
MAY_IMPORT = {
    **{layer: set(LAYERS[:i]) | {layer} for i, layer in enumerate(LAYERS)},
    "desk": set(LAYERS) - {"command_group", "cli"},
    "cli": {*LAYERS, "simulate"},
    "simulate": {"errors", "files", "engine", "tables", "records", "fluids", "simulate"},
    "trust": {"errors", "tables", "records", "learnt", "fluids", "trust"},
    "reference": {"reference"},
    "__init__": set(LAYERS),  # the public names
    "__main__": {"cli"},
}
PACKED = 30  # lists of columns and the like, laid out by hand
FREE_OF_LATE_IMPORTS = {"cli.py", "__init__.py"}


@functools.cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


def modules(root: Path) -> list[Path]:
    return sorted((root / "cmkit").rglob("*.py"))


def layer_of(path: Path, root: Path) -> str:
    return path.relative_to(root / "cmkit").parts[0].removesuffix(".py")


def imported_layers(tree: ast.AST) -> set[str]:
    """Layers named by any import in the file, also one inside a function."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "cmkit":
            parts = node.module.split(".")
            names |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            names |= {a.name.split(".")[1] for a in node.names if a.name.startswith("cmkit.")}
    return names


def test_imports_run_downwards(root: Path) -> None:
    wrong = []
    for path in modules(root):
        layer = layer_of(path, root)
        for name in imported_layers(tree_of(path)) - MAY_IMPORT[layer]:
            wrong.append(f"{path.relative_to(root)} imports cmkit.{name}")
    assert wrong == []


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("from cmkit.books import run", {"books"}),
        ("def f():\n    import cmkit.wear.rates", {"wear"}),
        ("from cmkit import cli", {"cli"}),
    ],
)
def test_the_import_reader_sees_hidden_imports(text: str, found: set[str]) -> None:
    assert imported_layers(ast.parse(text)) == found


def functions(tree: ast.AST) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    return [n for n in ast.walk(tree) if isinstance(n, (ast.FunctionDef, ast.AsyncFunctionDef))]


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of the body without its docstring."""
    body = node.body[1:] if ast.get_docstring(node) and len(node.body) > 1 else node.body
    return body[-1].end_lineno - body[0].lineno + 1  # type: ignore[operator]


def test_no_import_hides_in_a_function(root: Path) -> None:
    hidden = [
        f"{path.relative_to(root)}:{node.lineno}"
        for path in modules(root)
        if path.name not in FREE_OF_LATE_IMPORTS
        for function in functions(tree_of(path))
        for node in ast.walk(function)
        if isinstance(node, (ast.Import, ast.ImportFrom))
    ]
    assert hidden == []


def test_functions_and_modules_stay_short(root: Path) -> None:
    sizes = sorted(body_lines(f) for path in modules(root) for f in functions(tree_of(path)))
    assert sizes[len(sizes) // 2] < 15
    assert sizes[int(0.9 * len(sizes))] < 40
    assert sizes[-1] <= 60
    assert [str(p) for p in modules(root) if len(p.read_text().splitlines()) > 500] == []


def positional(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Arguments that may be given by position, without self and cls."""
    names = [a.arg for a in (*node.args.posonlyargs, *node.args.args)]
    return len(names) - (names[:1] in (["self"], ["cls"]))


def test_no_function_takes_many_arguments_by_position(root: Path) -> None:
    """More than five are hard to tell apart at the call: the rest belong behind a `*`, or in a small frozen dataclass.
    Commands aside, whose options click gives by name.
    """
    wide = [
        f"{path.relative_to(root)}: {f.name}"
        for path in modules(root)
        for f in functions(tree_of(path))
        if positional(f) > 5 and path.name != "cli.py"
    ]
    assert wide == []


def test_layout_is_left_to_the_formatter(root: Path) -> None:
    assert sum(path.read_text().count("# fmt: skip") for path in modules(root)) < PACKED


def test_every_public_function_says_what_it_does(root: Path) -> None:
    silent = [
        f"{path.relative_to(root)}:{f.lineno} {f.name}"
        for path in modules(root)
        for f in tree_of(path).body
        if isinstance(f, (ast.FunctionDef, ast.ClassDef)) and not f.name.startswith("_") and not ast.get_docstring(f)
    ]
    assert silent == []


BENCHED = {
    "run_closed_loop",
    "no_orders",
    "smaller",
    "learn_judgement",
}  # what tests/benchmarks run and the package itself does not


def test_every_public_function_is_used_or_shown(root: Path) -> None:
    """By the package, by a command or in a notebook; one that only tests reach is dead or hidden."""
    trees = {path: tree_of(path) for path in modules(root)}
    nodes = [node for tree in trees.values() for node in ast.walk(tree)]
    used = {n.id for n in nodes if isinstance(n, ast.Name)} | {n.attr for n in nodes if isinstance(n, ast.Attribute)}
    shown = "\n".join(
        p.read_text() for p in [*root.glob("notebooks/*.ipynb"), root / "pyproject.toml", root / "DEVELOPERS.md"]
    )
    words = set(re.findall(r"\w+", shown))
    hidden = [
        f"{path.relative_to(root)}: {f.name}"
        for path, tree in trees.items()
        for f in tree.body
        if isinstance(f, ast.FunctionDef) and not f.name.startswith("_") and path.name != "cli.py"
        if f.name not in used | BENCHED | words
    ]
    assert hidden == []


def test_the_assessment_reads_as_a_table_of_contents() -> None:
    """Few enough names that the three steps can be held in mind."""
    assert max(len(step.__code__.co_varnames) for step in (assess, assess_known, assess_fleet)) <= 10
