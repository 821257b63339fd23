"""What a receipt says in words of its own: the answer, the kinds of proof, the cautions.

Promises:
1. Nothing here says more than the verdict: a yes with a lowered policy says so in the same sentence, and
   every no begins with what must not be done.
2. Each kind of proof is explained in one line, with what it does not show.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Final

from backupkeeper.core.model import CopyState, PlaceKind, Role, Way
from backupkeeper.core.outcomes import Verdict
from backupkeeper.core.receipt import PlaceStand, Receipt, Receipted
from backupkeeper.report.lines import Line, Look, Page, Tone
from backupkeeper.report.receipt_json import fills, proven_in
from backupkeeper.report.verdict import WAYS, Json
from backupkeeper.report.words import count, plural, shown, size

EXPLAINED: Mapping[Way, str] = {
    Way.READBACK: (
        "right after it was written all its bytes were read from the medium, not from the computer's "
        "memory, and were the same as on the card."
    ),
    Way.REHASH: (
        "at a later time all its bytes were read from the medium again, not from the computer's memory, "
        "and were the same as on the card."
    ),
    Way.ATTESTED: (
        "when it arrived, the store compared all its bytes with a checksum that was computed on this "
        "side; it was seen to refuse wrong bytes. What it keeps was not read since, unless "
        "“fetched back” stands there too."
    ),
    Way.DOWNLOADED: "all its bytes were downloaded again and were what they must be.",
}
"""What each kind of proof shows."""
ENCRYPTED: Final = (
    "the copies at this place are encrypted. Before one was sent, it was seen to decrypt to the very bytes "
    "of the file; what is compared since then are its encrypted bytes, unless it says that they were "
    "decrypted too. Reading it takes the key."
)

KINDS: Mapping[PlaceKind, str] = {
    PlaceKind.DRIVE: "drive",
    PlaceKind.FOLDER: "folder",
    PlaceKind.BUCKET: "bucket (object store)",
}


def in_role(role: Role) -> str:
    """``on a primary drive``, ``in the cloud``."""
    return "in the cloud" if role is Role.CLOUD else f"on a {role} drive"


def headline(verdict: Verdict) -> str:
    """The answer in a sentence."""
    if not verdict.may_wipe:
        return "This card must not be wiped."
    if not verdict.still_missing:
        return "This card may be wiped."
    return f"This card may be wiped as far as {listed(verdict.asked)} go, but {_lacking(verdict)}."


def _lacking(verdict: Verdict) -> str:
    """``the cloud lacks 1 of 2 files``."""
    whole = plural(len(verdict.files), "file")
    return listed(
        [
            f"{'the cloud' if role is Role.CLOUD else f'a {role} drive'} lacks {count(number)} of {whole}"
            for role, number in verdict.still_missing.items()
        ]
    )


def meaning(receipt: Receipt) -> str:
    """What the answer rests on, in one sentence."""
    if not receipt.verdict.may_wipe:
        return (
            "This receipt is of a no. Keep the card as it is until the answer is yes; why it is not is "
            "told below, with every file that it is about."
        )
    asked = listed([in_role(role) for role in receipt.verdict.asked])
    more = " No more was asked for." if receipt.verdict.still_missing else ""
    apart = ", each on a physical device of its own" if receipt.distinct_devices else ""
    return (
        "Every file that was on the card was read whole, and for each a copy of the very same bytes is "
        f"proven {asked}{apart}.{more}"
    )


def listed(words: Sequence[str]) -> str:
    """``one, two and three``."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def on_it(receipt: Receipt) -> str:
    """``14 files, 32.4 GB, all read``."""
    whole = len(receipt.files)
    exact = sum(file.size for file in receipt.files)
    told = f"{plural(whole, 'file')}, {size(exact)} ({count(exact)} bytes)"
    read = receipt.read_files
    if read == whole:
        return f"{told}, every one read whole" if whole > 1 else told
    return f"{told}; {count(read)} of {count(whole)} could be read whole"


