"""Which checks the pieces of one file travel with, as far as its store is known.

Promises:
1. MD5 is left out of parts only where a SHA-256 of theirs is enforced (``cloud.checks``), and, where
   parts are there already, only if such a one is among what those have passed: what is proven of the
   whole is what is proven of each.
2. What is sent in one piece travels with MD5, always.
"""

from dataclasses import dataclass

from backupkeeper.cloud.checks import EXTRAS, MD5, PAYLOAD, extra_of, leaves_md5_out
from backupkeeper.ports.bucket import Capabilities


@dataclass(frozen=True, kw_only=True, slots=True)
class Travelling:
    """What follows from what a store was seen to do.

    ``passed`` are the checks which the parts that are there already have passed; None: there are none.
    """

    can: Capabilities
    in_parts: bool
    passed: tuple[str, ...] | None = None

    @property
    def extra(self) -> str | None:
        """The ``x-amz-checksum-*`` that is sent along, if any."""
        return extra_of(self.can.refuses_wrong)

    @property
    def without_md5(self) -> bool:
        """Whether MD5 is left out."""
        enforced = self.can.refuses_wrong
        if self.passed is not None:
            enforced &= frozenset(self.passed)
        # What is locked needs MD5 or another check; nobody may know whether the bucket locks.
        may_lock = self.can.object_lock is not False
        return self.in_parts and leaves_md5_out(enforced, may_lock=may_lock)

    @property
    def possible(self) -> tuple[str, ...]:
        """The checks that are enforced, of all that could be sent."""
        enforced = {MD5, PAYLOAD, self.extra} & self.can.refuses_wrong
        return tuple(name for name in (MD5, PAYLOAD, *EXTRAS) if name in enforced)

    @property
    def enforced(self) -> tuple[str, ...]:
        """The checks that are enforced, of those that are sent."""
        left_out = {MD5} if self.without_md5 else set()
        return tuple(name for name in self.possible if name not in left_out)
