"""What is handed over, in which form, and what came of it. Pure."""

from dataclasses import dataclass
from enum import StrEnum

from backupkeeper.core.restoring import RestoreOutcome


class Form(StrEnum):
    """How the copy can be checked by whoever gets it: two open standards."""

    MHL = "mhl"
    """A folder for each roll, with its ASC MHL history gone on with."""
    BAGIT = "bagit"
    """One bag (RFC 8493)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Handing:
    """What a person wants. ``digests`` are those of the bag's manifests."""

    form: Form
    digests: tuple[str, ...] = ("sha512",)


@dataclass(frozen=True, kw_only=True, slots=True)
class HandoverOutcome:
    """What a handing over came to.

    ``manifests`` were written now, by their paths below the folder; ``bag`` is the bag's folder, absolute,
    empty for the other form; ``closed``: all of it is there and its manifests name it.
    """

    restored: RestoreOutcome
    form: Form
    bag: str = ""
    closed: bool = False
    digests: tuple[str, ...] = ()
    manifests: tuple[str, ...] = ()
