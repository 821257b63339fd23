"""The whole job on made-up drives, cards and a bucket, in under a minute.

Promises:
1. Only the folder that was named is touched: the commands get a home, a configuration and keys
   of their own, and nothing of the person's.
2. Every command is the real one, started as a person starts it, shown before its output.
3. Every step is checked; the demo exits 0 only if each came out as it should.

    run_demo("demo-world", print)
"""

from collections.abc import Callable

from backupkeeper.demo.stage import set_up
from backupkeeper.demo.store import made_up_store
from backupkeeper.demo.story import tell
from backupkeeper.demo.typist import Typist

ALL_WELL = 0
NOT_AS_TOLD = 3


def run_demo(directory: str, echo: Callable[[str], object]) -> int:
    """Play the whole job in a folder that is kept.

    Args:
        directory: Where; not there yet, empty, or made by a former demo (which is replaced).
        echo: Gets each line for the person, without its line end.

    Returns:
        0 if every step came out as it should, else 3.

    Raises:
        UsageError: The folder holds something else, or the mock of an object store is missing.
        WriteError: The folder can't be written.
    """
    stage = set_up(directory)
    with made_up_store() as address:
        typist = Typist(stage=stage, echo=echo)
        tell(stage, typist, address)
    return sum_up(typist)


def sum_up(typist: Typist) -> int:
    """Tell what went astray; the exit code that follows from it."""
    for wrong in typist.wrong:
        typist.echo(f"NOT AS IT SHOULD BE: {wrong}")
    return NOT_AS_TOLD if typist.wrong else ALL_WELL
