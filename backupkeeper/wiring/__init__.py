"""The one place that builds real parts and hands them on.

The Keeper's parts are loaded when it is first asked for: that takes longer than many an answer.
"""

from typing import TYPE_CHECKING, Any

from backupkeeper.system.waiting import let_go_of_locks, waiting
from backupkeeper.wiring.settings import load_config

if TYPE_CHECKING:
    from backupkeeper.wiring.keeper import Keeper, open_keeper, run_errand

__all__ = ["Keeper", "let_go_of_locks", "load_config", "open_keeper", "run_errand", "waiting"]


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever goes by that name
    if name not in __all__:
        raise AttributeError(name)
    from backupkeeper.wiring import keeper  # noqa: PLC0415 - see above

    return getattr(keeper, name)
