"""A store that is locked, full, gone or stuck: what it says, and that the buffer loses nothing."""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest

from agent.store import Buffer, Store, StoreBusy, StoreCorrupt, StoreFull, StoreGone, StoreUnavailable
from tests.store.postgres import USER, Cluster
from tests.store.samples import HOUR, MINUTE, MONDAY, alarm, contact, counts, furnished, levels, message, silence

SOON = timedelta(milliseconds=80)


@contextmanager
def locked(url: str, cluster_home: Path | None) -> Iterator[None]:
    """Another program holds the lock of the writer."""
    if url.startswith("sqlite"):
        other = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        try:
            yield
        finally:
            other.execute("ROLLBACK")
            other.close()
        return
    port = url.split("port=")[1].split("&", maxsplit=1)[0]
    with psycopg.connect(host=str(cluster_home), port=port, user=USER, dbname="postgres") as connection:
        schema = url.split("%3D")[1]
        connection.execute(f"LOCK TABLE {schema}.contact_run IN ACCESS EXCLUSIVE MODE")
        yield


@pytest.fixture
def home(request: pytest.FixtureRequest, url: str) -> Path | None:
    return None if url.startswith("sqlite") else request.getfixturevalue("cluster").home


def test_locked_store_says_so_and_takes_everything_afterwards(url: str, home: Path | None) -> None:
    with Store.open(url, patience=SOON) as store:
        desk, hall = furnished(store, 2)
        store.record([contact(desk, MONDAY), contact(hall, MONDAY)])
        buffer = Buffer(store)
        with locked(url, home):
            with pytest.raises(StoreBusy, match=r"busy|locked"):
                store.record([contact(desk, MONDAY + MINUTE, 79)])
            for minute in range(1, 6):
                now = MONDAY + minute * MINUTE
                buffer.offer([contact(desk, now, 80 - minute, 1000 + minute), contact(hall, now)])
                assert not buffer.flush(now).done
            assert buffer.failing_since == MONDAY + MINUTE
            assert "another program" in buffer.last_error or "busy" in buffer.last_error
            buffer.offer(alarms=[alarm()], messages=[message(), message()])
            assert buffer.depth == 8, "what did not change need not wait in full"
        assert buffer.flush(MONDAY + HOUR).done
        assert (buffer.depth, buffer.failing_since, buffer.last_error, buffer.dropped) == (0, None, "", 0)
        assert levels(store.history(desk)) == [(MONDAY + n * MINUTE, 80 - n) for n in range(6)]
        assert counts(store.history(desk)) == [(MONDAY + n * MINUTE, 1000 + n) for n in range(6)]
        assert store.contacts()[hall].last == MONDAY + 5 * MINUTE
        assert levels(store.history(hall)) == [(MONDAY, 80)]
        assert (store.alarms(), len(store.due(MONDAY))) == ((alarm(),), 1)


def test_full_database_keeps_readings_waiting_until_there_is_room(tmp_path: Path) -> None:
    """The limit of pages is SQLite's own way to be full: https://www.sqlite.org/pragma.html#pragma_max_page_count."""
    with Store.open(f"sqlite:///{tmp_path / 'small.sqlite'}") as store:
        ids = furnished(store, 40)
        store.record([contact(one, MONDAY) for one in ids])
        with (
            store._engine.connect() as connection
        ):  # the limit belongs to the connection, so it is set in the store's own
            raw = connection.connection.driver_connection
            assert raw is not None
            pages = raw.execute("PRAGMA page_count").fetchone()[0]
            raw.execute(f"PRAGMA max_page_count = {pages}")
        buffer = Buffer(store)
        minute = 0
        while buffer.failing_since is None and minute < 200:
            minute += 1
            now = MONDAY + minute * MINUTE
            buffer.offer([contact(one, now, minute, 1000 + minute) for one in ids])
            buffer.flush(now)
        assert "no space is left" in buffer.last_error
        with pytest.raises(StoreFull):
            store.record([contact(one, MONDAY + HOUR * 9, 5, 5000, console=("x" * 9000,)) for one in ids])
        with store._engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert raw is not None
            raw.execute("PRAGMA max_page_count = 100000")
        assert buffer.flush(MONDAY + HOUR).done
        for one in ids:
            assert levels(store.history(one)) == [(MONDAY + n * MINUTE, n or 80) for n in range(minute + 1)]


