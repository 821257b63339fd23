"""A small, obviously right model of proofs, beside the real program: no code of ``backupkeeper`` here.

For each copy (place, path, content) two moments are kept. ``must``: the program was seen to compare all
bytes then, and they were right; nothing was done since that could have told it otherwise. ``may``: it may
have done so. So ``must`` fresh means that the program has to count the copy as proven, no fresh ``may``
that it must not. Nearly always the two are one, and then gaps and verdicts are foretold exactly.
"""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

Key = tuple[str, str, str]
"""Name of the place, path on it, content."""
DRIVE_DAYS = 90
ATTESTED_DAYS = 30
DOWNLOADED_DAYS = 365
"""How old a proof may be, as config.example.toml says. Which of the two an object has is left open."""


def content_of(data: bytes) -> str:
    """What the model calls some bytes: not the program's hash."""
    return hashlib.sha256(data).hexdigest()


@dataclass
class Place:
    """A place as a person knows it."""

    name: str
    role: str
    kind: str = "drive"
    here: bool = True
    standing: str = "active"

    @property
    def in_use(self) -> bool:
        """Whether the program may read and write there now."""
        return self.here and self.standing == "active"


@dataclass
class Model:
    """What must, and what may, count as proven; which rolls there are."""

    places: dict[str, Place] = field(default_factory=dict)
    rolls: dict[str, dict[str, str]] = field(default_factory=dict)
    """Folder of each sealed roll: path below it, and content."""
    must: dict[Key, datetime] = field(default_factory=dict)
    may: dict[Key, datetime] = field(default_factory=dict)
    known: set[Key] = field(default_factory=set)
    """Copies that the program has certainly recorded something about."""

    # What is seen.

    def read_right(self, key: Key, since: datetime, until: datetime) -> None:
        """The program has certainly compared all bytes between these moments; they were right."""
        self.must[key], self.known = since, self.known | {key}
        self.may[key] = max(until, self.may.get(key, until))

    def read_wrong(self, key: Key) -> None:
        """It has certainly seen that the bytes are wrong, or that the file is not there."""
        self.must.pop(key, None)
        self.may.pop(key, None)

    def perhaps_right(self, key: Key, until: datetime) -> None:
        """It may have compared all bytes; they were right."""
        self.may[key] = max(until, self.may.get(key, until))

    def perhaps_wrong(self, key: Key) -> None:
        """It may have seen that something is wrong."""
        self.must.pop(key, None)

    def forget(self, place: str) -> None:
        """The place was away: no proof from before counts."""
        for known in (self.must, self.may):
            for key in [key for key in known if key[0] == place]:
                del known[key]

    # What follows.

    def is_fresh(self, known: Mapping[Key, datetime], key: Key, now: datetime) -> bool:
        """Whether a proof counts now."""
        place = self.places[key[0]]
        days = DRIVE_DAYS
        if place.kind == "bucket":
            days = ATTESTED_DAYS if known is self.must else DOWNLOADED_DAYS
        return place.standing == "active" and now - known[key] <= timedelta(days=days)

    def is_proven(
        self, known: Mapping[Key, datetime], content: str, role: str, now: datetime
    ) -> bool:
        """Whether a role has a proven copy of a content, anywhere."""
        return any(
            key[2] == content
            and self.places[key[0]].role == role
            and self.is_fresh(known, key, now)
            for key in known
        )

    def has_gap(self, known: Mapping[Key, datetime], folder: str, role: str, now: datetime) -> bool:
        """Whether a roll has a file that a role has no proven copy of."""
        contents = self.rolls[folder].values()
        return not all(self.is_proven(known, one, role, now) for one in contents)

    def says_yes(
        self,
        known: Mapping[Key, datetime],
        card: Iterable[str],
        roles: Iterable[str],
        now: datetime,
    ) -> bool:
        """Whether a card with these contents may be wiped."""
        contents = list(card)
        sealed = {content for roll in self.rolls.values() for content in roll.values()}
        return bool(contents) and all(
            one in sealed and all(self.is_proven(known, one, role, now) for role in roles)
            for one in contents
        )
