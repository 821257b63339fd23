"""The report's page in a real browser: light, dark, on a phone, on paper, by keyboard, by the rule book.

The rule book can't decide about the contrast of text in drawings; ``tests.report.test_page_parts``
holds every ink against the ground.
"""

import subprocess
from pathlib import Path
from typing import Literal

import pytest

from backupkeeper.core.overview import Overview
from backupkeeper.report.page import page
from tests.real.browser import DESK, PHONE, Pages, faults_of_report, overflow
from tests.report.boatyard import SUMMER
from tests.report.overview_parts import posters_of
from tests.report.overviews import ALL, many

pytest_plugins = ["tests.real.browser_fixtures"]
pytestmark = [pytest.mark.real("browser"), pytest.mark.slow]
NARROWEST = 320
"""WCAG 2.2, 1.4.10: what a page must fit, which is also 1,280 at four times the size."""
UNFOLD = "() => document.querySelectorAll('details').forEach((one) => { one.open = true; })"


def written(folder: Path, overview: Overview) -> str:
    """The page as a file; its address."""
    path = folder / "report.html"
    path.write_text(page(overview, posters=posters_of(overview), zone=SUMMER), "utf-8")
    return path.as_uri()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("case", ALL)
def test_everybody_can_read_it_and_it_asks_for_nothing(
    pages: Pages, tmp_path: Path, case: str, scheme: Literal["light", "dark"]
) -> None:
    opened = pages.new(scheme=scheme)
    opened.goto(written(tmp_path, ALL[case]()))
    assert faults_of_report(opened) == []
    assert overflow(opened) == 0
    asked = opened.evaluate("() => performance.getEntriesByType('resource').map((one) => one.name)")
    assert [one for one in asked if not one.startswith("data:")] == []


@pytest.mark.parametrize("case", ALL)
def test_on_a_phone_nobody_pushes_it_sideways(pages: Pages, tmp_path: Path, case: str) -> None:
    opened = pages.new(PHONE)
    opened.goto(written(tmp_path, ALL[case]()))
    for width in (PHONE[0], NARROWEST):
        opened.set_viewport_size({"width": width, "height": PHONE[1]})
        assert overflow(opened) == 0, width
    opened.evaluate(UNFOLD)
    assert overflow(opened) == 0, "what was folded is no wider"


def test_a_phone_is_in_the_rule_book_too(pages: Pages, tmp_path: Path) -> None:
    opened = pages.new(PHONE)
    opened.goto(written(tmp_path, ALL["uploading"]()))
    assert faults_of_report(opened) == []


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_answer_and_the_first_step_stand_in_the_first_window(
    pages: Pages, tmp_path: Path, size: tuple[int, int]
) -> None:
    opened = pages.new(size)
    opened.goto(written(tmp_path, ALL["two-gaps"]()))
    for part in ("h1", ".steps li:first-child"):
        box = opened.locator(part).first.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= size[1], part


def test_the_keyboard_reaches_every_link_and_fold_and_opens_it(
    pages: Pages, tmp_path: Path
) -> None:
    opened = pages.new()
    opened.goto(written(tmp_path, ALL["two-gaps"]()))
    wanted = opened.locator("a[href], summary").count()
    reached = set()
    for _ in range(wanted + 1):
        opened.keyboard.press("Tab")
        reached.add(
            opened.evaluate(
                "() => { const one = document.activeElement;"
                " return one.tagName + [...document.querySelectorAll('a[href], summary')].indexOf(one); }"
            )
        )
    assert len({one for one in reached if not one.startswith("BODY")}) == wanted
    opened.reload()
    opened.keyboard.press("Tab")
    assert opened.evaluate("() => document.activeElement.textContent") == "To the answer"
    closed = opened.locator("#rolls details:not([open]) > summary").first.element_handle()
    assert closed is not None
    closed.focus()
    opened.keyboard.press("Enter")
    assert closed.evaluate("(one) => one.parentElement.open") is True


def test_focus_can_be_seen(pages: Pages, tmp_path: Path) -> None:
    opened = pages.new()
    opened.goto(written(tmp_path, ALL["all-well"]()))
    opened.keyboard.press("Tab")
    opened.keyboard.press("Tab")
    outline = opened.evaluate("() => getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"


def test_on_paper_no_row_is_cut_and_all_is_black_on_white(pages: Pages, tmp_path: Path) -> None:
    opened = pages.new(scheme="dark")
    opened.goto(written(tmp_path, ALL["uploading"]()))
    opened.emulate_media(media="print", color_scheme="dark")
    looks = opened.evaluate(
        "() => [...document.querySelectorAll('tr')].map((one) => getComputedStyle(one).breakInside)"
    )
    assert set(looks) == {"avoid"}
    inks = opened.evaluate(
        "() => { const look = getComputedStyle(document.body);"
        " const gap = getComputedStyle(document.querySelector('.gap'));"
        " return [look.color, look.backgroundColor, gap.color]; }"
    )
    assert inks == ["rgb(0, 0, 0)", "rgb(255, 255, 255)", "rgb(0, 0, 0)"]


@pytest.mark.real("pdftotext")
def test_paper_says_what_is_folded(pages: Pages, tmp_path: Path) -> None:
    opened = pages.new()
    opened.goto(written(tmp_path, ALL["two-gaps"]()))
    opened.pdf(path=tmp_path / "report.pdf", format="A4")
    told = subprocess.run(
        ["pdftotext", "-layout", "report.pdf", "-"], cwd=tmp_path, capture_output=True, check=True
    ).stdout.decode()
    told = " ".join(told.split())
    assert "not proven in three places" in told
    assert "What is folded is printed as one line" in told
    assert "(folded)" in told
    assert "backupkeeper verify Travel" in told
    assert "To the answer" not in told


def test_ten_thousand_rolls_open(pages: Pages, tmp_path: Path) -> None:
    opened = pages.new()
    opened.goto(written(tmp_path, many()))
    spent = opened.evaluate("() => performance.getEntriesByType('navigation')[0].domComplete")
    print(f"10,000 rolls: whole after {spent:,.0f} ms")  # noqa: T201 - a figure to report
    assert opened.locator("#rolls tbody tr:not(.of)").count() == 10_000
