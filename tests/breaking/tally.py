"""What was done in all stories, so that a long run can show that it did something."""

from collections import Counter
from typing import Final

TALLY: Final[Counter[str]] = Counter()
