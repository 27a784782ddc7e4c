"""``lowmark survey``: find the printers of a network, from the command line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from agent.model.wire import Community
from agent.rehearsal.serve import Rehearsal
from agent.settings import parse
from tests.cli import printers
from tests.cli.printers import Outcome, run

RANGE = "127.77.0.0/27"
QUICK = ("--rate", "1000", "--timeout", "0.2", "--retries", "1")


@pytest.fixture(scope="module")
def street() -> Iterator[Rehearsal]:
    with printers.fleet() as running:
        yield running


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LOWMARK_SETTINGS", raising=False)


def port(street: Rehearsal) -> int:
    return street.hosts[0].address.port


def survey(street: Rehearsal, *options: str, env: dict[str, str] | None = None) -> Outcome:
    return run("survey", RANGE, "--port", str(port(street)), *QUICK, *options, env=env)


def homes(street: Rehearsal, *, community: str | None = None) -> set[str]:
    """Where printers answer to this community; all of them without one."""
    return {
        f"{one.address.host}:{one.address.port}"
        for one in street.hosts
        for who in [one.printers[0].kind.credentials]
        if community is None or (isinstance(who, Community) and who.community == community)
    }


def test_every_printer_that_answers_to_public_is_found_and_the_rest_is_told_apart(street: Rehearsal):
    done = survey(street, "--json")
    assert done.status == 0
    assert done.json["format"] == "lowmark.survey.v1"
    assert {one["address"] for one in done.json["printers"]} == homes(street, community="public")
    assert {one["credentials"] for one in done.json["printers"]} == {"public"}
    two = next(one for one in street.hosts if len(one.printers) == 2)
    told = next(one for one in done.json["printers"] if one["address"] == str(two.address))
    assert told["devices"] == [1, 2]
    # Those with SNMPv3 users say that they are there; the one with another community is silent.
    assert len(done.json["denied"]) == 2
    assert done.json["silent"] == 1
    assert done.json["asked"] == done.json["total"] == 30
    assert done.json["closed"] == 30 - len(homes(street))


def test_the_yaml_it_prints_is_a_settings_file_for_just_these_printers(street: Rehearsal, tmp_path: Path):
    done = survey(street, "--yaml")
    targets = parse(done.out).targets()
    assert {f"{one.host}:{one.port}" for one in targets} == homes(street, community="public")
    assert all(one.name for one in targets)
    (tmp_path / "found.yaml").write_text(done.out)
    first = targets[0]
    assert run("read", f"{first.host}:{first.port}", "--settings", "found.yaml").status == 0


def test_the_table_and_the_yaml_stand_together_without_wrapped_lines(street: Rehearsal):
    done = survey(street)
    table, _, pasted = done.out.partition("For the settings file:\n")
    assert "Printer" in table
    assert "127.77.0.1" in table
    assert len(yaml.safe_load(pasted)["printers"]) == len(homes(street, community="public"))


def test_a_printer_with_version_1_and_another_community_gets_credentials_without_the_secret(street: Rehearsal):
    done = survey(street, "--community", "harrow-old", "--yaml")
    assert done.status == 0
    assert "harrow-old" not in done.out + done.err
    settings = parse(done.out)
    (target,) = settings.targets()
    assert f"{target.host}:{target.port}" in homes(street, community="harrow-old")
    assert settings.credentials[target.credentials].version == "1"
    assert "LOWMARK_COMMUNITY" in done.out
    assert "LOWMARK_COMMUNITY" in done.err


def settings_for(street: Rehearsal) -> tuple[str, dict[str, str]]:
    """A settings file with credentials for every printer, and the secrets it refers to."""
    text, secrets = "credentials:\n", {}
    for number, who in enumerate(sorted({one.printers[0].kind.credentials for one in street.hosts}, key=repr)):
        name = f"c{number}"
        if isinstance(who, Community):
            text += f"  {name}: {{version: {who.version}, community: {{env: {name}}}}}\n"
            secrets[name] = who.community
            continue
        text += f"  {name}: {{version: 3, user: {who.user}, auth: {who.auth}, auth_key: {{env: {name}A}},"
        text += f" priv: {who.priv}, priv_key: {{env: {name}P}}}}\n"
        secrets |= {f"{name}A": who.auth_key or "", f"{name}P": who.priv_key or ""}
    return text, secrets


def test_with_the_settings_credentials_every_printer_is_found(street: Rehearsal, tmp_path: Path):
    text, secrets = settings_for(street)
    (tmp_path / "lowmark.yaml").write_text(text)
    done = survey(street, "--json", env=secrets)
    assert {one["address"] for one in done.json["printers"]} == homes(street)
    assert len({one["credentials"] for one in done.json["printers"]}) == 4
    assert not any(secret in done.out for secret in secrets.values() if secret != "public")
    old = next(name for name, secret in secrets.items() if secret == "harrow-old")
    only = survey(street, "--credentials", old, "--json", env=secrets)
    assert {one["address"] for one in only.json["printers"]} == homes(street, community="harrow-old")


def test_a_range_without_printers_is_status_1():
    done = run("survey", "127.99.0.0/30", "--port", str(printers.free_port()), *QUICK)
    assert done.status == 1
    assert "0 printers" in done.out


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (("10.0.0.0/8",), "65,536"),
        (("127.77.0.7/24",), "did you mean 127.77.0.0/24?"),
        (("127.77.0.0/24", "--most", "10"), "at most 10"),
        (("127.77.0.0/24", "--credentials", "floor"), "--settings FILE"),
        (("printers",), "192.0.2.0/24"),
        (("127.77.0.0/24", "--rate", "0"), "--rate"),
    ],
)
def test_what_cannot_be_surveyed_is_refused_with_what_can(arguments: tuple[str, ...], hint: str):
    done = run("survey", *arguments)
    assert done.status == 2
    assert hint in done.err
    assert done.out == ""
