"""What a person moved by hand on a drive, and where it was found, in words and for programs."""

from collections.abc import Iterable, Sequence
from typing import Final

from backupkeeper.core.moving import Moved
from backupkeeper.report.lines import Page
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import plural, shown, size


def say_moved(page: Page, moved: Sequence[Moved]) -> None:
    """From where to where; that it is right, and what of it is not proven."""
    if not moved:
        return
    page.head(f"moved, and found again: {plural(sum(one.files for one in moved), 'file')}")
    page.say(
        "Somebody moved or renamed it. It was read where it lies now, every byte is right, and it counts "
        "there from now on. Nothing was copied.",
        indent=2,
    )
    for one in page.few(moved, indent=4):
        page.line(f"    {shown(one.place)}: {shown(one.was)}")
        page.line(f"      now at {shown(one.now)}")
        what = f"{plural(one.files, 'file')}, {size(one.size_bytes)}"
        page.line(f"      {what}{f'; {one.not_cold} not proven' if one.not_cold else ''}")


def moved_json(moved: Iterable[Moved]) -> list[Json]:
    """One object for each move; ``not_cold`` counts files that were not read from the medium."""
    return [
        {
            "place": one.place,
            "was": one.was,
            "now": one.now,
            "files": one.files,
            "bytes": one.size_bytes,
            "not_cold": one.not_cold,
        }
        for one in moved
    ]


MOST: Final = 3
"""So many moves are named in a log's line."""


def moved_words(moved: Sequence[Moved]) -> list[str]:
    """Sentences for a log."""
    told = [
        f"{plural(one.files, 'file')} of {one.was} were moved by hand and lie in {one.now} now."
        for one in moved[:MOST]
    ]
    return told + ([f"{len(moved) - MOST} more were moved."] if len(moved) > MOST else [])
