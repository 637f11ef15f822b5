"""A book notebook cannot mislead: what it was not meant to be given is refused in one message, and it says first what
it is about.
"""

import pytest

from cmkit.books.content.book import open_book
from cmkit.books.content.opening import book_of, refuse_unknown
from cmkit.errors import ParameterError


@pytest.fixture(scope="module")
def folder(demo, tmp_path_factory) -> str:
    """A saved assessment of three sites."""
    place = tmp_path_factory.mktemp("saved") / "a"
    demo.save(place)
    return str(place)


def test_the_book_says_what_it_is_about_before_anything_else(folder, capsys) -> None:
    site = "ridge"
    book = book_of({"assessment": folder, "site": site, "month": "", "In": [], "exit": print, "_private": "x"})
    said = capsys.readouterr().out
    assert site in said
    assert book.month in said
    assert f"{book.as_of:%Y-%m-%d}" in said


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"sitee": "ridge"}, "found 'sitee', this notebook has assessment, site, month. Did you mean 'site'"),
        ({"site": ""}, "site: found '', wanted one of"),
        ({"site": "nowhere"}, "site: found 'nowhere'"),
        ({"month": "2020-01"}, "month: found '2020-01', but the assessment is of"),
        ({"assessment": "no_such_folder"}, "found 'no_such_folder', no folder of a fleet or of a saved assessment"),
    ],
)
def test_what_would_mislead_is_refused(folder, given, said) -> None:
    right = {"assessment": folder, "site": "ridge", "month": ""}
    with pytest.raises(ParameterError, match=said):
        book_of(right | given)


def test_a_fleet_book_has_no_site(folder) -> None:
    assert book_of({"assessment": folder, "month": ""}, fleet=True).site == ""
    with pytest.raises(ParameterError, match="found 'site'"):
        book_of({"assessment": folder, "month": "", "site": "x"}, fleet=True)
    refuse_unknown({"assessment": "", "month": "", "frame": object()}, ("assessment", "month"))


def test_one_site_needs_no_name(demo) -> None:
    assert open_book(demo.for_site("quarry")).site == "quarry"
