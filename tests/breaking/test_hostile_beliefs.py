"""What lies on drives is made hostile, and commands are typed: nothing is proven that is not there.

On Travel lies a roll that somebody copied by hand, one file of it with wrong bytes, and no fact tells
of it. Then manifests, chains, markers and snapshots are changed, the catalog is lost or not, and
what a person would do then is done. Every copy that counts as proven has to hold its content's bytes.
"""

import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest
from blake3 import blake3
from hypothesis import strategies as st

from backupkeeper.core.errors import BackupkeeperError
from backupkeeper.core.model import Role
from backupkeeper.core.policy import copies_of
from backupkeeper.manifests.formats import c4_of
from backupkeeper.manifests.mhl_chain import read_chain, write_chain
from backupkeeper.manifests.mhl_model import CHAIN_NAME, ChainEntry
from tests.breaking.hostile import tried
from tests.breaking.mutating import mutated
from tests.stories.deliveries import CARD, CLIP, made_bag
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import SHOOT, Yard, roll_folder, rot

COMMANDS: Final = (
    ("verify",),
    ("verify", "Travel"),
    ("verify", "{travel}/roll"),
    ("mirror",),
    ("repair", "--dry-run"),
    ("repair",),
    ("adopt", "Travel"),
    ("adopt", "Main"),
    ("catalog", "merge", "Main"),
    ("catalog", "merge", "{travel}"),
    ("rebuild", "--merge", "--from", "{main}", "--from", "{travel}"),
    ("rebuild", "--from", "{travel}", "--take-in"),
    ("import", "{root}/delivery", "--shoot", "260613 Boatyard", "--source", "Drone"),
    ("import", "{root}/bag", "--shoot", "260613 Boatyard", "--source", "Drone", "--as-it-is"),
    ("restore", SHOOT, "--to", "{root}/to", "--yes"),
    ("export", SHOOT, "--to", "{root}/out", "--format", "bagit"),
    ("compare", "Main", "Travel", "--read"),
    ("place", "set-aside"),
    ("place", "list"),
    ("offload", "{root}/card", "--shoot", SHOOT, "--source", "Wide"),
)
LOOKS: Final = (
    ("gaps",),
    ("status",),
    ("report",),
    ("report", "--json"),
    ("place", "list", "--json"),
)


@dataclass(frozen=True)
class Hostile:
    """One file changed. ``is_named``: whoever changed a manifest made its chain fit."""

    path: str
    data: bytes
    is_named: bool


class Ground:
    """A world that can be put back."""

    def __init__(self, folder: Path) -> None:
        self.root, self._saved = folder / "yard", folder / "saved"
        self.root.mkdir()
        yard = self.yard
        main = yard.drive("Main", Role.PRIMARY)
        card = yard.card("card", CARD)
        assert offloaded(yard, card).code == 0
        made = typed(yard, "export", SHOOT, "--to", str(self.root / "given"), "--format", "mhl")
        assert made.code == 0, made.all
        shutil.move(roll_folder(self.root / "given"), self.root / "delivery")
        made_bag(self.root / "bag", CARD)
        travel = yard.drive("Travel", Role.SECONDARY)
        shutil.copytree(main / SHOOT, travel / SHOOT)
        rot(roll_folder(travel) / CLIP, 700, b"\xa5" * 64)
        assert typed(yard, "mirror").code == 1  # the other name is taken, by wrong bytes
        shutil.copytree(self.root, self._saved)

    @property
    def yard(self) -> Yard:
        """Its clock is that of commands; its configuration is written anew each time."""
        return yard_of_today(self.root)

    def put_back(self) -> Yard:
        shutil.rmtree(self.root)
        shutil.copytree(self._saved, self.root)
        return self.yard

    def targets(self) -> dict[str, list[bytes]]:
        """What is made hostile, with examples of its kind."""
        kinds: dict[str, list[Path]] = {}
        for path in sorted(self._saved.rglob("*")):
            if path.is_file() and (kind := _kind(path)):
                kinds.setdefault(kind, []).append(path)
        return {
            str(path.relative_to(self._saved)): [
                path.read_bytes(),
                *(p.read_bytes() for p in group),
            ]
            for group in kinds.values()
            for path in group
        }

    def change(self, hostile: Hostile) -> None:
        path = self.root / hostile.path
        path.write_bytes(hostile.data)
        chain = path.with_name(CHAIN_NAME)
        if hostile.is_named and path.suffix == ".mhl" and chain.exists() and not chain.is_symlink():
            try:
                entries = read_chain(chain.read_bytes()).entries
            except BackupkeeperError:
                return
            named = [
                ChainEntry(number=one.number, name=one.name, c4=c4_of(hostile.data))
                if one.name == path.name
                else one
                for one in entries
            ]
            chain.write_bytes(write_chain(tuple(named)))

    def words(self, command: Sequence[str]) -> list[str]:
        given = {"main": "Main", "travel": "Travel"}
        roots = {name: str(self.root / folder) for name, folder in given.items()}
        return [one.format(root=self.root, **roots) for one in command]


