"""What deeds do in a voyage: facts as the real ones make them.

Each says whether something other than a fact came of it.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from backupkeeper.core.deeds import DeedKind
from backupkeeper.core.harm import is_in_doubt_already
from backupkeeper.core.lacking import wants
from backupkeeper.core.model import Copy, CopyState, PlaceId, Result, Way
from backupkeeper.core.needs import Proof, proof_wanted, young_for
from backupkeeper.core.patience import subject_of_line
from tests.core.voyage_mending import mend
from tests.core.voyage_parts import DISK_RATE, GB, LEAD, POLICY, Job, name
from tests.core.voyage_seen import is_whole

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

LINE_BREAKS = 0.3
"""How often between a roll's last file and its manifest."""


def _offload(voyage: "Voyage", job: Job) -> bool:
    card = voyage.cards[str(job.deed.card)]
    number = voyage.next_number()
    folder = f"260612 Boatyard/Originals/Wide/Roll {number}"
    for ident in job.deed.onto:
        for path, content, size in card.files:
            voyage.note(ident, f"{folder}/{path}", content, Way.READBACK)
            voyage.drives[ident].free -= size
    voyage.seal(folder, card.files, number)
    card.taken = (folder,)
    return True


def _mirror(voyage: "Voyage", job: Job) -> bool:
    deed = job.deed
    assert deed.place is not None
    assert deed.roll is not None
    roll, copies = voyage.rolls[deed.roll], voyage.copies(voyage.rolls[deed.roll])
    for file in roll.files:
        path = f"{roll.head.folder}/{file.path}"
        every = copies.get(file.content, [])
        own = [one for one in every if one.path == path]
        if not wants(own, every, voyage.places[deed.place], voyage.places, POLICY):
            continue
        if _gives(voyage, every, deed.source):
            voyage.note(deed.place, path, file.content, Way.READBACK)
            voyage.drives[deed.place].free -= file.size
    return False


def _gives(voyage: "Voyage", every: Sequence[Copy], source: PlaceId | None) -> bool:
    """Whether a drive has the right bytes: it is compared while it is read, and told if it has not."""
    for one in every:
        if one.place == source and one.proof is not None:
            rot = voyage.rot.get((one.place, one.path))
            if rot is None:
                return True
            voyage.note(one.place, one.path, one.content, Way.REHASH, found=rot)
    return False


def _upload(voyage: "Voyage", job: Job) -> bool:
    """Files, then the manifest; the line breaks between them now and then."""
    deed = job.deed
    assert deed.place is not None
    assert deed.roll is not None
    roll, copies = voyage.rolls[deed.roll], voyage.copies(voyage.rolls[deed.roll])
    before = voyage.told
    for file in roll.files:
        path = f"{roll.head.folder}/{file.path}"
        every = copies.get(file.content, [])
        there = [one for one in every if one.place == deed.place]
        if there and proof_wanted(there[0], voyage.around()) is not Proof.NOT_WANTED:
            voyage.note(deed.place, path, file.content, Way.LOOKED)
        elif not there and _gives(voyage, every, deed.source):
            voyage.note(deed.place, path, file.content, Way.ATTESTED)
            voyage.owed.add(roll.head.id)
    if voyage.told != before and voyage.chance.random() < LINE_BREAKS:
        job.failed.add(subject_of_line(deed.place))
        return False
    came = {one for one in voyage.owed if is_whole(voyage, voyage.rolls[one], deed.place)}
    voyage.owed -= came
    return bool(came)


def _prove(voyage: "Voyage", job: Job) -> bool:
    """As ``actions.verify.prove_roll``: what is not proven, or was before a moment; no damage."""
    deed = job.deed
    assert deed.place is not None
    assert deed.roll is not None
    roll, copies = voyage.rolls[deed.roll], voyage.copies(voyage.rolls[deed.roll])
    plain = voyage.now - young_for(Way.REHASH, POLICY, LEAD)
    before = max(deed.before or plain, plain)
    seconds, results = job.taken_s, []
    for file in sorted(roll.files, key=lambda file: file.path):
        mine = [one for one in copies.get(file.content, []) if one.place == deed.place]
        if not mine or not _wants_reading(mine[0], before):
            continue
        if seconds < file.size / DISK_RATE - 2:
            return True  # the budget ended it; within a file nothing is kept (yet)
        seconds -= file.size / DISK_RATE
        rot = voyage.rot.get((deed.place, mine[0].path))
        voyage.note(deed.place, mine[0].path, file.content, Way.REHASH, found=rot)
        results.append(rot.result if rot is not None else Result.MATCHES)
        if is_in_doubt_already(results):
            break
    return False


def _wants_reading(copy: Copy, before: datetime) -> bool:
    if copy.state in {CopyState.WRITTEN, CopyState.DUE}:
        return True
    return copy.proof is not None and copy.proof.at < before


def _judge(voyage: "Voyage", job: Job) -> bool:
    card = voyage.cards[str(job.deed.card)]
    lacking = [one for one in voyage.gaps() if one[0] in (card.taken or ())]
    card.judged = (voyage.now, not lacking)
    return True


def _look(voyage: "Voyage", job: Job) -> bool:
    assert job.deed.place is not None
    voyage.changed.pop(job.deed.place, None)
    for found in voyage.hidden.pop(job.deed.place, []):
        voyage.strange[f"{found.place}|{found.folder}"] = found
    return True


def _adopt(voyage: "Voyage", job: Job) -> bool:
    deed = job.deed
    assert deed.place is not None
    voyage.strange.pop(f"{deed.place}|{deed.folder}")
    number = voyage.next_number()
    files = [(f"S{one}.WAV", name(number, one, 7), GB // 2) for one in range(2)]
    for path, content, _ in files:
        voyage.note(deed.place, f"{deed.folder}/{path}", content, Way.REHASH)
    voyage.seal(deed.folder, files, number)
    return True


def _drill(voyage: "Voyage", job: Job) -> bool:
    voyage.drilled = voyage.now
    return True


DOERS: dict[DeedKind, Callable[["Voyage", Job], bool]] = {
    DeedKind.OFFLOAD: _offload,
    DeedKind.MIRROR: _mirror,
    DeedKind.UPLOAD: _upload,
    DeedKind.PROVE: _prove,
    DeedKind.REPAIR: mend,
    DeedKind.JUDGE: _judge,
    DeedKind.LOOK: _look,
    DeedKind.ADOPT: _adopt,
    DeedKind.DRILL: _drill,
}
