"""Ctrl-C and kill -9 at many moments: no wrong bytes, and the same command completes the work."""

import os
import signal
import subprocess
import sys
import traceback
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn, cast

import pytest

from backupkeeper.core.model import Role
from backupkeeper.manifests.mhl_model import CHAIN_NAME
from backupkeeper.ports.files import Files
from backupkeeper.system.files import RealFiles
from backupkeeper.transfer import batches
from backupkeeper.transfer.durable import is_temp_name
from tests.stories.typed import AtAdvance, judged, offloaded, typed, yard_of_today
from tests.stories.yard import QUIET, SHOOT, Yard, clip, roll_folder, tree
from tests.world.killing import Faults

MiB = 1 << 20
CARD = {
    "DCIM/100BOATY/BOAT0001.MP4": clip(1, 5 * MiB + 7),
    "DCIM/100BOATY/BOAT0002.MP4": clip(2),
    "DCIM/100BOATY/BOAT0001.XML": b"<clip/>\n",
    "MISC/INDEX.DAT": b"",
}
LONG_AGO_NS = 1_500_000_000_000_000_000


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    return yard_of_today(tmp_path)


@pytest.fixture(autouse=True)
def one_file_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    """One file is brought over alone, the others in a batch, without gigabytes."""
    monkeypatch.setattr(batches, "LARGE_BYTES", MiB)


def boat_yard(yard: Yard) -> tuple[Path, Path, Path]:
    """Two drives and a card whose files are old."""
    main, travel = yard.drives()
    card = yard.card("card", CARD)
    (card / "EMPTY").mkdir()
    for path in CARD:
        os.utime(card / path, ns=(LONG_AGO_NS, LONG_AGO_NS))
    return main, travel, card


def no_wrong_bytes(*drives: Path) -> None:
    """Whatever has a final name in the roll's folder has the card's bytes."""
    for drive in drives:
        for path, data in tree(drive / SHOOT).items():
            if is_temp_name(Path(path).name):
                continue
            name = path.removeprefix("Originals/Wide/Roll 01/")
            assert data == CARD[name], f"{drive.name}: {name}"


def completed_by_the_same_command(yard: Yard, main: Path, travel: Path, card: Path) -> None:
    """The end is that of an undisturbed run, to the byte, the time and the name."""
    no_wrong_bytes(main, travel)
    assert judged(yard, card)[0] == "no" or whole(main, travel)
    said = offloaded(yard, card, "--json")
    assert said.code == 0, said.all
    assert whole(main, travel)
    for drive in (main, travel):
        assert [path.name for path in drive.iterdir() if path.name != ".backupkeeper"] == [SHOOT]
        assert [path.name for path in (drive / SHOOT / "Originals/Wide").iterdir()] == ["Roll 01"]
        assert (roll_folder(drive) / "EMPTY").is_dir()
        names = [path.name for path in (roll_folder(drive) / "ascmhl").iterdir()]
        assert [name for name in names if is_temp_name(name)] == []
        assert any(name.endswith(".mhl") for name in names)
    assert judged(yard, card) == ("yes", set())
    assert typed(yard, "verify").code == 0
    again = offloaded(yard, card, "--json")
    assert (again.code, again.json["new_files"], again.json["resumed_files"]) == (0, 0, 0)


def whole(*drives: Path) -> bool:
    return all(
        tree(roll_folder(drive)) == CARD
        and all((roll_folder(drive) / path).stat().st_mtime_ns == LONG_AGO_NS for path in CARD)
        for drive in drives
    )


def history(drive: Path) -> list[str]:
    return sorted(path.name for path in (roll_folder(drive) / "ascmhl").iterdir())


@pytest.mark.parametrize("chain_too", [True, False])
def test_a_manifest_that_the_chain_does_not_name_yet_is_named_if_it_tells_what_is_known(
    yard: Yard, chain_too: bool
) -> None:
    main, _, card = boat_yard(yard)
    assert offloaded(yard, card).code == 0
    chain = roll_folder(main) / "ascmhl/ascmhl_chain.xml"
    before = chain.read_bytes()
    if chain_too:
        chain.unlink()  # killed after the very first manifest
    else:
        assert typed(yard, "verify").code == 0
        chain.write_bytes(before)  # killed after the second
    names = history(main)
    assert typed(yard, "verify", "Main").code == 0
    assert history(main) != names
    assert set(names) <= set(history(main))
    assert typed(yard, "verify", "Main").code == 0


