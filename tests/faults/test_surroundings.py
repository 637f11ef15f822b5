"""Commands where the surroundings are poor: the C locale, no home, blanks and accents in paths, a user without root's
rights.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from multiprocessing.context import BaseContext
from pathlib import Path

import pytest
from click.testing import CliRunner

from cmkit.cli import main
from cmkit.records.reading.load import load_fleet
from tests.faults.hostile import base_fleet

NOBODY = 65534  # the user without rights on any Linux system
ALL_FOUR = """
from cmkit.cli import main
for words in (["check", "my fleet"], ["take-in", "my fleet"], ["history", "my fleet"], ["guides", "g 1"]):
    try:
        main(words)
    except SystemExit as end:
        assert end.code == 0, (words, end.code)
        print("that was all")
"""


def test_without_a_home_in_the_c_locale_and_in_a_folder_with_blanks(tmp_path: Path) -> None:
    place = tmp_path / "sites of Zażółć" / "my fleet"
    place.parent.mkdir()
    base_fleet(place)
    (place / "inbox" / "märz 1.csv").write_text(
        "sample,compartment,drawn_on,Fe_ppm,note\nÄ1,WL-01/engine,2026-03-02,21,ż\n", encoding="utf-8"
    )
    surroundings = {"PATH": os.environ["PATH"], "LANG": "C"}
    done = subprocess.run(
        [sys.executable, "-c", ALL_FOUR], cwd=place.parent, env=surroundings, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout.count(b"that was all") == 4
    assert b"Traceback" not in done.stdout + done.stderr
    assert {"GOOD", "Ä1"} <= set(load_fleet(place).samples["sample"])
    assert (place / "store" / "CURRENT").read_text().strip() == "1"


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder every user may enter, as pytest's own are not."""
    place = Path(tempfile.mkdtemp(prefix="cmkit-test-"))
    place.chmod(0o755)
    yield place
    shutil.rmtree(place)


def as_nobody(place: Path) -> None:
    """Take in a fleet of one's own and one that may only be read; the words of both go into the first one's folder."""
    run = CliRunner().invoke
    run(main, ["take-in", str(place / "warm")])  # loads the libraries, which nobody may not be allowed to read
    run(main, ["check", str(place / "warm")])
    os.environ["TMPDIR"] = str(place / "own")
    if os.getuid() == 0:
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)
    said = []
    for words in (["take-in", "own"], ["check", "own"], ["take-in", "theirs"], ["check", "theirs"]):
        result = run(main, [words[0], str(place / words[1])])
        said.append(f"{' '.join(words)}: {result.exit_code} {result.output}")
    (place / "own" / "said.txt").write_text("\n".join(said))


def test_a_user_without_roots_rights(open_place: Path, forks: BaseContext) -> None:
    """What is one's own is taken in; what may only be read is read, and writing there is one message that names the
    place.
    """
    for name in ("warm", "own", "theirs"):
        base_fleet(open_place / name)
    for path in [open_place / "own", *(open_place / "own").rglob("*")]:
        if os.getuid() == 0:
            os.chown(path, NOBODY, NOBODY)
    if os.getuid() != 0:
        (open_place / "theirs").chmod(0o555)
    process = forks.Process(target=as_nobody, args=(open_place,))  # type: ignore[attr-defined]
    process.start()
    process.join()
    (open_place / "theirs").chmod(0o755)
    said = (open_place / "own" / "said.txt").read_text()
    assert "take-in own: 0" in said
    assert "check own: 0" in said
    assert "take-in theirs: 2" in said
    assert "theirs/store: Permission denied" in said
    assert "check theirs: 0" in said
    assert "Traceback" not in said
    assert not (open_place / "theirs" / "store").exists()
    assert (open_place / "own" / "store" / "CURRENT").exists()


@pytest.mark.slow
def test_books_where_the_folder_of_temporary_files_has_a_long_path(tmp_path: Path) -> None:
    """A socket's address holds 107 bytes: books are made without a fork server, more slowly, and say why."""
    long = tmp_path / ("temporary-" * 12)
    long.mkdir()
    base_fleet(tmp_path / "fleet")
    done = subprocess.run(
        [sys.executable, "-m", "cmkit", "books", "fleet", "--month", "newest", "--out", "books"],
        cwd=tmp_path,
        env=os.environ | {"TMPDIR": str(long)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "too long for the address of a server; books run on plain kernels, slower" in done.stderr
    assert (tmp_path / "books" / "index.html").exists()
    assert list(long.iterdir()) == []
