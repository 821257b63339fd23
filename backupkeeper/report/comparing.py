"""Two drives or folders held against each other, in words and as JSON."""

from collections.abc import Sequence

from backupkeeper.core.comparing import Compared, Pair, Seen
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.verdict import Json
from backupkeeper.report.words import plural, shown, size


def compared_lines(found: Compared, look: Look) -> list[Line]:
    """What is the same, and what is not."""
    page = Page(look)
    files, size_bytes = found.same
    tone = Tone.GOOD if found.is_same else Tone.PLAIN
    mark = look.full if found.is_same else look.open
    page.say(_answer(found), first=f"{mark} ", tone=tone)
    for side in found.sides:
        page.line(f"    {shown(side.name)}")
    page.say(
        f"{plural(files, 'file')} ({size(size_bytes)}) "
        f"{'is' if files == 1 else 'are'} the same under the same name, {_shown_by(found)}.",
        indent=2,
    )
    _say_pairs(page, "Other content under the same name", found.other)
    _say_moved(page, found)
    for side, only in zip(found.sides, found.only, strict=True):
        _say_only(page, shown(side.name), only)
    _say_unknown(page, found)
    for side, unread in zip(found.sides, found.unread, strict=True):
        if unread:
            _head(page, f"Not compared on {shown(side.name)}")
            page.grouped(unread, indent=2)
    if sum(found.left_out):
        page.gap()
        page.say(
            f"Left out: manifests, what is this program's own, and what systems leave behind "
            f"({plural(sum(found.left_out), 'entry', 'entries')}).",
            tone=Tone.QUIET,
        )
    if found.not_cold:
        page.say(
            f"Some of it may have come from this computer's memory: {found.not_cold}",
            tone=Tone.WARN,
        )
    return page.lines


def _answer(found: Compared) -> str:
    if found.is_same:
        return "No difference."
    is_open = not (found.other or found.moved or any(found.only))
    return "Not all of it is known." if is_open else "They differ."


def _shown_by(found: Compared) -> str:
    if found.is_read:
        return "every byte of both read now"
    return "by what was proven before, and their size and time now"


def _say_pairs(page: Page, head: str, pairs: Sequence[Pair]) -> None:
    if not pairs:
        return
    page.head(f"{head}: {plural(len(pairs), 'file')}")
    for pair in page.few(pairs, indent=2):
        page.line(f"  {shown(pair.one.path)}")
        if pair.one.size != pair.two.size:
            page.say(f"{size(pair.one.size)}, and {size(pair.two.size)}", indent=4)


def _say_moved(page: Page, found: Compared) -> None:
    if not found.moved:
        return
    page.head(f"Same content under another name: {plural(len(found.moved), 'file')}")
    for pair in page.few(found.moved, indent=2):
        page.line(f"  {shown(pair.one.path)}")
        page.line(f"    {shown(pair.two.path)}")


def _head(page: Page, text: str) -> None:
    """One with a path in it: never broken."""
    page.gap()
    page.line(text, Tone.HEAD)


def _say_only(page: Page, name: str, files: Sequence[Seen]) -> None:
    if not files:
        return
    total = sum(file.size for file in files)
    _head(page, f"Only on {name}")
    page.say(f"{plural(len(files), 'file')} ({size(total)})", indent=2)
    unknown = sum(file.content is None for file in files)
    if unknown:
        page.say(
            f"Of {plural(unknown, 'file')} the content is not known: the other side may have "
            "it under another name. With --read it is known.",
            indent=2,
            tone=Tone.QUIET,
        )
    page.paths([file.path for file in files], indent=2)


def _say_unknown(page: Page, found: Compared) -> None:
    if not found.unknown:
        return
    page.head(f"Same name and size, content not known: {plural(len(found.unknown), 'file')}")
    page.paths([pair.one.path for pair in found.unknown], indent=2)
    if not found.is_read:
        page.say("--read reads them.", indent=2)


def compared_json(found: Compared) -> Json:
    """All of it."""
    return {
        "version": 1,
        "same": found.is_same,
        "read": found.is_read,
        "sides": [{"name": side.name, "root": side.root} for side in found.sides],
        "same_files": found.same[0],
        "same_bytes": found.same[1],
        "other_content": [_pair(pair) for pair in found.other],
        "content_not_known": [_pair(pair) for pair in found.unknown],
        "other_name": [_pair(pair) for pair in found.moved],
        "only": [[_seen(file) for file in files] for files in found.only],
        "left_out": list(found.left_out),
        "not_compared": [
            [{"path": path, "why": why} for path, why in unread] for unread in found.unread
        ],
        "not_cold": found.not_cold,
    }


def _pair(pair: Pair) -> list[object]:
    return [_seen(pair.one), _seen(pair.two)]


def _seen(file: Seen) -> dict[str, object]:
    return {"path": file.path, "bytes": file.size, "blake3": file.content}
