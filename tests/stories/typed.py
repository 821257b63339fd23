"""Commands typed as a person types them, and what came back: for the stories that go wrong."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from backupkeeper.cli.main import main
from backupkeeper.ports.progress import Quiet
from tests.stories.yard import NO_CLOUD, SHOOT, HandClock, Yard

DISTINCT = 'wipe_needs = ["primary", "secondary"]'
"""The policy of the road: two drives, each a device of its own."""


@dataclass(frozen=True, kw_only=True)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def all(self) -> str:
        """Both streams."""
        return self.out + self.err

    @property
    def json(self) -> Any:
        """The one object on standard output."""
        return json.loads(self.out)


def typed(yard: Yard, *words: str, config: Path | None = None) -> Said:
    """Type a command. Whatever happens, no bug and no raw control byte may come out."""
    named = ["--config", str(config or yard.root / "config.toml")]
    done = CliRunner().invoke(main, [*named, *words])
    said = Said(code=done.exit_code, out=done.stdout, err=done.stderr)
    for sign in ("Traceback", "should not happen", "\x1b", "\x07"):
        assert sign not in said.all, said.all
    return said


def offloaded(yard: Yard, card: Path, *more: str, source: str = "Wide") -> Said:
    """``offload`` with the usual names."""
    return typed(yard, "offload", str(card), "--shoot", SHOOT, "--source", source, *more)


def judged(yard: Yard, card: Path) -> tuple[str, set[str]]:
    """The verdict's word and the codes of its reasons; the exit code must agree."""
    said = typed(yard, "may-wipe", str(card), "--json")
    word = said.json["verdict"]
    assert said.code == (0 if word == "yes" else 1)
    return word, {reason["code"] for reason in said.json["reasons"]}


def yard_of_today(root: Path, policy: str = NO_CLOUD) -> Yard:
    """A yard whose own clock agrees with that of typed commands."""
    return Yard(root, policy=policy, clock=HandClock(at=datetime.now(UTC)))


@dataclass
class AtAdvance(Quiet):
    """Does something when work has come so far: at the nth call of ``advance``."""

    number: int
    deed: Callable[[], None]
    seen: int = field(default=0)

    def advance(self, byte_count: int, *, files: int = 0) -> None:
        self.seen += 1
        if self.seen == self.number:
            self.deed()
