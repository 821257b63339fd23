"""Made-up overviews for mails, and what a mail program makes of a mail: both parts, words, pictures."""

import email
import email.policy
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta, timezone
from decimal import Decimal
from email.message import EmailMessage
from html.parser import HTMLParser
from io import BytesIO

import av

from backupkeeper.core.arrival import Arrival
from backupkeeper.core.drilling import Drilled, DrillResult
from backupkeeper.core.mailing import LetterKind
from backupkeeper.core.model import (
    Blake3,
    CopyState,
    Place,
    Result,
    Role,
    RollHead,
    RollId,
    Standing,
)
from backupkeeper.core.outcomes import GapReport, RollCover
from backupkeeper.core.overview import BucketLine, DriveLine, Filling, Harm, Overview, Step, Worry
from backupkeeper.core.prices import BucketCost
from backupkeeper.core.snapshots import SnapshotNote
from backupkeeper.report.mail import Envelope, Maker, Said, fitting
from backupkeeper.report.mail_weekly import weekly
from tests.report.boatyard import NOW, PLACES, cover, gap_report, head, place

SUMMER = timezone(timedelta(hours=2))
MAKER = Maker(zone=SUMMER, hostname="edit-1", version="1.2.3")
ENVELOPE = Envelope(
    message_id="<7d0a2c4e-0000-4000-8000-000000000000@example.org>",
    at=NOW,
    kind=LetterKind.WEEKLY,
)
DAY = timedelta(days=1)
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "&lt;b&gt; & \"quotes\" 'both'",
    "line\nBcc: thief@example.org\r\n\r\n.\r\n",
    "\u202egnp.evil\u2066",
    "\u05d0\u05d1\u05d2 (12) Roll",
    "\udcff\udc80.MP4",
    "</td></table></html>--=_both_7d0a2c4e-0000-4000-8000-000000000000--",
    "From me@example.org Sun Jun 14 09:12:00 2026",
    ".",
    "=?utf-8?q?forged?=",
    "\0",
)