def asked_for(receipt: Receipt) -> str:
    """What a yes needs."""
    roles = receipt.verdict.asked
    if not roles:
        return "nothing, so nothing can be shown"
    apart = "on different physical devices" if receipt.distinct_devices else "devices may be shared"
    return f"a proven copy of every file {listed([in_role(role) for role in roles])}; {apart}"


def role_told(receipt: Receipt, role: Role) -> str:
    """``14 of 14 files proven``, and what keeps that from being enough."""
    proven, whole = proven_in(receipt, role), len(receipt.files)
    told = f"{count(proven)} of {plural(whole, 'file')} proven"
    shared = proven == whole and proven and not fills(receipt, role)
    return f"{told}, but not on a physical device of its own" if shared else told


def not_proven(stand: PlaceStand) -> str:
    """``2 written, 1 missing``: what is there, or should be, and is not proven; else nothing."""
    return ", ".join(
        f"{count(number)} {state}"
        for state, number in stand.states.items()
        if state is not CopyState.PROVEN
    )


def looked(stand: PlaceStand) -> str:
    """Whether the place could be looked at with the verdict."""
    if stand.looked_at:
        return "looked at with this verdict; nothing spoke against these copies"
    return "not looked at with this verdict (not here, or no answer): what counts is the last proof"


def exact_time(at: datetime, zone: tzinfo) -> str:
    """``2026-06-14 09:12:05 CEST (UTC+02:00)``."""
    local = at.astimezone(zone)
    offset = local.isoformat(timespec="seconds")[19:] or "+00:00"
    name = local.tzname() or ""
    named = f" {name}" if name and not name.startswith("UTC") else ""
    return f"{local:%Y-%m-%d %H:%M:%S}{named} (UTC{offset})"


def meanings(receipt: Receipt) -> list[tuple[str, str]]:
    """Every kind of proof that is told, with what it shows."""
    spans = [span for place in receipt.places for span in (*place.proofs, place.samples) if span]
    told = [(way_told(way), EXPLAINED[way]) for way in Way if way in {one.way for one in spans}]
    if any("crypt" in evidence for one in spans for evidence in one.evidence):
        told.append(("encrypted", ENCRYPTED))
    return told


def way_told(way: Way) -> str:
    """``read back right after writing``."""
    return WAYS[way]


def cautions(receipt: Receipt, when: str) -> list[str]:
    """What to heed, whatever the numbers say."""
    if not receipt.verdict.may_wipe:
        return [
            "Keep the card, and don't record on it.",
            "Do what stands beside each reason, then ask again and have a new receipt written.",
            "What is proven above stays true; it is just not enough.",
        ]
    told = [
        (
            f"This is about the bytes that were on the card at {when}. If anything was recorded since, "
            "ask again."
        ),
        "Format the card in the camera, not in the computer.",
        "Keep one copy in another place than the others.",
        "A proof is of its own time: drives fail and files rot afterwards. Have copies read again.",
    ]
    if not receipt.distinct_devices:
        told.append("Copies may share one physical device: one fall could break them together.")
    return told


def written_lines(receipted: Receipted, look: Look) -> list[Line]:
    """Where the receipt stands, on a terminal, below the verdict."""
    page = Page(look)
    page.line()
    page.head("Receipt")
    if receipted.page is not None:
        page.say("A page:", indent=2)
        page.line(f"    {shown(receipted.page)}")
    if receipted.data is not None:
        page.say("The same for programs, as JSON:" if receipted.page else "As JSON:", indent=2)
        page.line(f"    {shown(receipted.data)}")
    if receipted.trouble:
        page.say("It was not written as it should be; see the error.", indent=2, tone=Tone.BAD)
    return page.lines


def written_json(receipted: Receipted) -> Json:
    """The same for programs: what was not written is null."""
    return {
        "page": receipted.page,
        "json": receipted.data,
        "trouble": receipted.trouble or None,
    }
