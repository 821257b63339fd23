"""What can happen to a request on a bad line, drawn from a seed: no sockets here.

The draw depends on the seed, on what is asked, and on how often that was asked before, not on the
order in which threads ask: the same seed tells the same story, as far as a story can be told again.
"""

import random
import re
import threading
from collections import Counter
from dataclasses import dataclass
from enum import StrEnum, auto


class Misfortune(StrEnum):
    """One of them. The store is asked only where it says so."""

    DROPPED = auto()
    """The connection breaks before anything reaches the store."""
    CUT_FORTH = auto()
    """Part of the request reaches the store, then the connection breaks on both sides."""
    FLIPPED_FORTH = auto()
    """The store is asked, with one bit of the body changed (of the head where there is no body)."""
    FLIPPED_HEAD = auto()
    """The store is asked, with one bit of the head changed."""
    TWICE = auto()
    """The store is asked twice; the second answer comes back."""
    LATE = auto()
    """The store is asked, and once more some requests later."""
    LOST = auto()
    """The store is asked; the answer does not come back, the connection breaks."""
    RESET = auto()
    """The store is asked; a piece of the answer comes back, then the connection is reset."""
    CUT_BACK = auto()
    """The store is asked; the answer stops somewhere in the middle, quietly."""
    FLIPPED_BACK = auto()
    """The store is asked; one bit of the answer's body is changed (or of its head, if there is none)."""
    FLIPPED_HEAD_BACK = auto()
    """The store is asked; one bit of the answer's head is changed."""
    SILENT = auto()
    """Nobody is asked and nobody answers: half-open."""
    DEAF = auto()
    """The store is asked; the answer never comes, and the connection stays open."""
    BROKEN = auto()
    """Answered with 500 by somebody on the way."""
    BUSY = auto()
    """Answered with 503."""
    BUSY_AFTER = auto()
    """The store is asked; its answer is replaced by a 503."""
    PAGE = auto()
    """Answered with a login page and 200."""
    PAGE_AFTER = auto()
    """The store is asked; its answer is replaced by a page."""
    EMPTY = auto()
    """Answered with 200 and nothing."""
    REDIRECT = auto()
    """Answered with a redirect to a login page."""
    SLOW = auto()
    """The store is asked; the answer takes a moment."""


@dataclass(frozen=True, kw_only=True)
class Fate:
    """What happens to one request. ``where``, from 0 to 1, says where in the bytes."""

    what: Misfortune
    where: float
    bit: int


_CHANCE = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}|(?<=uploadId=)[^&]+|[0-9a-f]{32}")
"""What differs from run to run in an address: random ids."""


class Fates:
    """Draws what happens to each request of one seed's line.

    Args:
        seed: Which story.
        misfortunes: Which may happen; all of them by default.
    """

    def __init__(self, seed: int, misfortunes: tuple[Misfortune, ...] = tuple(Misfortune)) -> None:
        self._seed = seed
        self._misfortunes = misfortunes
        self._asked: Counter[str] = Counter()
        self._lock = threading.Lock()
        chance = random.Random(seed)
        self.rate = chance.choice((0.03, 0.1, 0.2, 0.35))
        self._calm = chance.choice((0, 0, 30, 60, 70, 80))
        """So many requests go well at first: a store is asked much before anything is sent."""
        self.told: list[str] = []
        """What happened, for who reads a failure."""

    def of(self, method: str, address: str) -> Fate | None:
        """What happens to this request; None: it goes well."""
        mark = f"{method} {_CHANCE.sub('*', address)}"
        with self._lock:
            self._asked[mark] += 1
            if self._asked.total() <= self._calm:
                return None
            chance = random.Random(f"{self._seed} {mark} {self._asked[mark]}")
            if chance.random() >= self.rate:
                return None
            fate = Fate(
                what=chance.choice(self._misfortunes),
                where=chance.random(),
                bit=1 << chance.randrange(8),
            )
            self.told.append(f"{fate.what} at {fate.where:.2f}: {method} {address}")
            return fate
