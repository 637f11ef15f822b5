"""What must and must not be in the project, held over every file git knows; and the README's own promises."""

import configparser
import re
import shutil
import subprocess
from pathlib import Path
from urllib.parse import urlparse

import pytest

TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "cmkit",
    "notebooks",
    "tests",
    "sample_data",
    "Makefile",
    "LICENSE",
    "constraints.txt",
}
LARGEST = 5_000_000  # bytes
# A letter in brackets, so that a pattern does not find itself in this file.
MACHINE = re.compile(r"(?<![\w.])/(?:h[o]me|r[o]ot|U[s]ers|w[o]rk|m[n]t|p[r]ivate)/[\w.]")
DRIVE = re.compile(r"(?<!\w)[A-Za-z]:\\\\?(?:U[s]ers|D[o]cuments|P[r]ogram)")
REGISTRY = re.compile(
    r"py[p]i\.(?:org|io|python)|pythonh[o]sted\.|anac[o]nda\.|conda-f[o]rge\.|npmj[s]\.|r[e]gistry\.\w+\.\w|d[o]cker\.io|gh[c]r\.io|artif[a]ctory"
)
ADDRESS = re.compile(r"\b(?:https?|ftp|git\+https?|git\+ssh)://[^\s\"'<>)\]}`]+")
# The name of the namespace of SVG (W3C), which a drawing must carry; no program asks that address for anything.
NAMES = {"http://www.w3.org/2000/svg", "{http://www.w3.org/2000/svg"}
# Names reserved by RFC 2606 and RFC 6761 for documentation and tests, and this machine itself: they lead nowhere.
NOWHERE = re.compile(r"(?:^|\.)(?:example|invalid|test|localhost)$|^example\.(?:com|org|net)$|^127\.")


@pytest.fixture(scope="module")
def tracked(root) -> list[Path]:
    """Every file git knows, present or about to be committed."""
    said = subprocess.run(["git", "ls-files", "-z"], cwd=root, capture_output=True, check=True).stdout.decode()
    files = [root / name for name in said.split("\0") if name and (root / name).is_file()]
    assert len(files) > 200
    return files


@pytest.fixture(scope="module")
def texts(tracked, root) -> dict[str, str]:
    """Name -> text of every text file; pictures, spreadsheets and packed files are left out by their zero byte."""
    read = {str(file.relative_to(root)): file.read_bytes() for file in tracked}
    return {name: data.decode("utf-8", "replace") for name, data in read.items() if b"\0" not in data}


def lines_with(pattern: re.Pattern, texts: dict[str, str]) -> list[str]:
    return [
        f"{name}:{n}: {line.strip()[:120]}"
        for name, text in texts.items()
        if pattern.search(text)
        for n, line in enumerate(text.splitlines(), 1)
        if pattern.search(line)
    ]


def test_the_top_level_holds_what_the_owner_allows(tracked, root) -> None:
    top = {file.relative_to(root).parts[0] for file in tracked}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_no_file_is_over_5_mb(tracked) -> None:
    assert {str(f): f.stat().st_size for f in tracked if f.stat().st_size > LARGEST} == {}


def test_no_absolute_path_of_a_machine(texts) -> None:
    assert lines_with(MACHINE, texts) + lines_with(DRIVE, texts) == []


def test_no_address_leads_anywhere(texts) -> None:
    found = {a.rstrip("\\") for text in texts.values() for a in ADDRESS.findall(text)} - NAMES
    assert {a for a in found if not NOWHERE.search(urlparse(a).hostname or "")} == set()


def test_no_host_name_of_a_registry(texts) -> None:
    assert lines_with(REGISTRY, texts) == []


def test_constraints_hold_pins_with_hashes_and_nothing_else(texts) -> None:
    text = texts["constraints.txt"]
    pin = re.compile(r"[A-Za-z0-9._-]+==[^\s;]+(?: ; [^\\]+)? \\")
    line_ends = re.compile(r" {4}--hash=sha256:[0-9a-f]{64}(?: \\)?")
    assert [s for s in text.splitlines() if not (pin.fullmatch(s) or line_ends.fullmatch(s))] == []
    assert "://" not in text


@pytest.mark.parametrize(
    ("pattern", "bad", "good"),
    [
        (MACHINE, "open('/ho~me/anna/fleet')", "cd /srv/cmkit; a/home/b; ../work/x"),
        (DRIVE, r"C:\Us~ers\anna", r"dir C:\fleet"),
        (REGISTRY, "see files.pythonho~sted.org", "the register of analytes; conda"),
        (ADDRESS, "see https:~//a.example/b", "fleet://x; http stands alone"),
    ],
)
def test_the_guards_see_what_they_guard_against(pattern, bad, good) -> None:
    assert pattern.search(bad.replace("~", ""))  # written so that it is not found here
    assert not pattern.search(good)


def blocks(readme: str) -> list[str]:
    """The README's indented blocks, without their indent."""
    found = re.findall(r"(?:^(?: {4}.*)?\n)+", readme, flags=re.MULTILINE)
    return [re.sub(r"^ {4}", "", b, flags=re.MULTILINE).strip() for b in found if b.strip()]


def test_the_readme_is_short_and_opens_with_the_job_and_its_two_commands(texts) -> None:
    readme = texts["README.md"]
    parts = readme.split("\n\n")
    assert parts[0] == "# cmkit"
    assert not parts[1].startswith((" ", "#", "-", "!"))  # the job, in one paragraph
    commands = re.findall(r"^    (make \w+)", parts[2] + "\n", flags=re.MULTILINE)
    assert commands == ["make books", "make test"]
    assert len(readme.splitlines()) < 120


def test_files_the_readme_shows_exist(texts, root) -> None:
    targets = re.findall(r"\]\(([^)]+)\)", texts["README.md"])
    assert "notebooks/book_page.png" in targets
    assert [t for t in targets if not (root / t).exists()] == []


def units(readme: str) -> tuple[str, str]:
    """(service, timer) of the README."""
    found = [b for b in blocks(readme) if b.startswith("[Unit]")]
    text = "\n\n".join(found)
    first, second = (f"[Unit]{part}" for part in text.split("[Unit]")[1:])
    return first, second


def test_the_readmes_unit_files_are_good_systemd_units(texts, tmp_path) -> None:
    service, timer = units(texts["README.md"])
    parsed = {}
    for name, text in (("service", service), ("timer", timer)):
        parsed[name] = configparser.ConfigParser(interpolation=None, delimiters=("=",))
        parsed[name].optionxform = str
        parsed[name].read_string(text)
    assert parsed["service"]["Service"]["Type"] == "oneshot"
    command = parsed["service"]["Service"]["ExecStart"]
    assert " books " in command
    assert "--month last" in command
    assert "OnCalendar" in parsed["timer"]["Timer"]
    assert parsed["timer"]["Install"]["WantedBy"] == "timers.target"
    verifier = shutil.which("systemd-analyze")
    if verifier:
        program = tmp_path / "cmkit"
        program.write_text("#!/bin/sh\n")
        program.chmod(0o755)
        # the verifier wants the program and the folder to be there
        here = service.replace(command.split()[0], str(program))
        (tmp_path / "cmkit-books.service").write_text(here)
        (tmp_path / "cmkit-books.timer").write_text(timer)
        done = subprocess.run(
            [verifier, "verify", str(tmp_path / "cmkit-books.service"), str(tmp_path / "cmkit-books.timer")],
            check=False,
            capture_output=True,
            text=True,
        )
        assert (done.returncode, done.stderr) == (0, "")
