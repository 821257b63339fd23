"""What a bucket was seen to do, as one value, and the same as text for the catalog. Pure.

Promises:
1. What could not be asked is ``not allowed``, what was answered with something else ``not offered``:
   neither is ever a yes or a no.
2. Text that is not exactly what ``encoded`` writes is no findings at all (``decoded`` gives None).
3. Findings are believed for ``BELIEVED_FOR`` and no longer, and never where they come from the future.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

FORM: Final = 1
"""Version of the text."""
BELIEVED_FOR: Final = timedelta(days=30)
MOST_CHARACTERS: Final = 20_000
_MOST_ITEMS: Final = 200
MOST_DAYS: Final = 1_000_000
"""More days than that are told as so many: they come from outside."""
_CLOCK_SLACK: Final = timedelta(hours=1)


class Word(StrEnum):
    """The answer to one question about a bucket."""

    YES = "yes"
    NO = "no"
    NOT_ALLOWED = "not allowed"
    """The credentials may not look: nobody knows."""
    NOT_OFFERED = "not offered"
    """The store does not know the question, or answered something else."""


class Step(StrEnum):
    """Where a wrong checksum can be refused."""

    PUT = "put"
    PART = "part"
    COMPLETE = "complete"


@dataclass(frozen=True, kw_only=True, slots=True)
class Findings:
    """All that one check of a bucket came to. Rates are bytes a second, times seconds."""

    refuses: Mapping[str, tuple[Step, ...]]
    """For each kind of check where a wrong one was refused and the right one taken."""
    returns: tuple[str, ...]
    """Checksums that came back with a look at the object, with the value that was sent."""
    conditional_put: bool
    conditional_complete: bool
    etag_is_md5: bool
    refuses_small_parts: bool
    takes_part_10000: bool
    versioning: bool
    object_lock: Word
    lock_default: str
    """Default retention such as ``governance, 30 days``; empty: none, or not known."""
    lifecycle: Word
    """Whether a rule ends uploads under our prefix that were begun and not finished."""
    abort_days: int | None
    """After so many days."""
    deletes_days: int | None
    """A rule deletes objects under our prefix after so many days (0: on a date); None: none was seen."""
    read_by_anybody: bool
    """An object of ours was read without any credentials."""
    public_policy: Word
    public_grants: Word
    skew_s: float | None
    """How far this machine's clock is before the store's."""
    latency_s: float | None
    put_rate: float | None
    get_rate: float | None
    left_behind: tuple[str, ...]
    """Scratch objects that may not be removed."""

    @property
    def is_public(self) -> bool:
        """Whether anybody, or anybody with an account, gets at what is in it.

        What a store says of its policy is no ground for it: radosgw 16.2 calls every policy public
        that allows anything. What such a policy lets through is tried.
        """
        return self.read_by_anybody or self.public_grants is Word.YES

    @property
    def refuses_wrong(self) -> frozenset[str]:
        """Checks that are refused when wrong both on an upload in one piece and on a part."""
        both = {Step.PUT, Step.PART}
        return frozenset(name for name, steps in self.refuses.items() if both <= set(steps))


@dataclass(frozen=True, kw_only=True, slots=True)
class BucketCheck:
    """What is known of one bucket: findings with their time, or that there are none."""

    at: datetime | None = None
    findings: Findings | None = None

    def is_fresh(self, now: datetime) -> bool:
        """Whether it is young enough to go by."""
        if self.at is None or self.findings is None:
            return False
        return -_CLOCK_SLACK <= now - self.at <= BELIEVED_FOR


def encoded(findings: Findings) -> str:
    """Findings as compact text."""
    told = {one.name: _plain(getattr(findings, one.name)) for one in fields(findings)}
    return json.dumps({"form": FORM} | told, separators=(",", ":"), ensure_ascii=True)


def _plain(value: object) -> object:
    if isinstance(value, Mapping):
        return {name: [step.value for step in steps] for name, steps in sorted(value.items())}
    if isinstance(value, float):
        return round(value, 4)
    return list(value) if isinstance(value, tuple) else value


def decoded(text: str) -> Findings | None:
    """Findings out of text that anybody may have written; None where it is none."""
    if len(text) > MOST_CHARACTERS:
        return None
    try:
        told = json.loads(text)
        if not isinstance(told, dict) or told.pop("form", None) != FORM:
            return None
        if set(told) != {one.name for one in fields(Findings)}:
            return None
        return Findings(
            refuses=_steps(told["refuses"]),
            returns=_texts(told["returns"]),
            conditional_put=_truth(told["conditional_put"]),
            conditional_complete=_truth(told["conditional_complete"]),
            etag_is_md5=_truth(told["etag_is_md5"]),
            refuses_small_parts=_truth(told["refuses_small_parts"]),
            takes_part_10000=_truth(told["takes_part_10000"]),
            versioning=_truth(told["versioning"]),
            object_lock=_word(told["object_lock"]),
            lock_default=_text(told["lock_default"]),
            lifecycle=_word(told["lifecycle"]),
            abort_days=_days(told["abort_days"]),
            deletes_days=_days(told["deletes_days"]),
            read_by_anybody=_truth(told["read_by_anybody"]),
            public_policy=_word(told["public_policy"]),
            public_grants=_word(told["public_grants"]),
            skew_s=_number(told["skew_s"]),
            latency_s=_number(told["latency_s"]),
            put_rate=_number(told["put_rate"]),
            get_rate=_number(told["get_rate"]),
            left_behind=_texts(told["left_behind"]),
        )
    except (ValueError, TypeError, RecursionError):
        return None


def _truth(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError("neither true nor false")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("no text")
    return value


def _texts(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or len(value) > _MOST_ITEMS:
        raise TypeError("no list")
    return tuple(map(_text, value))


def _word(value: object) -> Word:
    return Word(_text(value))


def _steps(value: object) -> Mapping[str, tuple[Step, ...]]:
    if not isinstance(value, dict) or len(value) > _MOST_ITEMS:
        raise TypeError("no table")
    return {name: tuple(Step(one) for one in _texts(steps)) for name, steps in value.items()}


def _days(value: object) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= MOST_DAYS:
        raise TypeError("no number of days")
    return value


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError("no number")
    return float(value)
