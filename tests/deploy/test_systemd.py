"""The unit, judged by systemd's own program, and the agent under the unit's filter of system calls."""

from __future__ import annotations

import functools
import re
import subprocess
import sys
from pathlib import Path

import pytest

from agent.store import Store
from tests.deploy.places import DEPLOY
from tests.needs import debian, missing
from tests.whole.agent import Running, rehearsal, wait

UNIT = DEPLOY / "systemd" / "lowmark.service"
DROP_INS = sorted((DEPLOY / "systemd" / "drop-ins").glob("*.conf"))


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    command = [debian("systemd", "systemd-analyze"), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=180)


def installed(tmp_path: Path, *drop_ins: Path) -> Path:
    """The unit as it would be installed, with a program that is there."""
    unit = tmp_path / "lowmark.service"
    unit.write_text(UNIT.read_text().replace("/opt/lowmark/bin/lowmark", sys.executable))
    folder = tmp_path / "lowmark.service.d"
    for one in drop_ins:
        folder.mkdir(exist_ok=True)
        (folder / one.name).write_text(one.read_text())
    return unit


@pytest.mark.parametrize("drop_ins", [(), *((one,) for one in DROP_INS), tuple(DROP_INS)], ids=str)
def test_systemd_finds_no_fault(tmp_path: Path, drop_ins: tuple[Path, ...]):
    done = analyze("verify", "--man=no", str(installed(tmp_path, *drop_ins)))
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("drop_ins", [(), *((one,) for one in DROP_INS)], ids=str)
def test_it_exposes_little(tmp_path: Path, drop_ins: tuple[Path, ...]):
    """systemd-analyze(1): 0.0 is the least exposure, 10.0 the most; --threshold is in tenths."""
    unit = installed(tmp_path, *drop_ins)
    promised = re.search(r"gives it at most ([\d.]+) of 10", (DEPLOY.parent / "docs" / "install.md").read_text())
    assert promised
    assert float(promised.group(1)) <= 2.5
    tenths = round(float(promised.group(1)) * 10)
    done = analyze("security", "--offline=true", "--no-pager", f"--threshold={tenths}", str(unit))
    assert done.returncode == 0, done.stdout[-500:]


def test_the_nightly_copy_is_fit_to_be_installed(tmp_path: Path):
    for name in ("lowmark-backup.service", "lowmark-backup.timer"):
        (tmp_path / name).write_text((UNIT.parent / name).read_text())
    done = analyze("verify", "--man=no", str(tmp_path / "lowmark-backup.timer"))
    assert (done.returncode, done.stderr) == (0, "")
    unit = tmp_path / "lowmark-backup.service"
    exposed = analyze("security", "--offline=true", "--no-pager", "--threshold=15", str(unit))
    assert exposed.returncode == 0, exposed.stdout[-500:]


def test_the_nightly_copys_command_makes_a_copy(tmp_path: Path):
    """As systemd would run it: its %% and $$ become single ones (systemd.service(5))."""
    text = (UNIT.parent / "lowmark-backup.service").read_text()
    (command,) = re.findall(r"^ExecStart=/bin/sh -c '(.*)'$", text, re.MULTILINE)
    command = command.replace("%%", "%").replace("$$", "$")
    for there, here in (("/var/lib/lowmark/", f"{tmp_path}/"), ("/var/backups/lowmark/", f"{tmp_path}/"),
                        ("/opt/lowmark/bin/lowmark", f"{sys.executable} -m agent")):  # fmt: skip
        assert there in command
        command = command.replace(there, here)
    with Store.open(f"sqlite:///{tmp_path / 'lowmark.sqlite'}"):
        pass
    for _ in range(2):
        done = subprocess.run(["/bin/sh", "-c", command], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
    assert len([one for one in tmp_path.glob("*.sqlite") if one.name != "lowmark.sqlite"]) == 1


def test_the_unit_and_the_agent_agree():
    text = UNIT.read_text()
    assert "Type=notify\n" in text
    assert "ExecReload=kill -HUP $MAINPID" in text
    assert int(re.search(r"^WatchdogSec=(\d+)$", text, re.MULTILINE).group(1)) >= 30  # type: ignore[union-attr]
    assert re.search(r"^u lowmark ", (DEPLOY / "systemd" / "lowmark.sysusers").read_text(), re.MULTILINE)
    assert "User=lowmark\n" in text


@functools.cache
def calls(group: str) -> frozenset[str]:
    """The system calls of a group, as systemd knows it."""
    found: set[str] = set()
    for line in analyze("syscall-filter", group).stdout.splitlines():
        name = line.strip()
        if name.startswith("@") and name != group:
            found |= calls(name)
        elif name and name != group and not name.startswith("#"):
            found.add(name)
    return frozenset(found)


def filtered() -> list[str]:
    """A command that fails every system call that the unit's filter refuses, with the same error number."""
    lines = re.findall(r"^SystemCallFilter=(.*)$", UNIT.read_text(), re.MULTILINE)
    allowed: set[str] = set()
    for line in lines:
        groups = line.removeprefix("~").split()
        for group in groups:
            allowed = allowed - calls(group) if line.startswith("~") else allowed | calls(group)
    assert len(allowed) > 100
    names = ",".join(f"?{name}" for name in sorted(allowed))
    strace = debian("strace", "strace")
    if subprocess.run([strace, "-o", "/dev/null", "true"], capture_output=True).returncode:
        missing("needs to be let trace its own children (ptrace)")
    return [strace, "-D", "-f", "-qq", "-o", "/dev/null", "-e", f"inject=!{names}:error=EPERM"]


def test_the_filter_that_is_tried_does_refuse():
    program = "import os\ntry:\n os.setpriority(0, 0, 1)\nexcept PermissionError:\n print('refused')"
    done = subprocess.run([*filtered(), sys.executable, "-c", program], capture_output=True, text=True)
    assert done.stdout == "refused\n"


@pytest.mark.slow
def test_the_agent_does_its_work_under_the_filter(tmp_path: Path):
    command = filtered()
    with rehearsal(4) as going:
        agent = Running(tmp_path, going)
        run = [sys.executable, "-m", "agent", "run", "--settings", str(agent.settings), "--log-form", "json"]
        with agent.log.open("a") as log:
            agent.process = subprocess.Popen([*command, *run], stdout=log, stderr=log, text=True)
        try:
            agent.ready()
            wait(lambda: agent.metric('lowmark_printers{contact="reachable"}') == 4, 20, agent.log.read_text)
        finally:
            agent.process.terminate()  # with -D the tracer is the grandchild, and this is the agent
            agent.process.wait(30)
    assert agent.logged("stopped")
    assert not [line for line in agent.log.read_text().splitlines() if '"level": "error"' in line]
