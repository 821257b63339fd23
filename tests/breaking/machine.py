"""Random work and random misfortune, held against the model after every step."""

from hypothesis import assume, strategies as st
from hypothesis.stateful import initialize, invariant

from backupkeeper.core.model import Role
from backupkeeper.core.policy import copies_of
from backupkeeper.wiring import Keeper
from tests.breaking.ground import BUCKET, ROLES
from tests.breaking.handling import NAMES
from tests.breaking.model import Key, Place
from tests.breaking.tally import TALLY
from tests.breaking.working import Working


class Machine(Working):
    """The whole of it: rules from above, and what must hold after each."""

    @initialize(story=st.integers(0, 1 << 32))
    def begin(self, story: int) -> None:
        """Two drives, a bucket, and cards that were recorded on."""
        assume(story)  # Hypothesis begins with the simplest: one thing over and over
        (self.base / "away").mkdir()
        for number, card in enumerate(self.cards):
            (self.base / card).mkdir()
            for name in NAMES[: 2 + number]:
                self.camera(card, name, 3 + number, formats=False)
        self.add_drive("Main", "primary")
        self.add_drive("Travel", "secondary")
        with self.program.opened() as keeper:
            keeper.add_bucket(
                self.store.location,
                role=Role.CLOUD,
                name=BUCKET,
                endpoint=self.store.url,
                profile=None,
            )
        self.model.places[BUCKET] = Place(name=BUCKET, role="cloud", kind="bucket")

    @invariant()
    def agrees(self) -> None:
        """Each copy, and each gap, is what the model says."""
        if BUCKET not in self.model.places:
            return
        TALLY["steps"] += 1
        with self.program.opened() as keeper:
            report = keeper.gaps()
            self.check_copies(keeper)
        now, model = self.yard.clock.at, self.model
        assert {one.roll.folder for one in report.rolls} == model.rolls.keys()
        for one in report.rolls:
            gaps, folder = {gap.value for gap in one.gaps}, one.roll.folder
            for role in ROLES:
                surely = model.has_gap(model.may, folder, role, now)
                perhaps = model.has_gap(model.must, folder, role, now)
                TALLY["gap foretold" if surely == perhaps else "gap open"] += 1
                assert role in gaps or not surely, f"{folder} is said to have no gap in {role}"
                assert perhaps or role not in gaps, f"{folder} is said to have a gap in {role}"

    def check_copies(self, keeper: Keeper) -> None:
        """Promise 2: nothing counts as proven that was not read right; what was, counts."""
        catalog, policy = keeper.context.catalog, keeper.context.config.policy
        places = {place.id: place for place in catalog.places()}
        proven: set[Key] = set()
        for head in catalog.rolls():
            roll = self.model.rolls[head.folder]
            contents = {file.content: roll[file.path] for file in catalog.roll(head.id).files}
            facts = catalog.facts_of_roll(head.id)
            for content, group in copies_of(facts, places, policy, self.yard.clock.at).items():
                for copy in group:
                    key = (places[copy.place].name, copy.path, contents[content])
                    self.model.known.add(key)  # something is recorded, whatever it says
                    if copy.state == "proven":
                        proven.add(key)
        wrong = proven - set(self.fresh(self.model.may))
        assert not wrong, f"counts as proven, and is not: {sorted(wrong)}"
        of_rolls = {one for roll in self.model.rolls.values() for one in roll.values()}
        must = {key for key in self.fresh(self.model.must) if key[2] in of_rolls}
        assert must <= proven, f"was proven, and does not count: {sorted(must - proven)}"
