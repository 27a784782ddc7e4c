"""docker-compose.yml and deploy/Dockerfile, as far as they can be judged and run without a container engine."""

from __future__ import annotations

import ast
import os
import re
import shutil
import socket
import subprocess
import sys
import tomllib
import venv
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from agent.model.health import Health
from agent.settings import load
from agent.web import Server, build_app
from tests.deploy.places import DEPLOY, ROOT, read
from tests.needs import missing
from tests.supply.locks import LOCKS, locked
from tests.whole.agent import free_port, wait

COMPOSE = ROOT / "docker-compose.yml"
DOCKERFILE = DEPLOY / "Dockerfile"
BIND = "${LOWMARK_BIND:-127.0.0.1}"


def services() -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = read(COMPOSE)["services"]
    return found


def instructions() -> list[tuple[str, str]]:
    """The Dockerfile's instructions: word and rest, continued lines joined."""
    lines = [line for line in DOCKERFILE.read_text().splitlines() if not line.lstrip().startswith("#")]
    joined = re.sub(r"\\\n", " ", "\n".join(lines))
    return [(word, rest.strip()) for word, _, rest in (line.partition(" ") for line in joined.splitlines() if line)]


def of(word: str) -> list[str]:
    return [rest for found, rest in instructions() if found == word]


# --- docker-compose.yml ----------------------------------------------------------------------------------------------


