"""A bucket of the strict store, looked at and hurt past the program."""

from dataclasses import dataclass, field

from tests.breaking.media import Standing
from tests.breaking.model import content_of
from tests.real.store import ACCESS, SECRET
from tests.world.strict_rules import Bucket, Version, World

PREFIX = "footage/"


@dataclass
class Store:
    """One bucket; ``world`` and ``url`` are the running store's."""

    world: World
    url: str
    name: str
    read: dict[int, tuple[bytes, str]] = field(default_factory=dict)
    """What was hashed once: by the identity of some bytes, which are kept so that it stays theirs."""

    def __post_init__(self) -> None:
        self.world.buckets[self.name] = Bucket(name=self.name)

    @property
    def location(self) -> str:
        """As the program is told of it."""
        return f"s3://{self.name}/{PREFIX.rstrip('/')}"

    @property
    def bucket(self) -> Bucket:
        """As the store has it."""
        return self.world.buckets[self.name]

    def objects(self) -> dict[str, Version]:
        """The newest version of each object, by its key below the prefix."""
        bucket = self.bucket
        with self.world.lock:
            newest = {key: bucket.newest(key) for key in sorted(bucket.objects)}
        return {key.removeprefix(PREFIX): one for key, one in newest.items() if one is not None}

    def tree(self) -> dict[str, Standing]:
        """What stands there; an object's ETag stands for a file's time."""
        return {
            key: Standing(self.content(one.data), len(one.data), int(one.etag[:15], 16))
            for key, one in self.objects().items()
            if one.data is not None
        }

    def content(self, data: bytes) -> str:
        """Each object's bytes are hashed once."""
        if id(data) not in self.read:
            self.read[id(data)] = (data, content_of(data))
        return self.read[id(data)][1]

    def open(self, *, answers: bool) -> None:
        """Whether it lets us in from now on."""
        self.world.rules.secrets = {ACCESS: SECRET} if answers else {}

    def rot(self, key: str, at: int) -> bool:
        """Other bytes under the same entry, as no store should ever do it; whether there are any."""
        one = self.objects()[key]
        if one.data:
            data = bytearray(one.data)
            data[at % len(data)] ^= 0x10
            one.data = bytes(data)
        return bool(one.data)

    def delete(self, key: str) -> None:
        """Somebody deletes an object."""
        del self.bucket.objects[PREFIX + key]
