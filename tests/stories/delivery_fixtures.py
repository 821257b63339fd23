"""What is delivered in the stories of deliveries.

Use with ``pytest_plugins = ["tests.stories.delivery_fixtures"]``.
"""

from pathlib import Path

import pytest

from tests.stories.deliveries import CARD, made_bag
from tests.stories.typed import offloaded, typed
from tests.stories.yard import Yard, roll_folder


@pytest.fixture
def delivery(tmp_path: Path) -> Path:
    """A roll as another one of us handed it over: another catalog, other drives."""
    (tmp_path / "theirs").mkdir()
    theirs = Yard(tmp_path / "theirs")
    theirs.drives()
    assert offloaded(theirs, theirs.card("card", CARD)).code == 0
    to = tmp_path / "delivery"
    said = typed(theirs, "export", "Wide/Roll 01", "--to", str(to), "--format", "mhl")
    assert said.code == 0, said.all
    return roll_folder(to)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return made_bag(tmp_path / "bag", CARD)