@pytest.mark.parametrize(
    "lie", [(b"verified", b"failed"), (b"<tool", b"<tooth"), (b"</hashlist>", b""), (b"0", b"1")]
)
def test_a_manifest_beside_the_chain_that_lies_is_told_and_left(
    yard: Yard, lie: tuple[bytes, bytes]
) -> None:
    main, _, card = boat_yard(yard)
    assert offloaded(yard, card).code == 0
    folder = roll_folder(main) / "ascmhl"
    before = (folder / "ascmhl_chain.xml").read_bytes()
    first = set(history(main))
    assert typed(yard, "verify").code == 0
    (folder / "ascmhl_chain.xml").write_bytes(before)
    (second,) = set(history(main)) - first
    data = (folder / second).read_bytes()
    (folder / second).write_bytes(data.replace(*lie))
    names, lying = history(main), (folder / second).read_bytes()
    said = typed(yard, "verify", "Main")
    assert (said.code, "is not in the chain" in " ".join(said.out.split())) == (1, True)
    assert history(main) == names
    assert (folder / second).read_bytes() == lying
    assert (folder / "ascmhl_chain.xml").read_bytes() == before
    assert judged(yard, card) == ("yes", set())  # the copies themselves are well


def interrupt() -> NoReturn:
    raise KeyboardInterrupt


@pytest.mark.slow
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_after_ctrl_c_the_same_command_goes_on(yard: Yard, number: int) -> None:
    main, travel, card = boat_yard(yard)
    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.offload(
            str(card),
            shoot=SHOOT,
            source="Wide",
            roll=None,
            progress=AtAdvance(number, interrupt),
        )
    completed_by_the_same_command(yard, main, travel, card)


def test_after_ctrl_c_a_mirror_goes_on(yard: Yard) -> None:
    main = yard.drive("Main", Role.PRIMARY)
    card = yard.card("card", CARD)
    assert offloaded(yard, card).code == 0
    travel = yard.drive("Travel", Role.SECONDARY)
    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.mirror(progress=AtAdvance(3, interrupt))
    no_wrong_bytes(main, travel)
    assert typed(yard, "mirror").code == 0
    assert tree(roll_folder(travel)) == tree(roll_folder(main)) == CARD
    assert judged(yard, card) == ("yes", set())


def test_after_ctrl_c_a_verify_keeps_what_it_read(yard: Yard) -> None:
    _, _, card = boat_yard(yard)
    assert offloaded(yard, card).code == 0
    with yard.keeper() as keeper, pytest.raises(KeyboardInterrupt):
        keeper.verify(None, progress=AtAdvance(4, interrupt))
    assert judged(yard, card) == ("yes", set())
    assert typed(yard, "verify").code == 0


class Counting(Faults[Files]):
    """Kills this very process, as kill -9 does, at the nth system call of the work."""

    @classmethod
    def until(cls, number: int, only: frozenset[str] = frozenset()) -> Files:
        return cls.around(cast("Files", RealFiles()), at=number, only=only).port

    def __getattr__(self, name: str) -> Callable[..., Any]:
        call = super().__getattr__(name)

        def deadly(*args: Any, **named: Any) -> Any:
            try:
                return call(*args, **named)
            except BaseException:
                if self._dead:
                    os.kill(os.getpid(), signal.SIGKILL)
                raise

        return deadly


def offload_with(yard: Yard, card: Path, files: Files) -> None:
    with yard.keeper() as keeper:
        keeper._context = replace(keeper._context, files=files)
        keeper.offload(
            str(card), shoot=SHOOT, source="Wide", roll=None, progress=AtAdvance(0, interrupt)
        )


def killed_in_a_child(yard: Yard, card: Path, number: int) -> bool:
    """Run an offload in a process of its own; whether it was killed before it was done."""
    return dies(lambda: offload_with(yard, card, Counting.until(number)))


