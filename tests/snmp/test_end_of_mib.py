"""A walk that reaches the end of the MIB is whole, under every version and with both engines."""

from __future__ import annotations

import asyncio

import pytest

from agent.model.wire import Community, Peer
from agent.snmp.reader import Reader
from agent.snmp.wire import open_engine
from tests.whole.agent import rehearsal


@pytest.mark.parametrize("engine", ["gufo", "pysnmp"])
def test_the_last_table_of_the_mib_is_walked_to_its_end(engine):
    with rehearsal(15) as going:
        for version in ("1", "2c", "3"):
            worn = next(one for one in going.fleet.printers if _version(one.kind.credentials) == version)
            peer = Peer(worn.who.host, worn.who.port, worn.kind.credentials, timeout=3.0, deadline=20.0)

            async def read(peer: Peer = peer):
                reader = Reader(open_engine(engine))
                try:
                    return await reader.read(peer), await reader.read(peer)
                finally:
                    await reader.close()

            for answers in asyncio.run(read()):
                assert answers.truncated == ()
                assert answers.devices == (worn.who.device_index,)


def _version(credentials):
    return credentials.version if isinstance(credentials, Community) else "3"
