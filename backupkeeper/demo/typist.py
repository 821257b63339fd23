"""Types the demo's commands: shows each, runs the real program, checks what it came to.

Promises:
1. A command is a process of its own: ``python -m backupkeeper`` with the interpreter at hand.
2. Its environment holds only what is set here: a home inside the demo's folder and the mock's keys.
"""

import os
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import backupkeeper
from backupkeeper.demo.stage import Stage

_PACKAGE = os.path.dirname(os.path.dirname(os.path.abspath(backupkeeper.__file__)))


@dataclass(kw_only=True, slots=True)
class Typist:
    """Runs commands on a stage. ``wrong`` gathers a sentence for each step that went astray."""

    stage: Stage
    echo: Callable[[str], object]
    wrong: list[str] = field(default_factory=list)

    @property
    def _environment(self) -> dict[str, str]:
        home = self.stage.home
        return {
            "HOME": home,
            "XDG_CONFIG_HOME": os.path.join(home, "config"),
            "XDG_DATA_HOME": os.path.join(home, "data"),
            "XDG_STATE_HOME": os.path.join(home, "state"),
            "XDG_CACHE_HOME": os.path.join(home, "cache"),
            "BACKUPKEEPER_CONFIG": self.stage.config,
            # The mock takes any keys. These are made up, and the person's own are out of sight.
            "AWS_ACCESS_KEY_ID": "demo",
            "AWS_SECRET_ACCESS_KEY": "demo",  # the mock's
            "AWS_DEFAULT_REGION": "us-east-1",
            "AWS_EC2_METADATA_DISABLED": "true",
            "LC_ALL": "C.UTF-8",
            "PYTHONPATH": _PACKAGE,
            "COLUMNS": "100",
        }

    def chapter(self, title: str) -> None:
        """Head a part of the story."""
        self.echo("")
        self.echo(f"== {title}")

    def say(self, sentence: str) -> None:
        """Tell something to the person."""
        self.echo(sentence)

    def type(self, *words: str, exits: int, shows: Iterable[str] = ()) -> None:
        """Run one command before the person's eyes and check it.

        Args:
            words: What stands after ``backupkeeper``.
            exits: The exit code that it must have.
            shows: Texts that must stand in its output.
        """
        words = self._short(words)
        line = shlex.join(("backupkeeper", *words))
        self.echo("")
        self.echo(f"$ {line}")
        with self._start(words, subprocess.STDOUT) as process:
            told = []
            for text in process.stdout or ():
                told.append(text)
                self.echo(f"  {text.rstrip()}")
        self._check(line, process.returncode, exits)
        self.expect_all(line, "".join(told), shows)

    def ask(self, *words: str, exits: int) -> str:
        """Run one command unseen, to check what came before.

        Args:
            words: What stands after ``backupkeeper``.
            exits: The exit code that it must have.

        Returns:
            What it wrote to standard output.
        """
        words = self._short(words)
        with self._start(words, subprocess.DEVNULL) as process:
            told = "".join(process.stdout or ())
        self._check(shlex.join(("backupkeeper", *words)), process.returncode, exits)
        return told

    def expect(self, *, right: bool, otherwise: str) -> None:
        """Note ``otherwise`` unless ``right``."""
        if not right:
            self.wrong.append(otherwise)

    def expect_all(self, line: str, told: str, shows: Iterable[str]) -> None:
        """Note each text of ``shows`` that ``told`` lacks."""
        flat = " ".join(told.split())
        for text in shows:
            self.expect(right=text in flat, otherwise=f"{line} did not show: {text}")

    def _start(self, words: Iterable[str], errors_to: int) -> subprocess.Popen[str]:
        return subprocess.Popen(  # noqa: S603 - our own program, words made up here
            [sys.executable, "-m", "backupkeeper", *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors_to,
            env=self._environment,
            cwd=self.stage.root,
            encoding="utf-8",
            errors="replace",
        )

    def _short(self, words: Iterable[str]) -> tuple[str, ...]:
        """The words as a person in the demo's folder types them."""
        root = self.stage.root + os.sep
        return tuple(word.removeprefix(root) for word in words)

    def _check(self, line: str, code: int, exits: int) -> None:
        self.expect(right=code == exits, otherwise=f"{line} exited {code}, not {exits}")
