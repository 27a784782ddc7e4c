"""A throw-away PostgreSQL 15 on a loopback port and a socket, in a directory of its own."""

from __future__ import annotations

import itertools
import os
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg

from tests.needs import debian, missing

USER = "lowmark"
PASSWORD = "a pass:word/with@signs"  # an invented one, with everything that a URL must escape


class Cluster:
    """A server that only this test run knows of. Socket connections are trusted, loopback ones need the password."""

    def __init__(self) -> None:
        self._bin = Path(debian("postgresql-15", "/usr/lib/postgresql/15/bin/initdb")).parent
        self.home = Path(tempfile.mkdtemp(prefix="lowmark-pg-"))
        self._as: list[str] = []
        if os.geteuid() == 0:  # the server refuses to run as root
            if shutil.which("runuser") is None:
                missing("needs runuser (Debian package util-linux) to start PostgreSQL as another user than root")
            self._as = ["runuser", "-u", "postgres", "--"]
            shutil.chown(self.home, "postgres", "postgres")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._names = itertools.count(1)
        self._server: subprocess.Popen[bytes] | None = None
        data = self.home / "data"
        self._run(
            "initdb",
            "-D",
            str(data),
            "-U",
            USER,
            "--auth-local=trust",
            "--auth-host=scram-sha-256",
            "--no-sync",
            "-E",
            "UTF8",
            "--locale=C.UTF-8",
        )
        self.start()
        with self.connect() as connection:
            connection.execute(f"ALTER USER {USER} PASSWORD '{PASSWORD}'")

    def _run(self, program: str, *arguments: str) -> None:
        command = [*self._as, str(self._bin / program), *arguments]
        done = subprocess.run(command, capture_output=True, text=True, cwd=self.home, timeout=180)
        assert done.returncode == 0, done.stderr

    def start(self) -> None:
        """Start the server and wait until it answers."""
        options = {
            "listen_addresses": "127.0.0.1",
            "port": str(self.port),
            "unix_socket_directories": str(self.home),
            "fsync": "off",  # the machine will not lose power during a test
            "max_connections": "40",
        }
        command = [*self._as, str(self._bin / "postgres"), "-D", str(self.home / "data")]
        for name, value in options.items():
            command += ["-c", f"{name}={value}"]
        with (self.home / "log").open("ab") as log:
            self._server = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.home)
        for _ in range(200):
            try:
                self.connect().close()
            except psycopg.OperationalError:
                time.sleep(0.05)
            else:
                return
        raise AssertionError((self.home / "log").read_text())

    def stop(self) -> None:
        """Stop the server at once; who is connected is cut off."""
        if self._server is not None:
            self._run("pg_ctl", "stop", "-D", str(self.home / "data"), "-m", "immediate")
            self._server.wait(30)
            self._server = None

    def remove(self) -> None:
        """Stop the server and leave nothing behind."""
        self.stop()
        shutil.rmtree(self.home)

    def connect(self, database: str = "postgres") -> psycopg.Connection:
        """A connection of the test's own, past the store."""
        return psycopg.connect(host=str(self.home), port=self.port, user=USER, dbname=database, autocommit=True)

    def database(self) -> str:
        """Make an empty place for a store (a schema, which is quicker than a database); gives the store's URL."""
        name = f"fleet{next(self._names)}"
        with self.connect() as connection:
            connection.execute(f"CREATE SCHEMA {name}")
        return f"postgresql://{USER}@/postgres?host={self.home}&port={self.port}&options=-csearch_path%3D{name}"
