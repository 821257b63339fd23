"""What a person asks for who puts a new place where an old one was."""

from dataclasses import dataclass

from backupkeeper.core.model import Standing


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacement:
    """``old``: the old place's name; ``where``: a path, or ``s3://…``; ``name``: of the new place.

    ``standing``: how the old one stands then. The rest as in ``place add``.
    """

    old: str
    where: str
    name: str
    standing: Standing = Standing.LOST
    folder: bool = False
    endpoint: str | None = None
    profile: str | None = None
