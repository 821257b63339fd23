"""How a roll stands, from files counted in groups instead of fact by fact. Pure.

Promise: where ``quick_cover`` answers, the answer is that of ``core.policy.cover`` from all facts
(property tests hold them against each other). Where a group is not plain it does not answer.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from backupkeeper.core.model import (
    Blake3,
    Copy,
    CopyState,
    Place,
    PlaceId,
    Role,
    RollFile,
    RollHead,
)
from backupkeeper.core.outcomes import RoleCover, RollCover
from backupkeeper.core.policy import ALL_ROLES, Policy, best_per_role, filled_roles

Stands = tuple[tuple[PlaceId, CopyState], ...]
"""Where copies of a content stand, in any order, and in which state."""
_ORDER = {state: position for position, state in enumerate(CopyState)}
_THERE = frozenset({CopyState.PROVEN, CopyState.DUE, CopyState.WRITTEN, CopyState.DAMAGED})


@dataclass(frozen=True, kw_only=True, slots=True)
class FileGroup:
    """Files of one roll whose copies stand at the same places in the same states.

    ``oldest``: by role, the oldest of the files' best copies' proofs (None: none has one).
    ``is_plain``: nothing is known of any copy that takes more than counting to judge (anything
    bad, a date in the future, another version, kinds of proof that don't belong together); else
    ``paths`` names the files.
    """

    stands: Stands
    files: int
    size_bytes: int
    oldest: Mapping[Role, datetime | None]
    is_plain: bool
    paths: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Judged:
    """What follows for every file of a group."""

    states: Mapping[Role, CopyState]
    lacking: frozenset[Role]
    filled: int
    same_device: bool
    holders: Mapping[Role, frozenset[str]]


class Judge:
    """Judges groups; what it found of one it remembers, for most rolls stand alike.

    Args:
        places: all places.
        policy: what is asked for.
    """

    def __init__(self, places: Mapping[PlaceId, Place], policy: Policy) -> None:
        self._places = places
        self._policy = policy
        self._roles = tuple(dict.fromkeys(policy.roles or ALL_ROLES))
        self._judged = lru_cache(maxsize=4096)(self._judge)

    def looked_at(self, file: RollFile, copies: Sequence[Copy]) -> FileGroup:
        """A file whose copies were looked at fact by fact, as a group of one."""
        best = best_per_role(copies, self._places, self._roles)
        return FileGroup(
            stands=tuple(sorted((copy.place, copy.state) for copy in copies)),
            files=1,
            size_bytes=file.size,
            oldest={role: proof.at for role, proof in best.items()},
            is_plain=True,
        )

    def quick_cover(self, head: RollHead, groups: Sequence[FileGroup]) -> RollCover | None:
        """One roll against all roles; None: its facts must be looked at."""
        if not groups or not all(group.is_plain for group in groups):
            return None
        counts: dict[Role, Counter[CopyState]] = {role: Counter() for role in self._roles}
        holders: dict[Role, set[str]] = {role: set() for role in self._roles}
        oldest: dict[Role, datetime | None] = dict.fromkeys(self._roles)
        lacking: set[Role] = set()
        at_risk, fewest, same_device = 0, len(self._roles), False
        for group in groups:
            judged = self._judged(group.stands)
            lacking |= judged.lacking
            at_risk += group.size_bytes if judged.lacking else 0
            fewest = min(fewest, judged.filled)
            same_device |= judged.same_device
            for role in self._roles:
                counts[role][judged.states[role]] += group.files
                holders[role] |= judged.holders[role]
                dates = (oldest[role], group.oldest.get(role))
                oldest[role] = min((at for at in dates if at is not None), default=None)
        return RollCover(
            roll=head,
            roles={
                role: RoleCover(
                    state=max(counts[role], key=_ORDER.__getitem__),
                    places=tuple(sorted(holders[role])),
                    counts=dict(counts[role]),
                    oldest_proof=oldest[role],
                )
                for role in self._roles
            },
            gaps=tuple(role for role in self._roles if role in lacking),
            bytes_at_risk=at_risk,
            fewest=fewest,
            same_device=same_device,
        )

    def _judge(self, stands: Stands) -> _Judged:
        copies = [
            Copy(place=place, path="", content=Blake3(""), state=state) for place, state in stands
        ]
        filled = filled_roles(copies, self._places, self._roles, self._policy)
        states = {
            role: min(
                (copy.state for copy in copies if self._places[copy.place].role is role),
                key=_ORDER.__getitem__,
                default=CopyState.ABSENT,
            )
            for role in self._roles
        }
        return _Judged(
            states=states,
            lacking=frozenset(self._roles) - filled,
            filled=len(filled),
            same_device=any(
                state is CopyState.PROVEN and role not in filled for role, state in states.items()
            ),
            holders={
                role: frozenset(
                    self._places[copy.place].name
                    for copy in copies
                    if copy.state in _THERE and self._places[copy.place].role is role
                )
                for role in self._roles
            },
        )
