"""How many requests travel at once: as many as help, fewer where the store or the line has enough.

Promises:
1. Never fewer than one, never more than ``most``.
2. More are tried only where the last time that more were tried it helped by ``GAIN``; what did not
   help is taken back, and tried again only after ``REST`` rounds (lines change).
3. A sign that it is too much halves them at once.

A round is a stretch of work with ``allowed`` requests on their way all the time; who counts it is
``cloud.gate``.
"""

from dataclasses import dataclass, replace
from typing import Final

GAIN: Final = 1.1
"""Twice as many must bring at least so many times as much."""
REST: Final = 10
"""Rounds before more are tried again."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Crowding:
    """How many are ``allowed`` now.

    ``fewer`` and ``rate`` tell, while more are being tried, how many there were before and how much
    came of it (in any unit a second).
    """

    most: int
    allowed: int
    fewer: int | None = None
    rate: float = 0.0
    rest: int = 0


def beginning(most: int, start: int) -> Crowding:
    """How many to begin with.

    Args:
        most: what the person allows.
        start: what is enough to learn something.
    """
    most = max(1, most)
    return Crowding(most=most, allowed=max(1, min(most, start)))


def after_round(now: Crowding, rate: float) -> Crowding:
    """How many after a round.

    Args:
        now: how many there were.
        rate: how much was done a second.
    """
    if now.fewer is not None and rate < now.rate * GAIN:
        return replace(now, allowed=now.fewer, fewer=None, rest=REST)
    if now.rest:
        return replace(now, rest=now.rest - 1)
    more = min(now.most, 2 * now.allowed)
    if more == now.allowed:
        return replace(now, fewer=None)
    return replace(now, allowed=more, fewer=now.allowed, rate=rate)


def after_too_much(now: Crowding) -> Crowding:
    """How many after a sign that it is too much: a store that asks for fewer, an answer that is late."""
    return replace(now, allowed=max(1, now.allowed // 2), fewer=None, rest=REST)
