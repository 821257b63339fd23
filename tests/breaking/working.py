"""Rules: the program at work, and what the model learns from each deed."""

from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import precondition, rule

from backupkeeper.core.adopting import AdoptWish
from tests.breaking.acting import Fate
from tests.breaking.ground import BUCKET, ROLES, SOURCES, Trees
from tests.breaking.handling import Handling, cards, data_of, names, picks, seeds
from tests.breaking.tally import TALLY
from tests.stories.yard import QUIET, SHOOT

fates = st.one_of(
    *[st.none()] * 4,
    st.builds(Fate, st.just("killed"), st.one_of(st.integers(1, 40), st.integers(1, 250))),
    st.builds(Fate, st.just("miswritten"), st.integers(1, 12)),
)
MOST_ADOPTED = 6
DEEDS_BETWEEN = 12
"""Between two evenings."""


class Working(Handling):
    """What a person may ask the program for."""

    def __init__(self) -> None:
        super().__init__()
        self.adopted = self.next_evening = 0

    @rule(card=cards, fate=fates)
    def offload(self, card: str, fate: Fate | None) -> None:
        """What it says to be sealed is sealed, and what it says to be proven may be."""

        def learn(after: Trees, outcome: Any) -> None:
            contents = {file.content for file in after[card].values()}
            sealed = {one for roll in self.model.rolls.values() for one in roll.values()}
            assert not outcome.sealed or contents <= sealed, "said to be sealed, and is not"
            assert outcome.sealed or outcome.troubles, "no trouble, and not sealed"
            fresh = self.fresh(self.model.may)
            for place, count in outcome.proven_at.items():
                proven = {key[2] for key in fresh if key[0] == place}
                here = [file for file in after[card].values() if file.content in proven]
                assert count <= len(here), f"{count} said to be proven at {place}"

        self.act(
            "offload",
            lambda keeper: keeper.offload(
                str(self.base / card), shoot=SHOOT, source=SOURCES[card], roll=None, progress=QUIET
            ),
            fate,
            learn,
        )

    @rule(fate=fates)
    def mirror(self, fate: Fate | None) -> None:
        """What nothing stands in the way of is brought."""
        wanted = self.to_bring("primary") + self.to_bring("secondary")
        self.act(
            "mirror",
            lambda keeper: keeper.mirror(progress=QUIET),
            fate,
            lambda after, _: self.must_be_there(wanted, after),
        )

    @rule(fate=fates)
    def upload(self, fate: Fate | None) -> None:
        """The same for the bucket; what is there already is looked at, which keeps it young."""
        wanted = self.to_bring("cloud")

        def learn(after: Trees, _: Any) -> None:
            self.must_be_there(wanted, after)

        self.act("upload", lambda keeper: keeper.upload(progress=QUIET), fate, learn)
        if BUCKET in self.in_use():
            tree = self.tree(BUCKET)
            for key in [key for key in self.model.may if key[0] == BUCKET and key[1] in tree]:
                self.model.perhaps_right(key, self.yard.clock.at)

    def to_bring(self, role: str) -> list[tuple[str, str, str]]:
        """Role, path and content of what has to be brought: it was never there, its name is free."""
        trees = {name: self.tree(name) for name in self.in_use()}
        targets = [name for name in trees if self.model.places[name].role == role]
        every = [name for name, place in self.model.places.items() if place.role == role]
        fresh, found = self.fresh(self.model.must), []
        if not targets or not self.clock_is_right:
            return []
        for folder, roll in self.model.rolls.items():
            seen = self.model.known | self.model.may.keys()
            if any(key[0] in every and key[2] in roll.values() for key in seen):
                continue
            for inner, content in roll.items():
                path = f"{folder}/{inner}"
                sources = [
                    key
                    for key in fresh
                    if key[2] == content and key[0] in trees and key[0] not in [*targets, BUCKET]
                ]
                if sources and not any(path in trees[name] for name in targets):
                    found.append((role, path, content))
        return found

    def must_be_there(self, wanted: list[tuple[str, str, str]], after: Trees) -> None:
        """Each of these stands at a place of its role now."""
        for role, path, content in wanted:
            places = [one for one in self.in_use() if self.model.places[one].role == role]
            found = [one for one in places if path in after[one]]
            assert any(after[one][path].content == content for one in found), (
                f"{path} was not brought to {role}"
            )
            TALLY["brought as foretold"] += 1

    @rule(number=picks, fate=fates, in_doubt=st.booleans())
    def verify(self, number: int, fate: Fate | None, in_doubt: bool) -> None:
        """All copies of sealed rolls that anything is known of are read."""
        chosen = self.pick([None, *self.model.places], number)
        places = [chosen] if chosen is not None else self.drives()
        since = self.yard.clock.at

        def learn(after: Trees, outcome: Any) -> None:
            troubled = {one.place for one in outcome.troubles}
            left = {(place, was) for (place, _), was in self.moved.items()}
            for key in list(self.model.known):
                name, path, content = key
                if name not in places or name not in self.in_use():
                    continue
                if name in troubled:  # in doubt as a whole: read in part, and believed no more
                    self.model.must.pop(key, None)
                elif content in self.wanted(path):
                    if path not in after[name] or after[name][path].content != content:
                        self.model.read_wrong(key)
                    elif (
                        name,
                        path,
                    ) not in left:  # a further copy where one was moved away is not known
                        self.model.read_right(key, since, self.yard.clock.at)

        self.act(
            "verify",
            lambda keeper: keeper.verify(chosen, in_doubt=in_doubt, progress=QUIET),
            fate,
            learn,
        )
        self.perhaps_all_read([one for one in places if one in self.in_use()])

    def perhaps_all_read(self, places: list[str]) -> None:
        """Whatever is right there may have been read."""
        for name in places:
            for path, file in self.tree(name).items():
                self.model.perhaps_right((name, path, file.content), self.yard.clock.at)

    @rule(fate=fates, edited=st.booleans(), in_doubt=st.booleans())
    def repair(self, fate: Fate | None, edited: bool, in_doubt: bool) -> None:
        """What it says to be mended is right."""

        def learn(after: Trees, outcome: Any) -> None:
            for one in outcome.mended:
                place, path = one.patient.place, one.patient.path
                assert after[place][path].content in self.wanted_at(place, path)

        self.act(
            "repair",
            lambda keeper: keeper.repair(
                None, dry_run=False, edited=edited, in_doubt=in_doubt, progress=QUIET
            ),
            fate,
            learn,
        )

    @rule(card=cards)
    def may_wipe(self, card: str) -> None:
        """Promise 5, and that a yes that is due is given."""

        def learn(after: Trees, verdict: Any) -> None:
            contents = {file.content: file.size for file in after[card].values()}
            for key in list(self.model.may):
                name, path, content = key
                if content in contents and name in self.in_use():
                    there = after[name].get(path)
                    if there is None or there.size != contents[content]:
                        self.model.read_wrong(key)
            now, model = self.yard.clock.at, self.model
            may = model.says_yes(model.may, contents, ROLES, now)
            must = model.says_yes(model.must, contents, ROLES, now)
            TALLY["verdict yes" if verdict.may_wipe else "verdict no"] += 1
            TALLY["verdict foretold" if may == must else "verdict open"] += 1
            assert not verdict.may_wipe or may, "a false yes"
            assert verdict.may_wipe or not must, f"a false no: {verdict.reasons}"

        self.act(
            "may-wipe",
            lambda keeper: keeper.may_wipe(str(self.base / card), progress=QUIET),
            None,
            learn,
        )

    @precondition(lambda self: self.adopted < MOST_ADOPTED)
    @rule(number=picks, name=names, seed=seeds, fate=fates)
    def adopt(self, number: int, name: str, seed: int, fate: Fate | None) -> None:
        """A folder of footage from before is put on a drive by hand, and taken in."""
        place = self.pick([one for one in self.in_use() if one != BUCKET], number)
        if place is None:
            return
        self.adopted += 1
        folder = f"{SHOOT}/Originals/Drone/Roll {self.adopted:02}"
        self.write(self.base / place / folder / name, data_of(seed))
        self.write(self.base / place / folder / "OWN.MP4", b"drone %d" % self.adopted)
        wish = AdoptWish(place=place, path=folder)
        whole = self.act(
            "adopt", lambda keeper: keeper.adopt(wish, progress=QUIET), fate, lambda *_: None
        )
        self.perhaps_all_read([place])
        TALLY["adopted" if whole and folder in self.model.rolls else "not adopted"] += 1

    @precondition(lambda self: self.deeds >= self.next_evening)
    @rule(card=cards)
    def evening(self, card: str) -> None:
        """Everything is plugged in, and all is done that can be: most that can be well is well then."""
        while not all(place.here for place in self.model.places.values()):
            self.plug_in(0)
        if not self.clock_is_right:
            self.clock_jumps(1)
        self.offload(card, None)
        self.verify(0, None, in_doubt=True)
        self.repair(None, edited=True, in_doubt=True)
        self.mirror(None)
        self.upload(None)
        self.may_wipe(card)
        self.next_evening = self.deeds + DEEDS_BETWEEN