def test_it_follows_the_compose_specification(tmp_path: Path):
    """The JSON schema of the Compose Specification, as the package check-jsonschema brings it along."""
    check = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec"]
    if subprocess.run([*check, "--version"], capture_output=True).returncode:
        missing("needs the Python package check-jsonschema")
    done = subprocess.run([*check, str(COMPOSE)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
    wrong = tmp_path / "wrong.yml"
    wrong.write_text(COMPOSE.read_text().replace("    profiles: [fleet]\n", "    profile: [fleet]\n"))
    assert subprocess.run([*check, str(wrong)], capture_output=True).returncode == 1, "the check can fail"


@pytest.mark.parametrize("name", services())
def test_each_service_gets_no_more_than_it_needs(name: str):
    one = services()[name]
    assert re.search(r":v?\d+\.\d+(\.\d+)?(-[a-z]+)?$", one["image"]), "its version is pinned"
    assert one["read_only"] is True
    assert one["cap_drop"] == ["ALL"]
    assert one["security_opt"] == ["no-new-privileges:true"]
    assert "privileged" not in one
    assert one.get("network_mode", "") in ("", "service:rehearsal")
    assert one["profiles"]
    assert all(port.startswith(f"{BIND}:") for port in one.get("ports", ())), "published on loopback unless told"


@pytest.mark.parametrize("name", services())
def test_each_service_says_whether_it_is_well(name: str):
    one = services()[name]
    if one["image"].startswith("lowmark:"):
        assert of("HEALTHCHECK")
    else:
        assert one["healthcheck"]["test"][0] == "CMD"


@pytest.mark.parametrize("name", services())
def test_whatever_a_service_refers_to_is_there(name: str):
    whole, one = read(COMPOSE), services()[name]
    for mount in one.get("volumes", ()):
        source = mount.split(":")[0]
        if source.startswith("./"):
            assert (ROOT / source).exists(), mount
            assert mount.endswith(":ro"), mount
        else:
            assert source in whole["volumes"], mount
    for network in one.get("networks", ()):
        assert network in whole["networks"]
    for secret in one.get("secrets", ()):
        assert whole["secrets"][secret]["file"] == f"./deploy/secrets/{secret}"
    for other in one.get("depends_on", ()):
        assert set(one["profiles"]) <= set(services()[other]["profiles"])


def test_no_password_is_written_anywhere():
    for name, one in services().items():
        for key, value in one.get("environment", {}).items():
            if "PASSWORD" in key:
                assert key.endswith("_FILE"), name
                assert value.removeprefix("/run/secrets/") in one["secrets"], name
            else:
                assert "://" not in value or "@" not in value, name
    tracked = subprocess.run(["git", "ls-files", "deploy/secrets"], cwd=ROOT, capture_output=True, text=True)
    if tracked.returncode == 0:
        assert tracked.stdout.split() in ([], ["deploy/secrets/.gitignore"])


def test_secrets_are_made_once_and_well(tmp_path: Path):
    shutil.copytree(DEPLOY / "compose", tmp_path / "compose")
    folder = tmp_path / "secrets"
    folder.mkdir(mode=0o755)

    def make() -> dict[str, str]:
        subprocess.run(["sh", str(tmp_path / "compose" / "secrets.sh")], check=True, capture_output=True)
        return {one.name: one.read_text() for one in folder.iterdir()}

    first = make()
    assert first.keys() == read(COMPOSE)["secrets"].keys()
    assert re.fullmatch("[A-Za-z0-9]{40}", first["store_password"])
    assert first["store_password"] != first["grafana_password"]
    assert folder.stat().st_mode & 0o077 == 0
    assert all(one.stat().st_mode & 0o444 == 0o444 for one in folder.iterdir())
    assert make() == first


def test_the_agents_settings_are_sound_and_fit_what_is_around_it():
    settings = load(DEPLOY / "compose" / "lowmark.yaml")
    database, agent = services()["database"], services()["agent"]
    assert settings.store.url == "postgresql://lowmark@database/lowmark"
    assert database["environment"]["POSTGRES_USER"] == database["environment"]["POSTGRES_DB"] == "lowmark"
    assert settings.store.password is not None
    assert settings.store.password.source == f"file {database['environment']['POSTGRES_PASSWORD_FILE']}"
    port = settings.listen.address.port
    assert of("EXPOSE") == [f"{port}/tcp"]
    assert agent["ports"] == [f"{BIND}:{port}:{port}"]
    assert {"targets": [f"agent:{port}"]} in [
        target for job in read(DEPLOY / "prometheus" / "prometheus.yml")["scrape_configs"]
        for target in job["static_configs"]
    ]  # fmt: skip


@pytest.mark.slow
def test_the_rehearsals_commands_do_what_they_should(tmp_path: Path):
    """Both commands as they stand in the file, in one folder in place of the volume, on ports of their own."""
    port, snmp = free_port(), free_port(socket.SOCK_DGRAM)
    more = tmp_path / "rehearsal.yaml"
    more.write_text((DEPLOY / "compose" / "rehearsal.yaml").read_text().replace("0.0.0.0:9633", f"127.0.0.1:{port}"))
    rehearsal, agent = services()["rehearsal"], services()["rehearsal-agent"]
    environ = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
               "LOWMARK_STORE": f"sqlite:///{tmp_path / 'history.sqlite'}"}  # fmt: skip
    command = ["lowmark", *(word.replace("/var/lib/lowmark", str(tmp_path)) for word in rehearsal["command"])]
    script = agent["command"][0].replace("/etc/lowmark/rehearsal.yaml", str(more))
    log = tmp_path / "log"
    started: list[subprocess.Popen[bytes]] = []

    def start(words: list[str]) -> None:
        with log.open("ab") as out:
            started.append(subprocess.Popen(words, cwd=tmp_path, env=environ, stdout=out, stderr=out))

    def reachable() -> bool:
        try:
            with socket.create_connection(("127.0.0.1", port), 1) as one:
                one.sendall(b"GET /metrics HTTP/1.0\r\n\r\n")
                page = b"".join(iter(lambda: one.recv(65536), b""))
        except OSError:
            return False
        found = re.search(rb'lowmark_printers\{contact="reachable"\} (\d+)', page)
        return found is not None and int(found.group(1)) >= 20

    try:
        start([*command, "--port", str(snmp)])
        check = [word.replace("/var/lib/lowmark", str(tmp_path)) for word in rehearsal["healthcheck"]["test"][1:]]
        wait(lambda: subprocess.run(check).returncode == 0, 20, log.read_text)
        start([*agent["entrypoint"], script])
        wait(reachable, 30, log.read_text)
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(30)


# --- the image -------------------------------------------------------------------------------------------------------


def test_the_image_runs_as_nobody_in_particular():
    bases = [rest.split()[0] for rest in of("FROM")]
    assert len(bases) == 2
    assert len(set(bases)) == 1, "built and run on the same"
    assert re.fullmatch(r"python:3\.\d+\.\d+-slim-\w+", bases[0])
    assert of("USER") == ["10001:10001"]
    assert services()["agent"]["user"] == "10001:10001"
    assert not of("ADD")
    assert f'version="{_version()}"' in of("LABEL")[0]
    assert services()["agent"]["image"] == f"lowmark:{_version()}"


def _version() -> str:
    found = re.search(r'^version = "(.*)"$', (ROOT / "pyproject.toml").read_text(), re.MULTILINE)
    assert found
    return found.group(1)


def context(tmp_path: Path) -> Path:
    """What the Dockerfile copies, and nothing else; all of it must be let through by .dockerignore."""
    ignore = (ROOT / ".dockerignore").read_text().split("\n")
    assert "*" in ignore
    made = tmp_path / "src"
    made.mkdir()
    for rest in of("COPY"):
        words = rest.split()
        if words[0].startswith("--from"):
            continue
        for source in words[:-1]:
            assert f"!{source}" in ignore, source
            if (ROOT / source).is_dir():
                shutil.copytree(ROOT / source, made / source, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                (made / source).parent.mkdir(exist_ok=True)
                shutil.copy(ROOT / source, made / source)
    return made


@pytest.mark.slow
def test_the_images_build_steps_give_a_program_that_runs(tmp_path: Path):
    """The very commands of the first stage, in a clean folder with a Python of their own; only the places are others.

    What pip has fetched before is taken from its cache, if its hash is right.
    """
    source = context(tmp_path)
    venv.create(tmp_path / "python", with_pip=True)
    home = tmp_path / "lowmark"
    stage = (ROOT / "deploy" / "Dockerfile").read_text().split("\nFROM ")[1]
    steps = of("RUN")[: stage.count("\nRUN ")]
    assert len(steps) == 2
    path = f"{tmp_path / 'python' / 'bin'}{os.pathsep}{os.environ['PATH']}"
    quiet = {"PIP_DISABLE_PIP_VERSION_CHECK": "1", "PIP_NO_COMPILE": "1"}
    for step in steps:
        here = step.replace("/opt/lowmark", str(home)).replace("/wheel", str(tmp_path / "wheel"))
        done = subprocess.run(
            ["bash", "-euc", here.replace("--no-cache-dir", "")],
            cwd=source,
            env={**os.environ, **quiet, "PATH": path},
            capture_output=True,
            text=True,
        )
        if "Could not find a version" in done.stderr and "from versions: none" in done.stderr:
            missing(f"needs a package index: {done.stderr[-300:]}")
        assert done.returncode == 0, done.stderr[-3000:]
    (packages,) = home.glob("lib/python*/site-packages")
    packed = {str(path.relative_to(packages / "agent")) for path in (packages / "agent").rglob("*") if path.is_file()}
    ours = {str(path.relative_to(source / "agent")) for path in (source / "agent").rglob("*") if path.is_file()}
    assert {name for name in packed if "__pycache__" not in name} == ours
    assert not (home / "bin" / "pip").exists()
    assert {"pytest", "pip", "hatchling"} & {one.name for one in packages.iterdir()} == set()
    lock = {(canonicalize_name(one.requirement.name), one.version) for one in locked(LOCKS / "runtime.txt") if one.here}
    installed = {
        (canonicalize_name(found["name"]), found["version"])
        for found in (one.metadata.json for one in metadata.distributions(path=[str(packages)]))
    }
    assert installed == lock | {("lowmark", _version())}
    program = str(home / "bin" / "lowmark")
    shown = subprocess.run([program, "--help"], capture_output=True, text=True, cwd=tmp_path)
    assert shown.returncode == 0, shown.stderr
    assert "run" in shown.stdout
    example = subprocess.run([program, "settings", "example"], capture_output=True, text=True, cwd=tmp_path)
    assert example.stdout == (source / "agent" / "settings" / "example.yaml").read_text()


def test_whatever_the_agent_imports_is_installed_with_it():
    """The image has what pyproject.toml asks for and what that asks for in turn, and nothing of the tests' own."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    ours = [*project["dependencies"], *(text for extra in extras.values() for text in extra)]
    there: set[str] = set()
    # Each with the extras that the one who asks for it was wanted with: its marker speaks of those, not of its own.
    asked = [(Requirement(text), {"", *extras}) for text in ours]
    while asked:
        one, extras = asked.pop()
        if one.marker is not None and not any(one.marker.evaluate({"extra": extra}) for extra in extras):
            continue
        name = canonicalize_name(one.name)
        if name not in there:
            there.add(name)
            asked += [(Requirement(text), {"", *one.extras}) for text in metadata.requires(name) or ()]
    homes = metadata.packages_distributions()
    missing_ones = {
        top for top in imported(ROOT / "agent") if not {canonicalize_name(name) for name in homes.get(top, ())} & there
    }
    assert missing_ones == set()


def imported(folder: Path) -> set[str]:
    """The packages of others that the modules there import, wherever in a module they do it."""
    found: set[str] = set()
    for file in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
    return found - sys.stdlib_module_names - {"agent"}


@pytest.mark.parametrize("ready", [True, False])
def test_the_images_healthcheck_asks_the_agent(ready: bool):
    health = Health(settings_loaded=True, store_open=ready, swept=True, heartbeat_age=1.0)
    (check,) = of("HEALTHCHECK")
    words = re.findall(r'"([^"]*)"', check)
    with Server(build_app(lambda _: (b"", "text/plain"), lambda: health)) as server:
        program = words[2].replace("9633", str(server.port))
        done = subprocess.run([sys.executable, words[1], program], capture_output=True)
    assert (done.returncode == 0) is ready
