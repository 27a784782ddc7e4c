"""A maintenance window, opened and closed by the command while the agent runs; and an alarm acknowledged meanwhile."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.notify.servers import Post, smtp
from tests.whole.agent import lowmark, rehearsal, running, wait
from tests.whole.test_service import RULES, mail_channel, texts


@pytest.mark.slow
def test_what_falls_low_in_a_window_is_mailed_when_it_is_closed(tmp_path: Path) -> None:
    post = Post()
    with rehearsal(2) as going, smtp(post) as port:
        going.set_level("hl-01", "toner:black", 0.6)
        with running(tmp_path, going, alarms=RULES, channels=[mail_channel(port)]) as agent:
            wait(lambda: agent.remaining("hl-01", "toner:black") == pytest.approx(0.6, abs=0.02), 15)
            said = ("--for", "2h", "--by", "Night desk", "--reason", "the desk moves", "--printer", "hl-01")
            opened = lowmark("alarms", "window", "open", "move", *said, "--store", agent.url)
            assert opened.returncode == 0, opened.stderr
            going.set_level("hl-01", "toner:black", 0.08)
            wait(lambda: agent.remaining("hl-01", "toner:black") == pytest.approx(0.08, abs=0.02), 15)
            swept = len(agent.logged("swept"))
            wait(lambda: len(agent.logged("swept")) >= swept + 2, 20)
            assert not [text for text in texts(post) if "hl-01" in text]
            listed = json.loads(lowmark("alarms", "--all", "--json", "--store", agent.url).stdout)["alarms"]
            (hidden,) = [one for one in listed if one["facts"].get("printer") == "hl-01"]
            assert (hidden["state"], hidden["suppressed_by"]) == ("suppressedByDesign", "window|move")
            closed = lowmark("alarms", "window", "close", "move", "--by", "Night desk", "--store", agent.url)
            assert closed.returncode == 0, closed.stderr
            wait(lambda: [text for text in texts(post) if "hl-01" in text], 15, agent.log.read_text)
            # Somebody acknowledges while the agent goes on judging: it keeps, and the agent takes it up.
            acked = lowmark("alarms", "ack", hidden["key"], "--by", "Night desk", "--store", agent.url)
            assert acked.returncode == 0, acked.stderr
            for level in (0.07, 0.06, 0.05):
                going.set_level("hl-01", "toner:black", level)
                swept = len(agent.logged("swept"))
                wait(lambda: len(agent.logged("swept")) >= swept + 1, 20)  # noqa: B023 - waited for at once
            wait(lambda: agent.metric('lowmark_alarms{severity="medium",state="acknowledged"}') == 1, 15)
            listed = json.loads(lowmark("alarms", "--json", "--store", agent.url).stdout)["alarms"]
            (seen,) = [one for one in listed if one["facts"].get("printer") == "hl-01"]
            assert (seen["state"], seen["acknowledged_by"]) == ("acknowledged", "Night desk")
            assert seen["value"] < 0.08
            assert len([text for text in texts(post) if "hl-01" in text]) == 1
            assert agent.stop() == 0