def drive(role: Role, **changes: object) -> DriveLine:
    values: dict[str, object] = {
        "place": place(role),
        "is_here": role is Role.PRIMARY,
        "held_files": 31_204,
        "held_bytes": 2_870_000_000_000,
        "free_bytes": 1_130_000_000_000,
        "last_seen": NOW - 2 * DAY,
        "oldest_proof": NOW - 71 * DAY,
        "filling": Filling(shoots_left=7.2),
    }
    return DriveLine(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def bucket(**changes: object) -> BucketLine:
    values: dict[str, object] = {
        "place": place(Role.CLOUD),
        "held_files": 31_204,
        "held_bytes": 2_870_000_000_000,
        "oldest_proof": NOW - 300 * DAY,
        "cost": BucketCost(name="Off site", held=(), currency="EUR", a_month=Decimal("14.35")),
    }
    return BucketLine(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def harm(path: str = "DCIM/BOAT0001.MP4", *, days: float = 1, **changes: object) -> Harm:
    values: dict[str, object] = {
        "place": "Travel",
        "folder": head().folder,
        "path": f"{head().folder}/{path}",
        "content": Blake3("ab" * 32),
        "result": Result.DAMAGED,
        "found_at": NOW - days * DAY,
        "size_bytes": 10**9,
        "hurt_bytes": 4096,
    }
    return Harm(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def overview(*covers: RollCover, **changes: object) -> Overview:
    values: dict[str, object] = {
        "at": NOW,
        "gaps": gap_report(*covers),
        "worry": Worry.SOON if any(one.gaps for one in covers) else Worry.NONE,
        "steps": (),
        "drives": (drive(Role.PRIMARY), drive(Role.SECONDARY)),
        "buckets": (bucket(),),
        "next_at": NOW + 7 * DAY,
    }
    return Overview(**(values | changes))  # type: ignore[arg-type]  # fields by name, as a table


def rolls(number: int) -> list[RollHead]:
    return [head(name=f"Roll {count:02}") for count in range(1, number + 1)]


def nothing_yet() -> Overview:
    return Overview(
        at=NOW,
        gaps=GapReport(at=NOW, rolls=()),
        worry=Worry.SOON,
        steps=(Step(words="Plug a card in", command="backupkeeper offload CARD"),),
        drives=(),
        buckets=(),
        next_at=NOW + 7 * DAY,
    )


def first_day() -> Overview:
    absent = CopyState.ABSENT
    return overview(
        *(cover(one, secondary=absent, cloud=absent) for one in rolls(3)),
        drives=(drive(Role.PRIMARY, filling=Filling(why="one day says nothing")),),
        buckets=(),
        steps=(Step(words="No place has the role cloud yet: take one in", rolls=3),),
        next_at=None,
    )


def all_well() -> Overview:
    return overview(*map(cover, rolls(214)))


def two_gaps() -> Overview:
    """A bit of everything."""
    one, two, *others = rolls(214)
    worse = (
        cover(one, secondary=CopyState.DAMAGED, cloud=CopyState.ABSENT, some=12),
        cover(two, cloud=CopyState.WRITTEN),
    )
    base = overview(
        *worse,
        *map(cover, others),
        steps=(
            Step(words="Plug Travel in", command="backupkeeper verify Travel", rolls=1),
            Step(words="Bring it to the bucket", command="backupkeeper upload", rolls=2),
        ),
        buckets=(bucket(arrival=Arrival(place="Off site", to_go=4 * 10**11, why="not known yet")),),
        harms=(
            harm(),
            harm("DCIM/BOAT0002.MP4", result=Result.UNREADABLE, hurt_bytes=None),
            harm("DCIM/BOAT0003.MP4", days=20, mended_at=NOW - 19 * DAY),
            harm("DCIM/OLD.MP4", days=200, mended_at=NOW - 199 * DAY),
        ),
        drills=(
            Drilled(
                shoot="260402 Boatyard",
                at=NOW - 40 * DAY,
                round=1,
                result=DrillResult.RIGHT,
                place="Off site",
                files=214,
                size_bytes=10**11,
            ),
        ),
        drill_due="A restore drill is due.",
        notes=("The bucket was not checked for 40 days.",),
    )
    old = SnapshotNote(place="Travel", at=NOW - 9 * DAY, is_current=False, is_old=True)
    notes = ("The bucket was not checked for 40 days.", "Another word.")
    return replace(base, gaps=replace(base.gaps, snapshots=(old,), notes=notes))


def all_lost() -> Overview:
    gone = CopyState.OUT_OF_REACH
    base = overview(
        *(cover(one, primary=gone, secondary=gone, cloud=gone) for one in rolls(3)),
        worry=Worry.NOW,
        drives=(drive(Role.PRIMARY, place=place(Role.PRIMARY, standing=Standing.LOST)),),
        buckets=(bucket(place=place(Role.CLOUD, standing=Standing.RETIRED)),),
    )
    lost = tuple(replace(one, standing=Standing.LOST) for one in PLACES)
    return replace(base, gaps=replace(base.gaps, places=lost))


def hostile() -> Overview:
    """Every name that comes from outside is one of ``HOSTILE``."""
    names = HOSTILE
    covers = [
        cover(head(bad, names[(n + 1) % len(names)], names[(n + 2) % len(names)]), cloud=CopyState.ABSENT)
        for n, bad in enumerate(names)
    ]  # fmt: skip

    def named(bad: str, role: Role) -> Place:
        return place(role, name=bad)

    base = overview(
        *covers,
        steps=tuple(Step(words=bad, command=f"backupkeeper repair {bad}") for bad in names),
        drives=tuple(drive(Role.PRIMARY, place=named(bad, Role.PRIMARY)) for bad in names),
        buckets=tuple(
            bucket(place=named(bad, Role.CLOUD), arrival=Arrival(place=bad, to_go=5, why=bad))
            for bad in names
        ),
        harms=tuple(harm(bad, place=bad) for bad in names),
        drills=tuple(replace(two_gaps().drills[0], shoot=bad, place=bad) for bad in names),
        drill_due="".join(names),
        notes=names,
    )
    old = tuple(SnapshotNote(place=bad, at=None, is_current=False, is_old=True) for bad in names)
    return replace(base, gaps=replace(base.gaps, snapshots=old, unfinished=names))


def many(number: int = 10_000) -> Overview:
    """Names of 255 bytes, each of which takes three times as much in a mail."""
    long = "é" * 127 + "x"
    covers = tuple(
        replace(
            cover(cloud=CopyState.ABSENT),
            roll=replace(
                head(long, long, f"{count:05}{long[:-3]}"), id=RollId(f"{count}"), folder=long * 3
            ),
        )
        for count in range(number)
    )
    steps = tuple(Step(words=long * 9, command=long * 9, rolls=1) for _ in range(number))
    return overview(
        *covers,
        steps=steps,
        harms=tuple(harm(long, place=long) for _ in range(number)),
        drives=tuple(drive(Role.PRIMARY, place=place(Role.PRIMARY, name=long)) for _ in range(999)),
        notes=tuple(f"{long * 20} {count}" for count in range(999)),
    )


def mailed(made: Overview, **more: object) -> tuple[Said, bytes]:
    return fitting(lambda most: weekly(made, MAKER, most=most, **more), ENVELOPE)  # type: ignore[arg-type]  # by name


# -- as a mail program sees it


def parsed(data: bytes) -> EmailMessage:
    found = email.message_from_bytes(data, policy=email.policy.default)
    assert isinstance(found, EmailMessage)
    assert all(not part.defects for part in found.walk())
    return found


def parts(mail: EmailMessage) -> tuple[str, str, Mapping[str, bytes]]:
    """The plain part, the HTML part, and its pictures by their Content-ID."""
    assert mail.get_content_type() == "multipart/alternative"
    plain, shown = mail.iter_parts()
    assert isinstance(plain, EmailMessage)
    assert isinstance(shown, EmailMessage)
    pictures = {}
    page = shown
    if shown.get_content_type() == "multipart/related":
        page, *rest = shown.iter_parts()  # type: ignore[assignment]  # typeshed says Message
        for one in rest:
            assert (one.get_content_type(), one["Content-Disposition"]) == ("image/png", "inline")
            data = one.get_content()
            assert isinstance(data, bytes)
            pictures[str(one["Content-ID"]).strip("<>")] = data
    assert (plain.get_content_type(), page.get_content_type()) == ("text/plain", "text/html")
    return plain.get_content(), page.get_content(), pictures


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._in_head = False

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attributes)))
        self._in_head = tag == "head" or (self._in_head and tag != "body")
        if tag != "wbr":
            self.words.append(" ")
        if tag == "img":
            self.words.append(f" {dict(attributes)['alt']} ")

    def handle_endtag(self, tag: str) -> None:
        if tag != "span":
            self.words.append(" ")

    def handle_data(self, data: str) -> None:
        if not self._in_head:
            self.words.append(data)


def page_of(source: str) -> _Page:
    page = _Page()
    page.feed(source)
    page.close()
    return page


def words(text: str) -> list[str]:
    """Words in their order; lines and dashes are the look of one part only."""
    return [word for word in text.split() if not re.fullmatch(r"[-=/]+", word)]


def picture(data: bytes) -> tuple[int, int, list[bytes]]:
    """Width, height and rows of RGBA, by a decoder that is not ours."""
    with av.open(BytesIO(data), "r") as opened:
        (frame,) = opened.decode(video=0)
        shown = frame.reformat(format="rgba")
        plane = shown.planes[0]
        raw = bytes(plane)
        rows = [raw[y * plane.line_size :][: frame.width * 4] for y in range(frame.height)]
        return frame.width, frame.height, rows
