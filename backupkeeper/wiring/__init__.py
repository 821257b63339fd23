"""The one place that builds real parts and hands them on."""

from backupkeeper.system.waiting import let_go_of_locks, waiting
from backupkeeper.wiring.keeper import Keeper, open_keeper, run_errand
from backupkeeper.wiring.settings import load_config

__all__ = ["Keeper", "let_go_of_locks", "load_config", "open_keeper", "run_errand", "waiting"]
