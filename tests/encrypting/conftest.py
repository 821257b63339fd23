"""An encrypting bucket on the mock: what the stores differ in lies beneath; the stories use the real one."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from backupkeeper.actions import encrypting
from backupkeeper.catalog.store import open_catalog
from tests.catalog.made import Watch
from tests.encrypting.holding import IN_MEMORY_BYTES
from tests.real.store import Opener, Server
from tests.world.encrypting import Vault


@pytest.fixture
def server(moto: Server) -> Server:
    """The mock will do: what the stores differ in is beneath; the stories use the real one too."""
    return moto


@pytest.fixture(autouse=True)
def small_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(encrypting, "IN_MEMORY_BYTES", IN_MEMORY_BYTES)


@pytest.fixture
def name(server: Server) -> str:
    return server.new_bucket()


@pytest.fixture
def vault(opened: Opener, server: Server, name: str, tmp_path: Path) -> Iterator[Vault]:
    (tmp_path / "spool").mkdir()
    with closing(open_catalog(str(tmp_path / "c.sqlite"), clock=Watch())) as catalog:
        vault = Vault(inner=opened(server.url, f"{name}/shelf"), catalog=catalog, folder=tmp_path)
        vault.show()
        yield vault


@pytest.fixture(params=[False, True], ids=["names readable", "names hidden"])
def either(vault: Vault, request: pytest.FixtureRequest) -> Vault:
    vault.hide_names = request.param
    vault.show()
    return vault
