"""What the stories of deliveries share: what was delivered, and words to take it in."""

import hashlib
from pathlib import Path

from backupkeeper.manifests.bagit_write import declaration, info, manifest
from backupkeeper.manifests.mhl_history import read_history
from backupkeeper.manifests.mhl_model import History
from tests.stories.typed import Said, typed
from tests.stories.yard import Yard, clip

CLIP = "DCIM/100BOATY/BOAT0001.MP4"
CARD = {CLIP: clip(1, 5_000_000), "DCIM/100BOATY/odd é.XML": b"<clip/>\n", "EMPTY.DAT": b""}
SHOOT = "260613 Boatyard"


def made_bag(root: Path, files: dict[str, bytes], kind: str = "sha512") -> Path:
    for path, data in files.items():
        (root / "data" / path).parent.mkdir(parents=True, exist_ok=True)
        (root / "data" / path).write_bytes(data)
    sums = {f"data/{path}": hashlib.new(kind, data).hexdigest() for path, data in files.items()}
    size = sum(map(len, files.values()))
    tags = {
        "bagit.txt": declaration(),
        "bag-info.txt": info([("Payload-Oxum", f"{size}.{len(files)}")]),
        f"manifest-{kind}.txt": manifest(sums),
    }
    of_tags = {path: hashlib.new(kind, data).hexdigest() for path, data in tags.items()}
    root.mkdir(exist_ok=True)
    for path, data in {**tags, f"tagmanifest-{kind}.txt": manifest(of_tags)}.items():
        (root / path).write_bytes(data)
    return root


def imported(yard: Yard, folder: Path, *more: str) -> Said:
    return typed(
        yard, "import", str(folder), "--shoot", SHOOT, "--source", "Drone", "--json", *more
    )


def roll_at(yard: Yard, drive: str = "Main", roll: str = "Roll 01") -> Path:
    return yard.root / drive / SHOOT / "Originals/Drone" / roll


def history(roll: Path) -> History:
    where = roll / "ascmhl"
    names = [path.name for path in where.iterdir()]
    found = read_history(names, lambda name: (where / name).read_bytes())
    assert found is not None
    return found


def flaws(said: Said) -> dict[str, str]:
    return {one["path"]: one["flaw"] for one in said.json["flaws"]}


def every_file(root: Path) -> dict[str, tuple[bytes, int]]:
    return {
        str(path): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in root.rglob("*")
        if path.is_file()
    }
