"""An S3 server inside the demo, on loopback, gone when the demo ends.

Promises:
1. It listens on 127.0.0.1 only, on a port that was free.
2. It writes no line to the terminal.

It is a mock: it takes any key and refuses no wrong checksum, so what it says proves nothing, and
``upload`` fetches back everything that it sent (SEEN section 1).
"""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from backupkeeper.core.errors import UsageError


@contextmanager
def made_up_store() -> Iterator[str]:
    """Start the server, hand out its address, stop it.

    Yields:
        The address, such as ``http://127.0.0.1:49152``.

    Raises:
        UsageError: The mock is not installed.
    """
    try:
        from moto.server import ThreadedMotoServer  # noqa: PLC0415 - an extra, asked for here only
    except ImportError as error:
        raise UsageError(
            "The demo needs its mock of an object store, which is not installed.",
            advice="Install it with: python -m pip install 'backupkeeper[demo]'",
        ) from error
    logger = logging.getLogger("werkzeug")
    before = logger.level
    logger.setLevel(logging.ERROR)
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        yield f"http://{host}:{port}"
    finally:
        server.stop()
        logger.setLevel(before)
