"""Fixtures: the real object store and the mock, and buckets opened there by our own code.

Use with ``pytest_plugins = ["tests.real.store_fixtures"]`` in a test module. Both stores run once
per session on free ports of the loopback and are stopped whatever happens.
"""

import functools
import logging
import os
import subprocess
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from botocore.loaders import Loader, create_loader
from moto.server import ThreadedMotoServer

from backupkeeper.cloud.bucket import open_bucket
from backupkeeper.cloud.keeping import Retention
from backupkeeper.cloud.s3 import S3Bucket
from backupkeeper.cloud.tuning import Tuning
from backupkeeper.core.bucket_findings import Findings
from tests.cloud.line import Line, line_to
from tests.real.store import (
    ACCESS,
    SECRET,
    Chance,
    Opener,
    Server,
    StoppedClock,
    raw_client,
    running_store,
)
from tests.world.strict_rules import World
from tests.world.strict_store import strict_store


@functools.cache
def _loader(search_path_string: str | None = None) -> Loader:
    return create_loader(search_path_string)


@pytest.fixture(scope="session")
def radosgw() -> Iterator[Server]:
    """The real store; started a second time where another program took one of its ports."""
    with ExitStack() as stack:
        try:
            server = stack.enter_context(running_store())
        except subprocess.CalledProcessError:
            server = stack.enter_context(running_store())
        yield server


@pytest.fixture(scope="session")
def moto() -> Iterator[Server]:
    """The mock, over HTTP like the real one."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        url = f"http://{host}:{port}"
        yield Server(name="moto", url=url, client=raw_client(url))
    finally:
        server.stop()


@pytest.fixture(scope="session")
def strict() -> Iterator[Server]:
    """Our own store, which does what the service's documents say."""
    with strict_store(World()) as url:
        yield Server(name="strict", url=url, client=raw_client(url))


@pytest.fixture(params=["moto", "strict", pytest.param("radosgw", marks=pytest.mark.real("store"))])
def server(request: pytest.FixtureRequest) -> Server:
    """Each store in turn."""
    found: Server = request.getfixturevalue(request.param)
    return found


@pytest.fixture
def wire(server: Server) -> Iterator[Line]:
    """A line to it that counts, and can be cut."""
    with line_to(server.url) as line:
        yield line


@pytest.fixture
def credentials(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> pytest.MonkeyPatch:
    """The stores' credentials in the environment, and no others anywhere."""
    for name in [name for name in os.environ if name.startswith("AWS_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", ACCESS)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    monkeypatch.setenv("AWS_CONFIG_FILE", str(tmp_path / "aws-config"))
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(tmp_path / "aws-credentials"))
    return monkeypatch


@pytest.fixture
def no_thread_left() -> Iterator[None]:
    """Every thread that sends parts has ended when the test has."""
    yield
    assert [thread.name for thread in threading.enumerate() if "part" in thread.name] == []


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """botocore tries again without waiting."""
    monkeypatch.setattr(
        "botocore.retries.standard.ExponentialBackoff.delay_amount", lambda self, context: 0
    )


@pytest.fixture
def one_loader(monkeypatch: pytest.MonkeyPatch) -> None:
    """botocore reads its description of the service once, not for every test."""
    monkeypatch.setattr("botocore.session.create_loader", _loader)


@pytest.fixture
def opened(credentials: None, no_thread_left: None, at_once: None, one_loader: None) -> Opener:
    """Opens a bucket (and prefix) of a store at an address."""

    def opener(
        url: str,
        location: str,
        *,
        clock: StoppedClock | None = None,
        usual_part: int = 8 * 1024 * 1024,
        attempts: int = 3,
        connect_timeout: float = 5,
        read_timeout: float = 20,
        profile: str | None = None,
        retention: Retention | None = None,
        remembered: Findings | None = None,
    ) -> S3Bucket:
        return open_bucket(
            f"s3://{location}",
            endpoint=url,
            profile=profile,
            clock=clock or StoppedClock(),
            entropy=Chance(),
            retention=retention,
            remembered=remembered,
            tuning=Tuning(
                connect_timeout=connect_timeout,
                read_timeout=read_timeout,
                attempts=attempts,
                usual_part=usual_part,
            ),
        )

    return opener
