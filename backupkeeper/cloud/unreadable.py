"""Answers that the library itself fails on: what a hostile store can have it raise becomes one error of its own.

botocore trusts the form of an answer once it is XML: an error code that is an element, a list of what should
be a record, a redirect in a ring, and it raises ``TypeError``, ``KeyError``, ``RecursionError`` … from within.
"""

from collections.abc import Iterator
from types import TracebackType
from typing import Any, Final

from botocore.parsers import ResponseParserError

_RAISED: Final = (
    *(TypeError, AttributeError, LookupError, RecursionError, ArithmeticError, ValueError),
)
_THEIRS: Final = ("botocore.", "dateutil.", "urllib3.")
_READS: Final = "botocore.parsers"


def tell_unreadable(client: Any) -> None:  # noqa: ANN401 - a client's class is made at run time
    """Have a client raise ``ResponseParserError`` where the library fails on an answer.

    What code of ours raises, called by the library, leaves as it is: that is a bug, and is told as one.
    So does a ``ValueError`` that came of no answer: an address that is none.
    """
    real = client._make_api_call  # noqa: SLF001 - what every operation goes through; there is no event for it

    def call(operation_name: str, api_params: dict[str, Any]) -> Any:  # noqa: ANN401 - as above
        try:
            return real(operation_name, api_params)
        except _RAISED as error:
            came = list(_modules(error.__traceback__))
            # A stack that is full is full anywhere.
            if not isinstance(error, RecursionError) and not came[-1].startswith(_THEIRS):
                raise
            if isinstance(error, ValueError) and _READS not in came:
                raise
            raise ResponseParserError(f"An answer of no known form ({error!r}).") from error

    client._make_api_call = call  # noqa: SLF001 - as above


def _modules(trace: TracebackType | None) -> Iterator[str]:
    """In which modules it passed, the one that raised it last."""
    while trace is not None:
        yield str(trace.tb_frame.f_globals.get("__name__", ""))
        trace = trace.tb_next