def dies(deed: Callable[[], None]) -> bool:
    """Do it in a process of its own; whether that was killed before it was done."""
    child = os.fork()
    if child == 0:
        try:
            deed()
            os._exit(0)
        except BaseException:  # noqa: BLE001 - the child must end here, whatever it met
            traceback.print_exc()
            os._exit(1)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return os.WTERMSIG(status) == signal.SIGKILL
    assert os.waitstatus_to_exitcode(status) == 0
    return False


def test_a_mirror_killed_before_the_chain_names_its_manifest_names_it_when_it_goes_on(
    yard: Yard,
) -> None:
    # Found by tests/breaking: the last file's fact is recorded after the manifest.
    yard.drive("Main", Role.PRIMARY)
    assert offloaded(yard, yard.card("card", CARD)).code == 0
    travel = yard.drive("Travel", Role.SECONDARY)

    def mirror() -> None:
        with yard.keeper() as keeper:
            files = Counting.until(1, only=frozenset({"rename_over"}))
            keeper._context = replace(keeper.context, files=files)
            keeper.mirror(progress=QUIET)

    assert dies(mirror)
    left = history(travel)
    assert CHAIN_NAME not in left
    assert typed(yard, "mirror").code == 0
    assert history(travel) == [*(name for name in left if name.endswith(".mhl")), CHAIN_NAME]


def calls_of_an_offload(root: Path) -> int:
    root.mkdir()
    yard = yard_of_today(root)
    _, _, card = boat_yard(yard)
    faults = Faults.around(cast("Files", RealFiles()))
    offload_with(yard, card, faults.port)
    return len(faults.calls)


PARTS = 12
"""The killings are spread over the whole of the work, in so many steps."""


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
def test_after_kill_9_the_same_command_completes(tmp_path: Path, part: int) -> None:
    number = 1 + calls_of_an_offload(tmp_path / "counted") * (2 * part + 1) // (2 * PARTS)
    (tmp_path / "killed").mkdir()
    yard = yard_of_today(tmp_path / "killed")
    main, travel, card = boat_yard(yard)
    assert killed_in_a_child(yard, card, number)
    completed_by_the_same_command(yard, main, travel, card)


@pytest.mark.slow
def test_killed_again_and_again_it_still_ends_well(yard: Yard) -> None:
    main, travel, card = boat_yard(yard)
    kills = 0
    for number in range(60, 2_000, 60):
        if not killed_in_a_child(yard, card, number):
            break
        kills += 1
        no_wrong_bytes(main, travel)
    assert kills > 1
    completed_by_the_same_command(yard, main, travel, card)


@pytest.mark.slow
@pytest.mark.real("strace")
@pytest.mark.parametrize(
    ("call", "when"),
    [
        ("fdatasync", 2),
        ("fsync", 3),
        ("pwrite64", 12),
        ("renameat2", 3),
        ("rename", 1),
        ("mkdir", 4),
    ],
)
def test_killed_at_a_system_call_the_program_completes(yard: Yard, call: str, when: int) -> None:
    # The catalog's own calls are among these, which the port of the files does not see.
    main, travel, card = boat_yard(yard)
    command = [sys.executable, "-m", "backupkeeper", "--config", str(yard.root / "config.toml")]
    command += ["offload", str(card), "--shoot", SHOOT, "--source", "Wide"]
    trap = f"inject={call}:signal=KILL:when={when}"
    done = subprocess.run(
        ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", trap, *command],
        check=False,
        capture_output=True,
        timeout=60,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    completed_by_the_same_command(yard, main, travel, card)


@pytest.mark.slow
def test_ctrl_c_at_a_terminal_says_how_to_go_on(yard: Yard) -> None:
    main, travel, card = boat_yard(yard)
    command = [sys.executable, "-m", "backupkeeper", "--config", str(yard.root / "config.toml")]
    child = subprocess.Popen(
        [*command, "offload", str(card), "--shoot", SHOOT, "--source", "Wide"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stderr is not None
    first = child.stderr.readline()  # work has begun
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=60)
    assert "Traceback" not in out + err
    if child.returncode != 0:  # else it was quicker than we
        assert child.returncode == 3
        assert "epeat the same command" in first + err
    completed_by_the_same_command(yard, main, travel, card)
