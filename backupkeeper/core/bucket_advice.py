"""What the findings about a bucket mean for a person, in words. Pure.

Promises:
1. A public bucket is a ``STOP``, whatever shows it to be one; nothing else is.
2. What nobody was allowed to look at is told as that, never as a no.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final, assert_never

from backupkeeper.core.bucket_findings import Findings, Word
from backupkeeper.core.typed import typed


class Level(StrEnum):
    """How much an advice matters."""

    STOP = "stop"
    """Nothing is sent there."""
    WARN = "warn"
    NOTE = "note"


@dataclass(frozen=True, kw_only=True, slots=True)
class BucketAdvice:
    """One thing that a person should know, in words. ``code`` is stable, for programs."""

    code: str
    level: Level
    words: str
    command: str = ""
    """What to type, if that helps; it stands on a line of its own."""


SHORTEST_ABORT: Final = 30
"""Days for which an unfinished upload should be left alone: a shoot may take weeks on a slow line."""
NO_CLASSES: Final[Mapping[str, str]] = MappingProxyType({})
_SKEW_TOLD_S: Final = 60.0
_UNITS: Final = ((86_400, "days"), (3_600, "hours"), (60, "minutes"))
"""Seconds of each. From 15 minutes on Amazon S3 refuses requests (its documentation; from memory)."""


def advice_on_bucket(
    found: Findings,
    *,
    name: str,
    retention_days: int,
    other_classes: Mapping[str, str] = NO_CLASSES,
) -> tuple[BucketAdvice, ...]:
    """What the findings mean for a person, what matters most first.

    Args:
        found: the findings.
        name: what the place is called, for commands.
        retention_days: for how long the person wants objects locked; 0: not at all.
        other_classes: storage classes that were asked for in vain, with the one in which objects stand.
    """
    told: list[BucketAdvice] = []
    told += _on_public(found, name)
    told += _on_deleting(found)
    told += _on_attesting(found)
    told += _on_versions(found, retention_days)
    told += _on_lifecycle(found, name)
    told += _on_clock(found)
    told += (
        BucketAdvice(code="class-ignored", level=Level.WARN, words=class_words(asked, got))
        for asked, got in other_classes.items()
    )
    if found.left_behind:
        told.append(
            BucketAdvice(
                code="scratch-left",
                level=Level.NOTE,
                words=(
                    f"{len(found.left_behind)} tiny scratch objects stay below .backupkeeper, because "
                    "the credentials may not delete. That is as it should be; their names stay the "
                    "same, so they do not pile up."
                ),
            )
        )
    order = list(Level)
    return tuple(sorted(told, key=lambda one: order.index(one.level)))


def class_words(asked: str, got: str) -> str:
    """What a person should know of a storage class that a bucket pays no heed to."""
    return (
        f"The storage class {asked} was asked for, and objects stand in {got}: they may cost more than "
        "you reckon with. See what the store calls its classes, and set [upload] storage_class or "
        "[[upload.classes]] to that."
    )


def _on_public(found: Findings, name: str) -> list[BucketAdvice]:
    seen = []
    if found.read_by_anybody:
        seen.append("an object was read without any credentials")
    if found.public_grants is Word.YES:
        seen.append("its access list (ACL) lets everybody in")
    if not seen:
        return _on_policy(found)
    return [
        BucketAdvice(
            code="public",
            level=Level.STOP,
            words=(
                f"This bucket is public: {'; '.join(seen)}. Nothing is sent to it. Block public "
                "access at your provider (or take the policy or access list away), then check again:"
            ),
            command=f"backupkeeper place check {typed(name)}",
        )
    ]


def _on_policy(found: Findings) -> list[BucketAdvice]:
    if found.public_policy is not Word.YES:
        return []
    return [
        BucketAdvice(
            code="policy-public",
            level=Level.WARN,
            words=(
                "The store calls the bucket's policy public, though reading an object without "
                'credentials was refused. Look at the policy: everybody ("*") should stand nowhere in '
                "it. Some stores call any policy so."
            ),
        )
    ]


def _on_deleting(found: Findings) -> list[BucketAdvice]:
    if found.deletes_days is None:
        return []
    when = f"after {found.deletes_days} days" if found.deletes_days else "on a set date"
    return [
        BucketAdvice(
            code="rule-deletes",
            level=Level.WARN,
            words=(
                f"A lifecycle rule of this bucket deletes what we put there, {when}. Take that rule "
                "away at your provider, or your third copy goes."
            ),
        )
    ]


def _on_attesting(found: Findings) -> list[BucketAdvice]:
    if found.refuses_wrong:
        return []
    return [
        BucketAdvice(
            code="attests-nothing",
            level=Level.NOTE,
            words=(
                "It takes uploads whose checksums are wrong, so its word proves nothing: everything "
                "that is sent is fetched back and compared. That takes twice the traffic."
            ),
        )
    ]


def _on_versions(found: Findings, retention_days: int) -> list[BucketAdvice]:
    told = []
    if not found.versioning:
        told.append(
            BucketAdvice(
                code="no-versioning",
                level=Level.NOTE,
                words=(
                    "It keeps no versions: whoever holds the credentials, or a fault elsewhere, can "
                    "write over an object or delete it for good. Turn versioning on at your provider."
                ),
            )
        )
    if found.object_lock is not Word.YES and (found.versioning or retention_days):
        told.append(_without_lock(found.object_lock, retention_days))
    elif found.object_lock is Word.YES and not retention_days and not found.lock_default:
        told.append(
            BucketAdvice(
                code="lock-unused",
                level=Level.NOTE,
                words=(
                    "It has object lock, and nothing is locked: [upload] retention_days in the "
                    "configuration says for how long originals are kept whatever happens."
                ),
            )
        )
    return told


def _without_lock(word: Word, retention_days: int) -> BucketAdvice:
    match word:
        case Word.NO:
            how = "It has no object lock"
        case Word.NOT_OFFERED:
            how = "This store offers no object lock"
        case Word.NOT_ALLOWED:
            how = "The credentials are not allowed to look whether it has object lock"
        case Word.YES:  # pragma: no cover - asked for before
            raise AssertionError
        case _:  # pragma: no cover
            assert_never(word)
    if retention_days:
        return BucketAdvice(
            code="no-lock",
            level=Level.WARN,
            words=f"{how}: retention_days has no effect, objects are put there unlocked.",
        )
    return BucketAdvice(
        code="no-lock",
        level=Level.NOTE,
        words=f"{how}: with the right to delete, all versions of an object can be deleted.",
    )


def _on_lifecycle(found: Findings, name: str) -> list[BucketAdvice]:
    if found.lifecycle is Word.YES:
        if found.abort_days is None or found.abort_days >= SHORTEST_ABORT:
            return []
        return [
            BucketAdvice(
                code="aborts-early",
                level=Level.NOTE,
                words=(
                    f"It ends unfinished uploads after {found.abort_days} days: one that takes longer "
                    f"on a slow line starts again. {SHORTEST_ABORT} days or more would be better."
                ),
            )
        ]
    if found.lifecycle is Word.NO:
        return [
            BucketAdvice(
                code="no-abort-rule",
                level=Level.NOTE,
                words=(
                    "No lifecycle rule ends uploads that were begun and never finished; what they "
                    "leave is paid for and shown nowhere. To add such a rule, leaving all others as "
                    "they are:"
                ),
                command=f"backupkeeper place check {typed(name)} --set-lifecycle --yes",
            )
        ]
    how = (
        "The credentials are not allowed to look at"
        if found.lifecycle is Word.NOT_ALLOWED
        else "This store does not tell"
    )
    return [
        BucketAdvice(
            code="abort-rule-unknown",
            level=Level.NOTE,
            words=(
                f"{how} its lifecycle rules: see yourself that one ends unfinished uploads after "
                f"{SHORTEST_ABORT} days or more. The rule that we would set:"
            ),
            command=f"backupkeeper place check {typed(name)} --lifecycle-rule",
        )
    ]


def _on_clock(found: Findings) -> list[BucketAdvice]:
    if found.skew_s is None or abs(found.skew_s) < _SKEW_TOLD_S:
        return []
    way = "before" if found.skew_s > 0 else "behind"
    return [
        BucketAdvice(
            code="clock",
            level=Level.WARN,
            words=(
                f"This machine's clock is {_span(abs(found.skew_s))} {way} the store's. From 15 minutes "
                "on stores refuse everything: set it by network time."
            ),
        )
    ]


def _span(seconds: float) -> str:
    unit = next((one for one in _UNITS if seconds >= 2 * one[0]), (1, "seconds"))
    return f"{seconds / unit[0]:.0f} {unit[1]}"
