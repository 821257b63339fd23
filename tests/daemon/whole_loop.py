"""A loop with all its real parts, put together as the daemon does it; nothing of it runs yet."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from backupkeeper.daemon.loop import Loop
from backupkeeper.daemon.sd_notify import Supervisor
from backupkeeper.system.clock import RealClock
from backupkeeper.wiring.daemon import _Daemon
from backupkeeper.wiring.keeper import Keeper
from backupkeeper.wiring.settings import config_of


@contextmanager
def whole_loop(root: Path) -> Iterator[Loop]:
    text = f'[catalog]\npath = "{root}/catalog.sqlite"\n[log]\nfile = "{root}/log"\n'
    clock = RealClock()
    with Keeper(config_of(text, f"{root}/config.toml", {}), clock=clock) as keeper:
        supervisor = Supervisor({}, process=1, seconds=clock.monotonic)
        yield _Daemon(
            keeper.context,
            f"{root}/config.toml",
            {},
            text,
            ahead=timedelta(0),
            supervisor=supervisor,
        ).loop
