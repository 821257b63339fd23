"""What was found out about a bucket before, and how far that is believed.

Promise: a memory spares the trying, never the doubt. Before anything is sent on its word, one wrong
request is made that the store was seen to refuse; taken now, nothing of the memory is believed. It is
the check on which the proof of parts rests: MD5 is left out where another one is seen to
(``cloud.checks.leaves_md5_out``).
"""

from typing import Final

from backupkeeper.cloud.capabilities import Trial
from backupkeeper.cloud.checks import EXTRAS, MD5, PAYLOAD
from backupkeeper.cloud.client import Store
from backupkeeper.cloud.trying import capabilities_of
from backupkeeper.core.bucket_findings import Findings
from backupkeeper.ports.bucket import Capabilities

_WEIGHTIEST_FIRST: Final = (PAYLOAD, *EXTRAS, MD5)


def believed(store: Store, remembered: Findings) -> Capabilities | None:
    """What is remembered, if the store still does what matters most of it.

    Raises:
        BackupkeeperError: It can't be reached, or can't be written to.
    """
    can = capabilities_of(remembered)
    check = next((name for name in _WEIGHTIEST_FIRST if name in can.refuses_wrong), None)
    if check is None:
        return can  # nothing that it says is believed anyway
    trial = Trial(store=store)
    try:
        return can if trial.refuses_wrong_put(check) else None
    finally:
        trial.clean_up()
