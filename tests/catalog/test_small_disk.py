"""A real disk that fills up, and one that turns read-only, under the catalog."""

import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.errors import CatalogError
from tests.catalog.made import MAIN, Watch, fact

pytestmark = [pytest.mark.real("ext4"), pytest.mark.slow]


def run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A mounted ext4 of 4 MiB."""
    image, mounted = tmp_path / "image", tmp_path / "mounted"
    with image.open("wb") as file:
        file.truncate(4 * 1024 * 1024)
    mounted.mkdir()
    run("mkfs.ext4", "-q", "-m", "0", str(image))
    run("mount", "-o", "loop", str(image), str(mounted))
    try:
        yield mounted
    finally:
        run("umount", str(mounted))


def test_on_a_full_disk_the_step_is_lost_and_nothing_before_it(disk: Path) -> None:
    """Blocks of 1 KiB: here SQLite's own file of locks once killed the program (SIGBUS)."""
    (disk / "filler").write_bytes(bytes(1024 * 1024))
    file = str(disk / "catalog.sqlite")
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.record(facts=[fact()])
        with pytest.raises(CatalogError, match="There is no room left") as caught:
            catalog.record(facts=[fact(n, path=f"{n}" + "x" * 200) for n in range(20_000)])
        assert "Make room on that disk" in caught.value.advice
        assert list(catalog.facts_at(MAIN)) == [fact()]
    with pytest.raises(CatalogError, match="There is no room left"):
        open_catalog(file, clock=Watch())
    (disk / "filler").unlink()
    with closing(open_catalog(file, clock=Watch())) as catalog:
        assert list(catalog.facts_at(MAIN)) == [fact()]
        catalog.record(facts=[fact(2)])


def fill_up(file: Path) -> None:
    with file.open("wb", buffering=0) as filler:
        while True:
            filler.write(bytes(4096))


def test_a_disk_too_full_to_make_the_catalog_is_told(disk: Path) -> None:
    with pytest.raises(OSError, match="No space"):
        fill_up(disk / "filler")
    with pytest.raises(CatalogError, match="There is no room left"):
        open_catalog(str(disk / "catalog.sqlite"), clock=Watch())


def test_on_a_read_only_disk_it_is_told_with_what_to_do(disk: Path) -> None:
    file = str(disk / "catalog.sqlite")
    with closing(open_catalog(file, clock=Watch())) as catalog:
        catalog.record(facts=[fact()])
    run("mount", "-o", "remount,ro", str(disk))
    for there in (file, str(disk / "new" / "catalog.sqlite")):
        with pytest.raises(CatalogError, match="can't be opened or written") as caught:
            open_catalog(there, clock=Watch())
        assert "name another file under [catalog] path" in caught.value.advice
