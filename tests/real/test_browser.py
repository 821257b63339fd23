"""The tests' own browser notices what it is there to notice, and the house's look holds in it."""

from pathlib import Path

import pytest

from backupkeeper.report.html import Child, Shape, Tone, document, element, name, state, table
from tests.real.browser import DESK, PHONE, Pages, axe_faults, is_here, overflow

pytest_plugins = ["tests.real.browser_fixtures"]
pytestmark = pytest.mark.real("browser")


def put(folder: Path, page: str) -> str:
    path = folder / "page.html"
    path.write_text(page, encoding="utf-8")
    return path.as_uri()


def test_something_outside_is_noticed_and_gets_no_answer(tmp_path: Path, pages: Pages) -> None:
    page = pages.new()
    page.goto(put(tmp_path, "<!DOCTYPE html><title>x</title><img src='http://192.0.2.1/x.png'>"))
    assert pages.outside == ["http://192.0.2.1/x.png"]
    pages.outside.clear()
    pages.complaints.clear()


def test_an_error_on_the_console_is_noticed(tmp_path: Path, pages: Pages) -> None:
    page = pages.new()
    page.goto(put(tmp_path, "<!DOCTYPE html><title>x</title><script>throw Error('no')</script>"))
    assert any("no" in one for one in pages.complaints)
    pages.complaints.clear()


@pytest.mark.parametrize(
    ("url", "here"),
    [
        ("file:///x.html", True),
        ("http://127.0.0.1:8000/x", True),
        ("data:text/plain,x", True),
        ("http://127.0.0.1.example/x", False),
        ("https://x.example/127.0.0.1", False),
        ("ws://x.example/", False),
    ],
)
def test_what_is_here(url: str, here: bool) -> None:
    assert is_here(url) is here


def test_the_rule_book_finds_what_nobody_can_read(tmp_path: Path, pages: Pages) -> None:
    page = pages.new()
    page.goto(put(tmp_path, "<!DOCTYPE html><p style='color:#ddd;background:#fff'>pale</p>"))
    told = "\n".join(axe_faults(page))
    for rule in ("document-title", "html-has-lang", "color-contrast"):
        assert f"wrong {rule}:" in told


def sampler() -> str:
    """Every state and tone, on the ground and on a sheet."""
    states = [
        element("li", state(which, tone, f"{which} {tone}")) for which in Shape for tone in Tone
    ]
    rows: list[list[Child]] = [
        [name("DCIM/" + "w" * 255), "12", state(Shape.PART, Tone.WARN, "due")]
    ] * 3
    made = table("What is where", ["File", "Bytes", "State"], rows, numbers=[1])
    return document(
        "Every state",
        element(
            "main",
            element("h1", "Every state"),
            element("ul", *states),
            element("section", element("h2", "On a sheet"), element("ul", *states), class_="sheet"),
            element("p", "A quiet word", class_="quiet"),
            made,
        ),
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_house_can_be_read_by_anybody(
    tmp_path: Path, pages: Pages, size: tuple[int, int], scheme: str
) -> None:
    page = pages.new(size, scheme="dark" if scheme == "dark" else "light")
    page.goto(put(tmp_path, sampler()))
    assert axe_faults(page) == []
    assert overflow(page) == 0


def test_a_page_of_ours_runs_nothing_even_where_markup_got_in(tmp_path: Path, pages: Pages) -> None:
    smuggled = document("x").replace("<body>", "<body><script>document.title='ran'</script>")
    page = pages.new()
    page.goto(put(tmp_path, smuggled))
    assert page.title() == "x"
    assert any("Content Security Policy" in one for one in pages.complaints)
    pages.complaints.clear()
