"""The one place that builds real parts and hands them on."""

from backupkeeper.wiring.keeper import Keeper, load_config, open_keeper, run_errand

__all__ = ["Keeper", "load_config", "open_keeper", "run_errand"]
