"""The command ``ledger``, and what commands say of a printer that they do not know."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from agent.model.fleet import LedgerEntry
from agent.store import Store
from tests.store.samples import MINUTE, MONDAY, furnished
from tests.store.test_transfer import Ran, shown


@pytest.fixture
def place(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'lowmark.sqlite'}"


def test_ledger_takes_kinds_as_it_shows_them_and_says_which_there_are(place: str) -> None:
    with Store.open(place) as store:
        store.append_ledger([LedgerEntry(MONDAY, "swapSeen", "new toner", None, "toner:black", "lowmark", {})])
    for word in ("swap seen", "swapSeen"):
        assert "new toner" in Ran("ledger", "--kind", word, "--store", place).out
    assert "It has: swap seen." in Ran("ledger", "--kind", "swapped", "--store", place).out
    assert Ran("ledger", "--kind", "swapSeen", "--at", "2020-01-01T00:00:00Z", "--store", place).out.strip() == (
        "The ledger has no such entry."
    )


def test_ledger_is_shown_as_written_whatever_a_printer_put_into_it(place: str) -> None:
    with Store.open(place) as store:
        (desk,) = furnished(store)
        store.append_ledger(
            [
                LedgerEntry(MONDAY, "moved", "from [red]127.0.0.1[/red] to [::1]", desk),
                LedgerEntry(MONDAY + MINUTE, "started", "the agent started"),
            ]
        )
    lines = "\n".join(shown("ledger", "--store", place))
    assert "[red]127.0.0.1[/red]" in lines.replace("\n", "")
    assert "started" in lines
    told = json.loads(Ran("ledger", "--kind", "moved", "--printer", "desk-1", "--json", "--store", place).out)
    assert [entry["kind"] for entry in told["entries"]] == ["moved"]
    assert "no such entry" in "\n".join(shown("ledger", "--kind", "service", "--store", place))


def test_unknown_printer_gets_a_suggestion(place: str) -> None:
    with Store.open(place) as store:
        furnished(store, 3)
    ran = Ran("history", "desk-9", "--store", place)
    assert ran.status == 2
    assert "did you mean desk-" in ran.err
