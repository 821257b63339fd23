"""What must hold at every step of a voyage, said without the planner's own code."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from backupkeeper.core.deeds import Deed, DeedKind, Plan, View
from backupkeeper.core.model import PlaceKind
from backupkeeper.core.wishes import wishes

if TYPE_CHECKING:
    from tests.core.voyage import Voyage

STARVING: timedelta = timedelta(days=4)
"""Nothing that could be done all that time may still not have begun."""
MOST_TRIES_A_DAY = 60
"""Of one deed that keeps failing: after a minute, two, four ... then every hour at most."""


@dataclass
class Laws:
    """Raises ``AssertionError`` with a sentence where one is broken."""

    voyage: "Voyage"
    ready_since: dict[str, datetime] = field(default_factory=dict)
    failures: dict[tuple[str, datetime], int] = field(default_factory=dict)
    begun: Counter[str] = field(default_factory=Counter)

    def after_plan(self, view: View, made: Plan) -> None:
        """A plan was made of this view."""
        self._one_device_one_thing(view, made)
        self._nothing_on_what_is_not_there(view, made)
        self._nothing_starves(view, made)
        for deed in made.start:
            self.begun[deed.kind] += 1

    def _devices(self, view: View, deed: Deed, *, held: bool) -> set[str]:
        found: set[str] = set()
        for place in deed.places:
            one = view.places[place]
            if one.kind is PlaceKind.BUCKET:
                found.add(place)
            elif not held and place in view.drives:
                found |= set(view.drives[place].device.split("+"))
        found |= {card.device for card in view.cards if card.token == deed.card}
        if deed.kind in {DeedKind.OFFLOAD, DeedKind.ADOPT}:
            found.add("names of rolls")
        return found

    def _one_device_one_thing(self, view: View, made: Plan) -> None:
        used: dict[str, str] = {}
        active = [(one.deed, one.held and one.deed.key in made.hold) for one in view.running]
        active += [(deed, False) for deed in made.start]
        for deed, held in active:
            for device in self._devices(view, deed, held=held):
                assert device not in used, (
                    f"{device} does two things at {view.now}: {used[device]} and {deed.key}"
                )
                used[device] = deed.key
        keys = [deed.key for deed in made.start]
        running = {one.deed.key for one in view.running}
        assert len(set(keys)) == len(keys)
        assert running.isdisjoint(keys), "begun although it is under way"
        assert set(made.stop) <= running
        assert made.hold <= running

    def _nothing_on_what_is_not_there(self, view: View, made: Plan) -> None:
        for deed in made.start:
            for place in deed.places:
                is_bucket = view.places[place].kind is PlaceKind.BUCKET
                assert is_bucket or place in view.drives, f"{deed.key}: {place} is not here"
                assert place not in view.lent, f"{deed.key}: {place} is lent"
            assert not view.paused, "begun in a pause"

    def _nothing_starves(self, view: View, made: Plan) -> None:
        ready = {wish.deed.key for wish in wishes(view).ready}
        busy = {deed.key for deed in made.start} | {one.deed.key for one in view.running}
        for key in list(self.ready_since):
            if key not in ready or key in busy:
                del self.ready_since[key]
        for key in ready - busy:
            since = self.ready_since.setdefault(key, view.now)
            assert view.now - since < STARVING, f"{key} starves since {since}"

    def done(self, deed: Deed, something_came_of_it: bool) -> None:
        """A deed came to its end."""
        assert something_came_of_it, f"in vain: {deed.key} ({deed.why})"

    def failed(self, deed: Deed) -> None:
        """A deed failed."""
        day = self.voyage.now.replace(hour=0, minute=0, second=0, microsecond=0)
        key = (deed.key, day)
        self.failures[key] = self.failures.get(key, 0) + 1
        assert self.failures[key] <= MOST_TRIES_A_DAY, f"{deed.key} is tried over and over"
