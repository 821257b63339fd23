"""A line to a store that is far away: every byte takes its time, none is lost, in a process of its own.

``python -m tests.benchmarks.far_line HOST PORT MILLISECONDS`` prints the port on which it listens; it
ends with its standard input. Half of the time is spent on the way there, half on the way back.
"""

import asyncio
import contextlib
import subprocess
import sys
from collections.abc import Iterator
from urllib.parse import urlsplit

_PIECE = 256 * 1024


async def _carry(
    source: asyncio.StreamReader, target: asyncio.StreamWriter, seconds: float
) -> None:
    """Bring everything over, each piece so much later than it came."""
    loop = asyncio.get_running_loop()
    way: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(maxsize=64)

    async def deliver() -> None:
        while True:
            due, piece = await way.get()
            await asyncio.sleep(max(0.0, due - loop.time()))
            if not piece:
                break
            target.write(piece)
            await target.drain()

    delivering = asyncio.create_task(deliver())
    with contextlib.suppress(OSError):
        while piece := await source.read(_PIECE):
            await way.put((loop.time() + seconds, piece))
    await way.put((loop.time() + seconds, b""))
    with contextlib.suppress(OSError):
        await delivering
    target.close()


async def _serve(host: str, port: int, seconds: float) -> None:
    async def met(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, back = await asyncio.open_connection(host, port)
        await asyncio.gather(_carry(reader, back, seconds / 2), _carry(there, writer, seconds / 2))

    server = await asyncio.start_server(met, "127.0.0.1", 0)
    sys.stdout.write(f"{server.sockets[0].getsockname()[1]}\n")
    sys.stdout.flush()
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    server.close()


@contextlib.contextmanager
def far_line(url: str, *, milliseconds: float) -> Iterator[str]:
    """A line to ``url`` with so much round trip; yields its own address."""
    address = urlsplit(url)
    command = [sys.executable, "-m", "tests.benchmarks.far_line"]
    with subprocess.Popen(
        [*command, str(address.hostname), str(address.port), str(milliseconds)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as line:
        try:
            assert line.stdout is not None
            yield f"http://127.0.0.1:{int(line.stdout.readline())}"
        finally:
            line.kill()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]) / 1000))
