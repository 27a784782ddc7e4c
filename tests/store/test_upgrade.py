"""A store of an older program: what is kept of it, who upgrades it, and what happens where that cannot be done."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from agent.store import Store, StoreFull, StoreGone, StoreNewer, backup, engine, schema
from tests.store.older import OLDEST, of_an_older_program
from tests.store.samples import HOUR, MONDAY

NEWEST = schema.STEPS[-1]

OPEN = """
import sys
from agent.store import Store
sys.stdin.readline()
with Store.open(sys.argv[1], create=False) as store:
    print([printer.name for printer in store.printers()])
"""


def step_of(file: Path) -> str:
    with closing(sqlite3.connect(file)) as one:
        return str(one.execute(f"SELECT version_num FROM {schema.VERSION_TABLE}").fetchone()[0])


@pytest.fixture
def old(tmp_path: Path) -> Path:
    file = tmp_path / "history.sqlite"
    of_an_older_program(f"sqlite:///{file}")
    return file


def test_a_copy_is_kept_before_the_tables_change(old: Path) -> None:
    with Store.open(f"sqlite:///{old}", clock=lambda: MONDAY) as store:
        assert store.find_printer("desk-1") is not None
    (kept,) = backup.kept_before_upgrades(old)
    assert kept.name == f"history.sqlite.of-step-{OLDEST}-20260302T080000Z"
    assert (step_of(kept), step_of(old)) == (OLDEST, NEWEST)
    with closing(sqlite3.connect(kept)) as one:
        assert one.execute("SELECT name FROM printer").fetchall() == [("desk-1",)]
    assert kept.stat().st_mode & 0o077 == 0, "as private as every copy"


def test_no_copy_is_made_where_nothing_is_to_be_changed(tmp_path: Path) -> None:
    for _ in range(2):  # made anew, and then as it should be
        Store.open(f"sqlite:///{tmp_path / 'history.sqlite'}").close()
    assert backup.kept_before_upgrades(tmp_path / "history.sqlite") == []


def test_the_copy_can_be_restored_with_the_older_program_and_upgraded_again(old: Path) -> None:
    url = f"sqlite:///{old}"
    Store.open(url, clock=lambda: MONDAY).close()
    (kept,) = backup.kept_before_upgrades(old)
    backup.restore(url, kept, MONDAY + HOUR)
    assert step_of(old) == OLDEST
    Store.open(url, clock=lambda: MONDAY + 2 * HOUR).close()
    assert step_of(old) == NEWEST
    assert len(backup.kept_before_upgrades(old)) == 2


def test_only_the_last_few_copies_stay(old: Path, tmp_path: Path) -> None:
    other = tmp_path / "history.sqlite.before-20260101T000000Z"  # a restore's, and a person's to remove
    shutil.copy(old, other)
    original = old.read_bytes()
    for day in range(5):
        for tail in ("-wal", "-shm"):
            old.with_name(old.name + tail).unlink(missing_ok=True)
        old.write_bytes(original)
        Store.open(f"sqlite:///{old}", clock=lambda day=day: MONDAY + timedelta(days=day)).close()
    days = [file.name[-16:-8] for file in backup.kept_before_upgrades(old)]
    assert days == ["20260304", "20260305", "20260306"]
    assert other.exists()


def test_a_full_disk_stops_the_upgrade_and_changes_nothing(old: Path, tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    size = f"size={old.stat().st_size * 3 // 2 // 1024 + 64}k"  # the store and its log, and no copy
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", size, "none", str(small)], capture_output=True)
    if mounted.returncode:
        pytest.skip("this machine lets nobody mount a small file system")
    try:
        tight = small / "history.sqlite"
        shutil.copy(old, tight)
        with pytest.raises(StoreFull) as refusal:
            Store.open(f"sqlite:///{tight}")
        assert "copied before its tables are changed" in str(refusal.value)
        assert "nothing was changed" in str(refusal.value)
        assert "make room" in str(refusal.value)
        assert step_of(tight) == OLDEST
        assert backup.kept_before_upgrades(tight) == []
        subprocess.run(["mount", "-o", "remount,size=20m", str(small)], check=True)
        Store.open(f"sqlite:///{tight}").close()
        assert step_of(tight) == NEWEST
        assert len(backup.kept_before_upgrades(tight)) == 1
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_a_copy_that_cannot_be_written_stops_the_upgrade(old: Path) -> None:
    stamp = f"{MONDAY:%Y%m%dT%H%M%SZ}"
    in_the_way = old.with_name(f".history.sqlite.of-step-{OLDEST}-{stamp}.partial")
    in_the_way.mkdir()
    with pytest.raises(StoreGone, match="nothing was changed"):
        Store.open(f"sqlite:///{old}", clock=lambda: MONDAY)
    assert step_of(old) == OLDEST


def test_going_back_is_refused_and_the_way_back_is_named(old: Path) -> None:
    url = f"sqlite:///{old}"
    Store.open(url, clock=lambda: MONDAY).close()
    with closing(sqlite3.connect(old)) as one, one:
        one.execute(f"UPDATE {schema.VERSION_TABLE} SET version_num = '9001'")
    with pytest.raises(StoreNewer) as refusal:
        Store.open(url)
    (kept,) = backup.kept_before_upgrades(old)
    assert f"lowmark restore {kept}" in str(refusal.value)
    assert "newer Lowmark" in str(refusal.value)


def test_several_programs_that_start_at_once_upgrade_once(url: str) -> None:
    of_an_older_program(url)
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", OPEN, url],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(3)
    ]
    for one in programs:
        assert one.stdin is not None
        one.stdin.write("\n")
        one.stdin.flush()
    for one in programs:
        said, wrong = one.communicate(timeout=180)
        assert one.returncode == 0, wrong
        assert "desk-1" in said
    place = engine.find(url)
    if place.is_sqlite:
        assert len(backup.kept_before_upgrades(Path(place.url.database or ""))) == 1
    database = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    with database.connect() as connection:
        assert connection.execute(text(f"SELECT version_num FROM {schema.VERSION_TABLE}")).scalars().all() == [NEWEST]
    database.dispose()


def test_a_program_waits_for_another_that_is_upgrading_longer_than_for_a_usual_lock(old: Path) -> None:
    url = f"sqlite:///{old}"
    slow = (
        "import sys, time\n"
        "from agent.store import engine, schema\n"
        "from datetime import timedelta\n"
        "place = engine.find(sys.argv[1])\n"
        "def keep(step):\n"
        "    print('begun', flush=True)\n"
        "    time.sleep(1.5)\n"
        "one = engine.connect(place, create=False, patience=timedelta(seconds=5))\n"
        "schema.bring_up_to_date(one, place, create=False, keep=keep)\n"
    )
    with subprocess.Popen([sys.executable, "-c", slow, url], stdout=subprocess.PIPE, text=True) as upgrading:
        assert upgrading.stdout is not None
        assert upgrading.stdout.readline() == "begun\n"
        with Store.open(url, create=False, patience=timedelta(seconds=0.2)) as store:
            assert store.find_printer("desk-1") is not None
        assert upgrading.wait(30) == 0
    assert backup.kept_before_upgrades(old) == [], "the other one did it"
