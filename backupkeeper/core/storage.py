"""In which storage class an original is put into a bucket: the person's rules, first one first.

Promises:
1. A rule that speaks of age holds only where the shoot's name tells its date.
2. Nothing is guessed: where no rule holds it is the usual class, and where that is empty the bucket's
   own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from backupkeeper.core.cardrules import name_matches


@dataclass(frozen=True, kw_only=True, slots=True)
class ClassRule:
    """Originals of shoots with such names, so many days old when they are sent, go into this class."""

    storage_class: str
    shoots: str = "*"
    older_than_days: int = 0

    def holds(self, shoot: str, today: date) -> bool:
        """Whether it speaks of this shoot."""
        if not name_matches(self.shoots, shoot):
            return False
        if not self.older_than_days:
            return True
        taken = shoot_date(shoot)
        return taken is not None and (today - taken).days > self.older_than_days


def shoot_date(shoot: str) -> date | None:
    """The date with which a shoot's name begins (``YYMMDD``, of this century); None: it has none."""
    digits = shoot[:6]
    if len(digits) < len("YYMMDD") or not (digits.isascii() and digits.isdecimal()):
        return None
    try:
        return date(2000 + int(digits[:2]), int(digits[2:4]), int(digits[4:]))
    except ValueError:
        return None


def storage_class(rules: Sequence[ClassRule], usual: str, *, shoot: str, today: date) -> str:
    """The class for originals of a shoot; empty: the bucket's own.

    Args:
        rules: the person's; the first that holds counts.
        usual: where none holds.
        shoot: its name.
        today: the day on which it is sent.
    """
    for rule in rules:
        if rule.holds(shoot, today):
            return rule.storage_class
    return usual
