"""A receipt where the third place is encrypted: with the key all is stated, without it that is told."""

import json
from pathlib import Path
from typing import Any

import pytest
from lxml import html

from tests.real.store import Server
from tests.real.test_encrypted_story import (  # noqa: F401 - the stand is made by its fixtures
    CARD,
    MOCK,
    Stand,
    stand,
    store,
)
from tests.stories.typed import typed

pytest_plugins = ["tests.real.store_fixtures"]


@pytest.mark.parametrize("hide", [False, True], ids=["names readable", "names hidden"])
@pytest.mark.parametrize("store", MOCK, indirect=True)
def test_what_is_compared_and_who_could_read_the_manifests_is_told(
    stand: Stand,  # noqa: F811 - the fixture of that name
    store: Server,  # noqa: F811 - as above
    hide: bool,
) -> None:
    stand.configure(hide=hide)
    stand.show()
    card = stand.yard.card("card", CARD)
    stand.yard.offload(card)
    stand.upload()
    without = receipt(stand, card, "without")
    assert "is encrypted, and there is no key here" in off_site(without)["why_not"]
    assert off_site(without)["roots"] == []
    with_key = receipt(stand, card, "with", "--identity", str(stand.key("aunt")))
    manifests = with_key["rolls"][0]["manifests"]
    assert len(manifests) == 3
    assert manifests[0]["roots"] == manifests[1]["roots"] == manifests[2]["roots"] != []
    place = with_key["places"][2]
    assert (place["name"], place["files_proven"]) == ("Off site", len(CARD))
    page: Any = html.document_fromstring((stand.yard.root / "with.html").read_text("utf-8"))
    said = " ".join(page.text_content().split())
    assert "what is compared since then are its encrypted bytes" in said


def receipt(
    stand: Stand,  # noqa: F811 - no fixture here
    card: Path,
    name: str,
    *before: str,
) -> Any:
    file = stand.yard.root / f"{name}.html"
    said = typed(stand.yard, *before, "may-wipe", str(card), "--receipt", str(file))
    assert file.exists(), said.all
    return json.loads((stand.yard.root / f"{name}.json").read_bytes())


def off_site(told: Any) -> Any:
    return told["rolls"][0]["manifests"][2]