def _kind(path: Path) -> str:
    if path.name == CHAIN_NAME or path.suffix == ".mhl":
        return path.suffix
    if path.name == "place.json" or path.name.endswith(".sqlite.zst"):
        return path.name[-10:]
    return "bag" if path.parent.name == "bag" else ""


def check_beliefs(yard: Yard, what: object) -> None:
    """Each copy that counts as proven holds the bytes of its content, where it is said to be."""
    with yard.keeper() as keeper:
        catalog, policy = keeper.context.catalog, keeper.context.config.policy
        places = {place.id: place for place in catalog.places()}
        facts = (fact for head in catalog.rolls() for fact in catalog.facts_of_roll(head.id))
        for group in copies_of(facts, places, policy, keeper.context.clock.now()).values():
            for copy in group:
                if copy.state == "proven":
                    path = Path(places[copy.place].location, copy.path)
                    assert path.is_file(), (what, path)
                    assert blake3(path.read_bytes()).hexdigest() == copy.content, (what, path)


def hostiles(targets: dict[str, list[bytes]]) -> st.SearchStrategy[list[Hostile]]:
    one = st.sampled_from(sorted(targets)).flatmap(
        lambda path: st.builds(
            Hostile, path=st.just(path), data=mutated(targets[path]), is_named=st.booleans()
        )
    )
    return st.lists(one, min_size=1, max_size=3)


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_nothing_hostile_on_a_drive_makes_a_proof(tmp_path: Path) -> None:
    ground = Ground(tmp_path)
    examples = st.tuples(
        hostiles(ground.targets()),
        st.booleans(),
        st.lists(st.sampled_from(COMMANDS), min_size=1, max_size=3),
    )

    def check(example: tuple[list[Hostile], bool, list[Sequence[str]]]) -> None:
        changes, is_lost, commands = example
        yard = ground.put_back()
        for one in changes:
            ground.change(one)
        if is_lost:
            for path in ground.root.glob("catalog.sqlite*"):
                shutil.rmtree(path) if path.is_dir() else os.unlink(path)
            commands = [COMMANDS[10], *commands]
        for command in (*commands, *LOOKS):
            typed(yard, *ground.words(command))
            if command in commands:
                check_beliefs(yard, (command, changes))
        card = str(ground.root / "card")
        verdict = typed(yard, "may-wipe", card)
        for drive in ("Main", "Travel"):
            there = {
                path.read_bytes() for path in (ground.root / drive).rglob("*.*") if path.is_file()
            }
            assert verdict.code != 0 or set(CARD.values()) <= there

    tried(
        "hostile drives", examples, check, few=8, share=0.02, again="makes_a_proof", shrinks=False
    )