def test_disk_that_takes_no_more_is_told_and_survived(tmp_path: Path) -> None:
    """In a process of its own, whose files may not grow: the same refusal that a full disk or a quota gives (EFBIG)."""
    script = textwrap.dedent(
        """
        import resource, signal, sys
        from agent.store import Buffer, Store
        from tests.store.samples import MINUTE, MONDAY, contact, furnished

        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        with Store.open(sys.argv[1]) as store:
            ids = furnished(store, 50)
            buffer = Buffer(store)
            buffer.offer([contact(one, MONDAY) for one in ids])
            assert buffer.flush(MONDAY).done
            size = 900_000
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
            minute = 0
            while buffer.failing_since is None and minute < 300:
                minute += 1
                buffer.offer([contact(one, MONDAY + minute * MINUTE, minute, 1000 + minute) for one in ids])
                buffer.flush(MONDAY + minute * MINUTE)
            print(buffer.last_error)
            waiting = buffer.depth
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            assert buffer.flush(MONDAY).done
            for one in ids:
                (track, _) = store.history(one).supplies
                assert len(track.points) == minute + 1, (len(track.points), minute)
            print("waited", waiting)
        """
    )
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY
    done = subprocess.run(
        [sys.executable, "-c", script, f"sqlite:///{tmp_path / 'full.sqlite'}"],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "PYTHONPATH": "."},
    )
    assert done.returncode == 0, done.stderr
    assert "disk" in done.stdout
    assert "waited 50" in done.stdout


def test_server_that_goes_away_and_comes_back_loses_nothing(cluster: Cluster) -> None:
    with Store.open(cluster.database()) as store:
        (desk,) = furnished(store)
        buffer = Buffer(store)
        buffer.offer([contact(desk, MONDAY)])
        assert buffer.flush(MONDAY).done
        cluster.stop()
        try:
            buffer.offer([contact(desk, MONDAY + MINUTE, 79)], alarms=[alarm()])
            assert not buffer.flush(MONDAY + MINUTE).done
            assert "server" in buffer.last_error
            with pytest.raises(StoreGone):
                store.history(desk)
        finally:
            cluster.start()
        buffer.offer([silence(desk, MONDAY + 2 * MINUTE)])
        assert buffer.flush(MONDAY + 2 * MINUTE).done
        assert levels(store.history(desk)) == [(MONDAY, 80), (MONDAY + MINUTE, 79)]
        assert store.contacts()[desk].failure == "silent"


def test_folder_that_is_taken_away_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "history"
    folder.mkdir()
    store = Store.open(f"sqlite:///{folder / 'lowmark.sqlite'}")
    (desk,) = furnished(store)
    store.close()
    folder.rename(tmp_path / "elsewhere")
    with pytest.raises(StoreUnavailable, match="folder"):
        store.record([contact(desk, MONDAY)])
    store.close()


def test_damaged_file_is_told_and_not_retried(tmp_path: Path) -> None:
    file = tmp_path / "lowmark.sqlite"
    with Store.open(f"sqlite:///{file}") as store:
        ids = furnished(store, 30)
        store.record([contact(one, MONDAY) for one in ids])
    size = file.stat().st_size
    with file.open("r+b") as damaged:
        damaged.seek(4096)
        damaged.write(b"\xa5" * (size - 4096))
    with pytest.raises(StoreCorrupt, match="damaged") as refusal, Store.open(f"sqlite:///{file}") as store:
        store.history(ids[0])
    assert not refusal.value.retryable


def test_another_writer_to_the_same_printers_is_noticed(url: str) -> None:
    """Two agents by mistake, or an import while the agent runs: what each holds in memory is never written over."""
    with Store.open(url) as one, Store.open(url) as other:
        desk, hall = furnished(one, 2)
        one.record([contact(desk, MONDAY), contact(hall, MONDAY)])
        other.record([contact(desk, MONDAY + MINUTE, 70), silence(hall, MONDAY + MINUTE)])
        one.record([contact(desk, MONDAY + 2 * MINUTE, 70), contact(hall, MONDAY + 2 * MINUTE)])
        other.record([contact(desk, MONDAY + 3 * MINUTE, 60), contact(hall, MONDAY + 3 * MINUTE)])
        one.record([silence(desk, MONDAY + 4 * MINUTE)])
        other.record([contact(desk, MONDAY + 5 * MINUTE, 60)])
        one.record([contact(desk, MONDAY + 6 * MINUTE, 80)])
        assert levels(one.history(desk)) == [
            (MONDAY, 80),
            (MONDAY + MINUTE, 70),
            (MONDAY + 3 * MINUTE, 60),
            (MONDAY + 6 * MINUTE, 80),
        ]
        assert [(run.first - MONDAY, run.reachable) for run in one.history(hall).contacts] == [
            (0 * MINUTE, True),
            (MINUTE, False),
            (2 * MINUTE, True),
        ]
        assert [run.reachable for run in one.history(desk).contacts] == [True, False, True]
