"""A verdict as it forms: what is known of the files of a card that were read till now. Pure.

Promises:
1. It is never an answer: that comes once, of the whole card, from ``core.verdict``.
2. A file counts as proven only where it fills every role that was asked for, and its roll is sealed:
   as the verdict will have it, but for what comes after the reading (looks at drives and buckets).
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Final

from backupkeeper.core.model import CardFile, Role

MOST_TOLD: Final = 20
"""So many files that speak against are named."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Against:
    """A file that speaks against. ``lacks``: roles without a proof; none: ``error`` or not sealed."""

    path: str
    lacks: tuple[Role, ...] = ()
    error: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Forming:
    """How far it is. ``proven_files`` are those of ``files_read`` of which nothing speaks against."""

    files_read: int = 0
    bytes_read: int = 0
    proven_files: int = 0
    against_files: int = 0
    against: tuple[Against, ...] = ()
    """The first few."""


def with_file(
    forming: Forming,
    file: CardFile,
    *,
    filled: Collection[Role],
    asked: Collection[Role],
    is_sealed: bool,
) -> Forming:
    """What is known after one more file.

    Args:
        forming: what was known before.
        file: what was read; without a content it could not be.
        filled: the roles that proven copies of it fill.
        asked: the roles that a yes needs.
        is_sealed: whether it lies in a sealed roll.
    """
    forming = replace(
        forming,
        files_read=forming.files_read + 1,
        bytes_read=forming.bytes_read + (file.size if file.content is not None else 0),
    )
    lacks = tuple(role for role in asked if role not in filled)
    if file.content is not None and is_sealed and asked and not lacks:
        return replace(forming, proven_files=forming.proven_files + 1)
    told = forming.against
    if len(told) < MOST_TOLD:
        found = Against(path=file.path, lacks=lacks, error=file.error or "")
        told = (*told, found)
    return replace(forming, against_files=forming.against_files + 1, against=told)
