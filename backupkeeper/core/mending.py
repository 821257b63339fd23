"""Mending, as values: what would be taken from where, what was, and what is lost.

Promise: a block counts as lost only where every copy that is known has it wrong, or can't give it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from backupkeeper.core.clip_harm import ClipHarm
from backupkeeper.core.model import BLOCK_BYTES, Result
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.ranges import Ranges, blocks_of, length, ranges_of


@dataclass(frozen=True, kw_only=True, slots=True)
class Sharing:
    """Which blocks each copy would give (as byte ranges), and those that none has right."""

    taken: Mapping[str, Ranges]
    lost: Ranges

    @property
    def taken_bytes(self) -> int:
        """Bytes that come from other copies."""
        return sum(length(ranges) for ranges in self.taken.values())


def sharing(size: int, damage: Ranges, others: Sequence[tuple[str, Ranges]]) -> Sharing:
    """Who would give each hurt block: the first of the others that has it right, as far as is known.

    Args:
        size: of the whole file, in bytes.
        damage: of the copy that is to be mended.
        others: name and damage of each other copy, those to ask first; of one that has nothing right
            the damage is everything.
    """
    hurt = [(name, frozenset(blocks_of(ranges))) for name, ranges in others]
    taken: dict[str, list[int]] = {}
    lost: list[int] = []
    for block in blocks_of(damage):
        if block * BLOCK_BYTES >= size:
            continue  # what is too much is cut off
        for name, wrong in hurt:
            if block not in wrong:
                taken.setdefault(name, []).append(block)
                break
        else:
            lost.append(block)
    return Sharing(
        taken={name: ranges_of(blocks, size) for name, blocks in taken.items()},
        lost=ranges_of(lost, size),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Patient:
    """One copy that is not what it must be.

    Args:
        place: name of the place.
        path: on the place.
        size: that it must have, in bytes.
        found: what is wrong with it.
        damage: where it is hurt; whole blocks where nothing better is known.
        unreadable: those of these bytes that the device would not give.
        clip: which seconds that is, where it is a clip that could be understood.
    """

    place: str
    path: str
    size: int
    found: Result
    damage: Ranges = ()
    unreadable: Ranges = ()
    clip: ClipHarm | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Planned:
    """What would be done about a copy."""

    patient: Patient
    sharing: Sharing


@dataclass(frozen=True, kw_only=True, slots=True)
class Mended:
    """A copy that is whole again.

    Args:
        patient: what it was.
        taken: bytes that came from each other copy, by the name of its place.
        set_aside: where the damaged file is kept, relative to the place's root.
        kept_whole: whether all of the damaged file could be kept.
        proven: whether the new file was read back cold, so that it counts.
        not_cold: why it was not.
    """

    patient: Patient
    taken: Mapping[str, int]
    set_aside: str
    kept_whole: bool = True
    proven: bool = True
    not_cold: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Unmended:
    """A copy that could not be made whole now. Nothing was changed.

    Args:
        patient: what it is.
        why: a sentence.
        lost: bytes that no copy that could be read has right.
        asked: names of the places that were asked.
    """

    patient: Patient
    why: str
    lost: Ranges = ()
    asked: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class RepairOutcome:
    """What ``repair`` did, or would do (``dry_run``)."""

    what: str
    dry_run: bool
    planned: tuple[Planned, ...] = ()
    mended: tuple[Mended, ...] = ()
    unmended: tuple[Unmended, ...] = ()
    came_right: tuple[tuple[str, str], ...] = ()
    """(name of the place, path) of copies that were right when they were read again."""
    left: tuple[str, ...] = ()
    """Sentences: what is not as it should be and was not touched, and why."""
    troubles: tuple[Trouble, ...] = ()
    manifests: tuple[str, ...] = ()
    manifest_faults: tuple[Trouble, ...] = ()
    seconds: float = 0.0
    fetched_bytes: Mapping[str, int] = field(default_factory=dict)
    """Bytes that came from each bucket."""

    @property
    def all_well(self) -> bool:
        """Whether nothing is left to be mended (a dry run that found nothing to do)."""
        unproven = any(not one.proven for one in self.mended)
        return not (
            self.planned or self.unmended or self.left or self.troubles or self.manifest_faults
            or unproven
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptAside:
    """A damaged file that is kept on a drive.

    Args:
        place: name of the place.
        path: of it, relative to the place's root.
        size: in bytes.
        replaced: path of the file whose name it had, as its note says (empty: there is no note).
        at: when it was replaced, likewise.
        is_replaced: whether the copy that took its place is proven now.
        is_edit: whether it was no damage but somebody's edit.
    """

    place: str
    path: str
    size: int
    replaced: str
    at: str
    is_replaced: bool
    is_edit: bool = False
