"""The HTML part of a mail as it looks: wide and narrow, light and dark, nothing cut off or asked for.

With ``MAIL_PICTURES`` set to a folder, pictures are left there to be looked at.
"""

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import pytest

from backupkeeper.core.matters import Matter
from backupkeeper.report.mail import Said
from backupkeeper.report.mail_trial import trial
from backupkeeper.report.mail_urgent import urgent
from tests.real.browser import Pages, axe_faults, overflow
from tests.report.boatyard import NOW
from tests.report.mailed import (
    DAY,
    MAKER,
    all_lost,
    all_well,
    first_day,
    hostile,
    mailed,
    many,
    nothing_yet,
    two_gaps,
)

pytest_plugins = ["tests.real.browser_fixtures"]
pytestmark = [pytest.mark.real("browser"), pytest.mark.slow]
MATTER = Matter(
    id="damage|travel|roll",
    subject="Damage on Travel: 260612 Boatyard/Originals/Wide/Roll 01",
    body="2 files are damaged. Each of its files is proven in at least 2 roles.\n2 of them are mended "
    'by themselves once a copy with the right bytes is here. "backupkeeper repair --dry-run" says '
    "what could be done.",
    urgent=True,
)
LONG = "A" * 300
MAILS: dict[str, Callable[[], Said]] = {
    "nothing-yet": lambda: mailed(nothing_yet())[0],
    "first-day": lambda: mailed(first_day())[0],
    "all-well": lambda: mailed(all_well())[0],
    "two-gaps": lambda: mailed(two_gaps(), replaces=NOW - DAY)[0],
    "all-lost": lambda: mailed(all_lost())[0],
    "hostile": lambda: mailed(hostile())[0],
    "many": lambda: mailed(many(60))[0],
    "urgent": lambda: urgent(MATTER, NOW, MAKER, next_at=NOW + DAY, replaces=NOW - DAY),
    "urgent-hostile": lambda: urgent(
        replace(MATTER, subject=f"{LONG}<b>", body=f"{LONG} <img src=//x.example/>"),
        NOW,
        MAKER,
        next_at=None,
    ),
    "trial": lambda: trial(NOW, MAKER, next_at=NOW + DAY),
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [700, 380])
@pytest.mark.parametrize("name", MAILS)
def test_it_fits_and_can_be_read(
    name: str, width: int, scheme: Literal["light", "dark"], pages: Pages, tmp_path: Path
) -> None:
    file = tmp_path / "mail.html"
    file.write_text(MAILS[name]().page)
    page = pages.new((width, 900), scheme=scheme)
    page.goto(file.as_uri())
    assert overflow(page) == 0
    shown: Any = page.evaluate(
        "() => { const one = getComputedStyle(document.body);"
        " const canvas = getComputedStyle(document.documentElement);"
        " return [one.color, canvas.colorScheme, [...document.images].every(i => i.naturalWidth)]; }"
    )
    ink = "rgb(0, 0, 0)" if scheme == "light" else "rgb(255, 255, 255)"
    assert shown == [ink, "light dark", True]
    if folder := os.environ.get("MAIL_PICTURES"):
        page.screenshot(path=f"{folder}/{name}-{width}-{scheme}.png", full_page=True)
    if width == 700:
        faults = axe_faults(page)
        # No ground is set, on purpose: against a dark one the rule book can't decide.
        assert [one for one in faults if not one.startswith("undecided color-contrast")] == []
        assert scheme == "dark" or faults == []
