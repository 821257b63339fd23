"""The page's contact sheets: one small picture of each clip of the newest rolls, with its length.

Promises:
1. No more bytes of pictures than are allowed; what is left out is told.
2. A clip without a picture has its frame too, with why.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.model import Blake3, RollHead
from backupkeeper.core.overview import Clip, Overview
from backupkeeper.core.posters import Poster
from backupkeeper.report.html import Child, Markup, element, joined, name, picture
from backupkeeper.report.page_words import day, label
from backupkeeper.report.words import count, plural, shown, size, told

MOST_CLIPS: Final = 60
"""So many of one roll are shown."""
OPEN_SHEETS: Final = 2
"""So many of the newest rolls' sheets are unfolded."""
_FRAME: Final = (240, 135)
"""Every picture's frame, in pixels; the style lets each keep its own shape within it."""


def contact_sheets(
    overview: Overview, posters: Mapping[Blake3, Poster], zone: tzinfo, *, most_bytes: int
) -> Markup | None:
    """The sheets of the newest rolls; None: no roll has a clip.

    Args:
        overview: its ``clips`` are shown.
        posters: by content, as far as there are any.
        zone: where the person is.
        most_bytes: of HTML, pictures within it.
    """
    heads = [one.roll for one in overview.gaps.rolls if overview.clips.get(one.roll.id)]
    if not heads:
        return None
    heads.sort(key=lambda one: (one.sealed_at, one.id), reverse=True)
    sheets: list[Child] = []
    left = most_bytes
    for number, head in enumerate(heads):
        sheet = _sheet(head, overview.clips[head.id], posters, zone, is_open=number < OPEN_SHEETS)
        if len(sheet.source.encode()) > left:
            break
        left -= len(sheet.source.encode())
        sheets.append(sheet)
    said = _said(overview, posters, shown_sheets=len(sheets), all_sheets=len(heads))
    return element("section", element("h2", "Contact sheets"), *said, *sheets, id="pictures")


def _said(
    overview: Overview, posters: Mapping[Blake3, Poster], *, shown_sheets: int, all_sheets: int
) -> list[Child]:
    """What is shown, and what is not and why."""
    contents = {clip.content for clips in overview.clips.values() for clip in clips}
    missing = sum(1 for one in contents if one not in posters)
    parts: list[Child] = [
        element("p", "A picture shows what a clip is of, and proves nothing.", class_="quiet")
    ]
    if missing:
        lacking = (
            f"{count(missing)} of {plural(len(contents), 'clip')} "
            f"{'has' if missing == 1 else 'have'} no picture yet. "
        )
        parts.append(
            element(
                "p",
                lacking,
                element("code", "backupkeeper posters", class_="type"),
                " makes what is missing from drives that are here.",
            )
        )
    if shown_sheets < all_sheets:
        parts.append(
            element(
                "p",
                f"Sheets of {plural(all_sheets - shown_sheets, 'older roll')} are left out to keep "
                "this file small.",
            )
        )
    return parts


def _sheet(
    head: RollHead,
    clips: Sequence[Clip],
    posters: Mapping[Blake3, Poster],
    zone: tzinfo,
    *,
    is_open: bool,
) -> Markup:
    few = clips[:MOST_CLIPS]
    frames = [_frame(clip, posters.get(clip.content)) for clip in few]
    summary = element(
        "summary",
        element("strong", label(head.shoot), class_="shoot"),
        " ",
        label(head.source),
        " / ",
        label(head.name),
        " ",
        element(
            "span", f"{plural(len(clips), 'clip')}, ", _day(head.sealed_at, zone), class_="quiet"
        ),
    )
    rest = len(clips) - len(few)
    more = element("p", f"and {plural(rest, 'more clip')}") if rest > 0 else None
    return element("details", summary, element("ul", *frames, class_="frames"), more, open=is_open)


def _day(at: datetime, zone: tzinfo) -> Markup:
    return joined("taken ", day(at, zone))


def _frame(clip: Clip, poster: Poster | None) -> Markup:
    file = clip.path.rpartition("/")[2]
    return element(
        "li",
        _image(file, poster),
        element("span", name(file), class_="file"),
        element("span", _length(clip, poster), class_="length"),
        element("small", _coding(poster), class_="under") if _coding(poster) else None,
    )


def _image(file: str, poster: Poster | None) -> Markup:
    if poster is None or poster.jpeg is None:
        why = poster.note if poster is not None and poster.note else "no picture yet"
        return element("span", told(why), class_="blank")
    wide, high = _FRAME
    return picture(poster.jpeg, f"Picture from {shown(file)}", width=wide, height=high)


def _length(clip: Clip, poster: Poster | None) -> str:
    if poster is None or poster.seconds is None:
        return f"length not known, {size(clip.size_bytes)}"
    return f"{clock(poster.seconds)}, {size(clip.size_bytes)}"


def clock(seconds: float) -> str:
    """``0:12``, ``3:05``, ``1:02:07``: whole seconds, as a player shows a length."""
    minutes, rest = divmod(max(0, round(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def _coding(poster: Poster | None) -> str:
    if poster is None:
        return ""
    parts = [poster.coding]
    if poster.width and poster.height:
        parts.append(f"{poster.width} × {poster.height}")  # noqa: RUF001 - by is meant
    if poster.frames_per_second:
        parts.append(f"{poster.frames_per_second:.5g} fps")
    if poster.jpeg is None:
        parts.append(poster.sound)
    return told(", ".join(one for one in parts if one))
