"""An installed copy runs without a checkout: the wheel holds all it needs, and makes the demo's books from an empty
folder.
"""

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

import cmkit
from tests.few_machines import only_machines

# Runs at the start of every interpreter of the new environment, kernels included: notes each file opened inside the
# checkout.
WATCH = """
import os, sys

def note(event, args):
    if event == "open" and isinstance(args[0], str):
        path = os.path.abspath(args[0])
        if path.startswith({root!r}) and not path.startswith({libraries!r}):
            with open({log!r}, "a") as handle:
                handle.write(path + "\\n")

sys.addaudithook(note)
"""


@pytest.fixture(scope="module")
def wheel(root, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)],
        cwd=root,
        check=True,
        capture_output=True,
    )
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel, root, tmp_path_factory) -> tuple[Path, Path]:
    """(a new environment's folder of programs, the list of files it opened in the checkout); libraries are this
    environment's, cmkit is the wheel's.
    """
    folder = tmp_path_factory.mktemp("installed")
    log = folder / "opened.txt"
    venv.create(folder / "env", symlinks=True)
    programs = folder / "env" / "bin"
    libraries = sysconfig.get_path("purelib")
    subprocess.run(
        [sys.executable, "-m", "pip", "--python", str(programs / "python"), "install", "--quiet", "--no-deps",
        "--no-index", str(wheel)],
        check=True,
        capture_output=True,
    )  # fmt: skip
    (folder / "env" / "share").mkdir(
        exist_ok=True
    )  # the page templates nbconvert installs beside an environment's libraries
    (folder / "env" / "share" / "jupyter").symlink_to(Path(sys.prefix) / "share" / "jupyter")
    (own,) = (folder / "env" / "lib").glob("python*/site-packages")
    (own / "libraries.pth").write_text(libraries + "\n")  # a path file read second-hand brings no editable copy along
    (own / "sitecustomize.py").write_text(
        WATCH.format(root=str(root) + os.sep, libraries=str(Path(sys.prefix)) + os.sep, log=str(log))
    )
    return programs, log


def ask(programs: Path, folder: Path, *words: str, before: tuple[str, ...] = ()) -> str:
    """What a program of the new environment says, started from `folder`; nothing of this process's environment but the
    search path. before: what starts the program.
    """
    kept = {k: os.environ[k] for k in ("LANG", "LC_ALL", "TMPDIR") if k in os.environ}
    env = {"PATH": f"{programs}{os.pathsep}{os.environ['PATH']}", "HOME": str(folder), **kept}
    command = [*before, str(programs / words[0]), *words[1:]]
    done = subprocess.run(command, check=False, cwd=folder, env=env, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_wheel_holds_the_notebooks_the_recipe_and_every_file_of_the_package(wheel, root) -> None:
    tracked = subprocess.run(
        ["git", "ls-files", "cmkit", "notebooks"], cwd=root, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    wanted = {f"cmkit/_shipped/{name}" if name.startswith("notebooks/") else name for name in tracked}
    with zipfile.ZipFile(wheel) as packed:
        held = set(packed.namelist())
        recipe = packed.read("cmkit/_shipped/recipe.toml")
    assert wanted <= held
    assert {name for name in held if name.startswith("cmkit/_shipped/")} >= {
        f"cmkit/_shipped/notebooks/{name}.ipynb" for name in ("site_book", "fleet_book", "round_sheet")
    }
    assert recipe == (root / "sample_data" / "recipe.toml").read_bytes()
    assert not [name for name in held if name.startswith(("tests/", "sample_data/"))]


def test_an_installed_copy_makes_the_demos_books_without_the_checkout(installed, tmp_path) -> None:
    programs, log = installed
    where = ask(programs, tmp_path, "python", "-c", "import cmkit; print(cmkit.__file__)").strip()
    assert Path(where).is_relative_to(programs.parent)
    ask(programs, tmp_path, "cmkit", "demo", "my-demo")
    only_machines(tmp_path / "my-demo", "RH-02", "WL-05")  # the guide asks for one, the book for the other
    ask(programs, tmp_path, "cmkit", "books", "my-demo", "--month", "newest", "--site", "harbour")
    book = tmp_path / "books" / "2026-06" / "sites" / "harbour" / "book.html"
    assert "Do this month" in book.read_text(encoding="utf-8")
    assert (tmp_path / "books" / "index.html").exists()
    assert "jupyter lab g" in ask(programs, tmp_path, "cmkit", "guides", "g")
    guide = (
        "import papermill; papermill.execute_notebook('g/guide_03_one_rate.ipynb', 'guide.ipynb', {'assessment': "
        "'books/2026-06/data'})"
    )
    ask(programs, tmp_path, "python", "-c", guide)
    assert "theil-sen" in (tmp_path / "guide.ipynb").read_text(encoding="utf-8")
    assert "cmkit.what_if" in (tmp_path / "g" / "names.html").read_text(encoding="utf-8")
    assert not log.exists(), log.read_text()


NO_NETWORK = ("unshare", "-rn", "sh", "-c", 'ip link set lo up && exec "$@"', "sh")  # loopback, for the kernels
GUIDE = "import sys, papermill; papermill.execute_notebook(sys.argv[1], sys.argv[2], {'assessment': 'my-demo'})"
TAB = """
from jupyter_client.manager import start_new_kernel
manager, client = start_new_kernel()
client.execute("import cmkit", reply=True)
print(*client.complete("cmkit.", 6, reply=True)["content"]["matches"])
manager.shutdown_kernel()
"""


@pytest.mark.slow
def test_every_guide_runs_from_the_wheel_with_the_network_cut_and_tab_lists_the_names(installed, tmp_path) -> None:
    """Linux keeps each run in a network of its own that holds nothing but loopback; that it is cut is tried first."""
    if shutil.which("unshare") is None or subprocess.run([*NO_NETWORK, "true"], check=False).returncode:
        pytest.skip("this machine cannot cut off the network of one process")
    programs, _ = installed
    reach = [*NO_NETWORK, sys.executable, "-c", "import socket; socket.create_connection(('192.0.2.1', 80), 5)"]
    assert "unreachable" in subprocess.run(reach, check=False, capture_output=True, text=True).stderr
    for words in (("demo", "my-demo"), ("guides", "g")):
        ask(programs, tmp_path, "cmkit", *words)
    guides = sorted((tmp_path / "g").glob("guide_*.ipynb"))
    assert len(guides) == 10
    for guide in guides:
        ask(programs, tmp_path, "python", "-c", GUIDE, str(guide), "done.ipynb", before=NO_NETWORK)
    names = ask(programs, tmp_path, "python", "-c", TAB, before=NO_NETWORK).split()
    assert {n.removeprefix("cmkit.") for n in names} >= set(cmkit.__all__)


def test_the_watch_sees_a_file_of_the_checkout(installed, root, tmp_path) -> None:
    programs, log = installed
    ask(programs, tmp_path, "python", "-c", f"open({str(root / 'README.md')!r})")
    seen = log.read_text().splitlines()
    log.unlink()
    assert seen == [str(root / "README.md")]
