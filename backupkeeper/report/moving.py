"""What a person moved by hand on a drive, and where it was found, in words and for programs."""

from collections.abc import Iterable, Sequence
from typing import Final

from backupkeeper.core.moves_told import How, Told, as_told
from backupkeeper.core.moving import Moved
from backupkeeper.report.lines import Page
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import plural, shown, size

TOP: Final = "its top folder"
_TO: Final = {
    How.MOVED: "now at",
    How.SWAPPED: "changed places with",
    How.ONE_BY_ONE: "moved or renamed one by one, to",
}
SWAPPED: Final = (
    "What changed places is whole. Where the manifests beside it did not go with it (clips of one roll), other "
    "programs that check by these will call it wrong: to put that right, change it back by hand, and verify."
)


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
    every = as_told(moved)
    for one in page.few(every, indent=4):
        page.line(f"    {shown(one.place)}: {shown(one.was or TOP)}")
        page.line(f"      {_TO[one.how]} {shown(one.now or TOP)}")
        what = f"{plural(one.files, 'file')}, {size(one.size_bytes)}"
        page.line(f"      {what}{f'; {one.not_cold} not proven' if one.not_cold else ''}")
    if any(one.how is How.SWAPPED for one in every):
        page.say(SWAPPED, indent=2)


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
    every = as_told(moved)
    told = [_sentence(one) for one in every[:MOST]]
    return told + ([f"{len(every) - MOST} more were moved."] if len(every) > MOST else [])


def _sentence(one: Told) -> str:
    was, now, files = one.was or TOP, one.now or TOP, plural(one.files, "file")
    if one.how is How.SWAPPED:
        return (
            f"{was} and {now} changed places by hand ({files}), and are known where they lie now."
        )
    if one.how is How.ONE_BY_ONE:
        return f"{files} of {was} were moved or renamed by hand one by one, to {now}."
    return f"{files} of {was} were moved by hand and lie in {now} now."
