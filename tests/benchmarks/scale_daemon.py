"""``status`` beside a running daemon on a large catalog: prints one JSON object.

No drive is here and no upload may begin (its hours are over), so the daemon only looks and answers. ``began``:
processor of the daemon till its first answer; ``answer``: seconds that its ear takes to answer, the middle of five;
``status`` and ``seconds``: what the command takes of processor, and in all, the middle of five; ``busy``: processor
of the daemon for one answer.
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

from backupkeeper.daemon.control import ask
from tests.benchmarks.stand import CHECKOUT

PATIENCE_S = 600.0
TIMES = 5


def configured(folder: Path, catalog: str) -> dict[str, str]:
    """The environment of both."""
    begin = datetime.now().astimezone() + timedelta(hours=6)
    window = f"{begin:%H:%M}-{begin + timedelta(minutes=1):%H:%M}"
    (folder / "media").mkdir(exist_ok=True)
    (folder / "daemon.toml").write_text(
        f'[catalog]\npath = "{catalog}"\n[watch]\nmedia = ["{folder}/media"]\n'
        f'[upload]\nwindows = ["{window}"]\n[log]\nfile = "{folder}/log.jsonl"\n'
    )
    return {
        "PATH": os.environ["PATH"],
        "HOME": str(folder),
        "PYTHONPATH": CHECKOUT,
        "BACKUPKEEPER_CONFIG": str(folder / "daemon.toml"),
        "AWS_EC2_METADATA_DISABLED": "true",
    }


def used(process: int) -> float:
    """Seconds of processor that a process has used till now."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def until(answer: Callable[[], dict[str, Any] | None]) -> None:
    begun = time.monotonic()
    while not (answer() or {}).get("status"):
        assert time.monotonic() - begun < PATIENCE_S, "the daemon said nothing"
        time.sleep(0.05)


def one_status(environ: dict[str, str]) -> tuple[float, float]:
    """Seconds of processor, and in all."""
    begun = time.monotonic()
    with subprocess.Popen(
        [sys.executable, "-m", "backupkeeper", "status", "--json"],
        env=environ,
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        said = process.stdout.read()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert json.loads(said)["process"] is not None, "no daemon answered"
    return usage.ru_utime + usage.ru_stime, time.monotonic() - begun


def main() -> None:
    """On the catalog that is named first."""
    catalog = Path(sys.argv[1])
    environ = configured(catalog.parent, str(catalog))
    ear = f"{catalog}.locks"
    with subprocess.Popen(
        [sys.executable, "-m", "backupkeeper", "run"],
        env=environ,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as daemon:
        try:
            until(lambda: ask(ear, "status"))
            answers, before = [], used(daemon.pid)
            for _ in range(TIMES):
                begun = time.monotonic()
                until(lambda: ask(ear, "status"))
                answers.append(time.monotonic() - begun)
            busy = (used(daemon.pid) - before) / TIMES
            took = [one_status(environ) for _ in range(TIMES)]
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(30)
    told = {
        "began": before,
        "answer": median(answers),
        "busy": busy,
        "status": median(processor for processor, _ in took),
        "seconds": median(seconds for _, seconds in took),
    }
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    main()
