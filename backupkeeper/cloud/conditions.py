"""Finding out whether a store sees to it itself that only one certain object is replaced.

Promises:
1. A condition counts only where the right ETag was accepted and a wrong one refused (412), for an
   upload in one piece and for one in parts each for itself. How an ETag is written there is part of
   it: seen was a store that knows no ETag in quotes on put, and one that ignores the condition on
   complete.
2. All that is tried is done to scratch objects, as in ``cloud.capabilities``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from backupkeeper.cloud.capabilities import ANY, TAKEN, WHOLE, Trial
from backupkeeper.cloud.client import Store

_FORMS: Final = ('"{}"', "{}")
_NO_ETAG: Final = "0" * 32


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacing:
    """How ``If-Match`` is written so that this store heeds it; None where it does not."""

    put: str | None = None
    complete: str | None = None

    def condition(self, etag: str, *, in_parts: bool) -> dict[str, str]:
        """boto3's parameters for "only over the object with this ETag"; empty where unheeded."""
        form = self.complete if in_parts else self.put
        return {} if form is None else {"IfMatch": form.format(etag)}


def find_conditions(store: Store) -> Replacing:
    """Try a bucket: about ten small requests.

    Args:
        store: The bucket.

    Returns:
        What it was seen to heed.

    Raises:
        BackupkeeperError: It can't be reached, or can't be written to.
    """
    trial = Trial(store=store)
    try:
        return Replacing(put=_on_put(trial), complete=_on_complete(trial))
    finally:
        trial.clean_up()


def _on_put(trial: Trial) -> str | None:
    etag = trial.plain_etag()
    return _heeded(trial, etag, lambda value: trial.put(ANY, IfMatch=value))


def _on_complete(trial: Trial) -> str | None:
    with trial.store.asking(WHOLE):
        trial.in_one_part(WHOLE)
    # The ETag is not in every store's answer to complete (SEEN section 1).
    made = trial.store.head(WHOLE)
    etag = "" if made is None else made.entry.etag
    return _heeded(trial, etag, lambda value: trial.in_one_part(WHOLE, IfMatch=value))


def _heeded(trial: Trial, etag: str, ask: Callable[[str], object]) -> str | None:
    """The first way of writing an ETag that lets the right one pass, if no wrong one passes so."""
    for form in _FORMS:
        if trial.takes(partial(ask, form.format(etag))):
            wrong = partial(ask, form.format(_NO_ETAG))
            return form if trial.turned_down(wrong, frozenset(), TAKEN) else None
    return None
